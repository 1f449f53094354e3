"""How long a new lamp keeps its light and its white, by how the lamps before it faded and drifted."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.ageing import COVER, leaves_circle
from matchlib.matching.ageing import Drift as Line
from matchlib.matching.lamp_moved import ScreenChange
from matchlib.perception.difference import uv
from matchlib.readings.instrument_noise import LEVEL, t_factor
from matchlib.readings.session import Session, average_repeats

FEWEST = 3  # lamps that tell how lamps differ
_NOTHING = 1e-30  # variance: a new lamp's white has not moved yet


@dataclass(frozen=True, slots=True)
class Course:
    """When a screen has lost some of its light, or its white has moved by so much.

    Attributes:
        loss: Relative; of white, Δu′v′.
        hours: Lamp hours from the new lamp's first session.
        soonest: Lower end of the 95 % interval; ``latest``: its upper end, None where there is none.
        days: ``hours`` at the pace of the earlier lamps; None where they do not tell it.
    """

    loss: float
    hours: float
    soonest: float
    latest: float | None
    days: float | None


@dataclass(frozen=True, slots=True)
class Drift:
    """How earlier lamps faded and how their white drifted, and what that makes of the new one.

    Attributes:
        lamps: How many; from three on the intervals hold how they differ. ``sessions``: behind the fit.
        fade: Relative loss of luminance in 1,000 h; ``uncertainty``: expanded, by Student's t.
        to_limit: Until the luminance leaves the narrowest tolerance; ``to_before``: until it is as it was before
            the change. None where the new lamp does not have so much to lose, or no fade is told.
        missing: Why there is no fit, in words; empty where there is one.
        white: Drift of u′ and v′ of white in 1,000 h; None where there is no fit.
        white_scatter: Length from which on a drift that way is told from scatter, which makes none look so in 5 % of
            histories.
        white_to_limit: Until white has moved by the narrowest tolerance; None where no drift is told.
    """

    lamps: int = 0
    sessions: int = 0
    fade: float | None = None
    uncertainty: float | None = None
    to_limit: Course | None = None
    to_before: Course | None = None
    missing: str = ""
    white: tuple[float, float] | None = None
    white_scatter: float | None = None
    white_to_limit: Course | None = None

    @property
    def white_moves(self) -> bool:
        """Whether white drifts by more than the readings' scatter explains."""
        if self.white is None or self.white_scatter is None:
            return False
        return math.hypot(*self.white) > self.white_scatter


@dataclass(frozen=True, slots=True)
class Limits:
    """The narrowest tolerances of the rooms: luminance, relative, and Δu′v′ of white; None: there are no rooms."""

    luminance: float | None = None
    white: float | None = None


class _Read(NamedTuple):
    """One session: lamp hours, luminance (logarithm), u′ and v′ of white, day."""

    hours: float
    log: float
    u: float
    v: float
    day: float


def drift_back(change: ScreenChange, earlier: Sequence[Sequence[Session]], limits: Limits) -> Drift:
    """Return how long the new lamp keeps its light and its white, from the sessions of the lamps before it.

    The logarithm of the luminance, and u′ and v′ of white, are fitted by least squares over hours, with a level for
    each lamp and instrument, so that scales cancel: with a slope a lamp from three lamps on, and then the intervals
    hold how lamps differ from each other (the next one as one more of their kind, Student's t); with one slope for
    all where there are fewer, and then the intervals hold the readings' scatter alone.

    Args:
        change: Of the screen.
        earlier: Sessions of the lamps before, by lamp.
        limits: Of the rooms.
    """
    by_lamp = [[group for group in _by_instrument(lamp) if len(group) > 1] for lamp in earlier]
    by_lamp = [groups for groups in by_lamp if groups]
    lamps, used = len(by_lamp), [group for groups in by_lamp for group in groups]
    count = sum(map(len, used))
    freedom = count - len(used) - 1
    if freedom < 1:
        return Drift(
            lamps,
            count,
            missing="no history: it takes three sessions of one earlier lamp, with hours, by one instrument",
        )
    slopes, covariance = _fit(used)
    if lamps >= FEWEST:
        slopes, covariance, freedom = _of_a_lamp([_fit(groups)[0] for groups in by_lamp])
    slope, pace = float(slopes[0]), _pace(used)
    wide = t_factor(freedom, LEVEL) * math.sqrt(covariance[0, 0])
    before, after = (figures.luminance for figures in change.figures)
    ends = (slope, slope - wide, slope + wide)
    moved = change.of("luminance")
    brighter = moved is not None and moved.real and after > before
    losses = (limits.luminance, 1 - before / after if brighter else None)
    courses = [None if loss is None else _course(loss, ends, pace) for loss in losses]
    fade, most = -math.expm1(1000 * slope), -math.expm1(1000 * ends[1])
    found = Drift(
        lamps=lamps,
        sessions=count,
        fade=fade,
        uncertainty=most - fade,
        to_limit=courses[0],
        to_before=courses[1],
        missing="" if slope < 0 else "the luminance of the earlier lamps does not fall with their hours",
        white=(1000 * float(slopes[1]), 1000 * float(slopes[2])),
        white_scatter=1000 * _told_from(slopes[1:], covariance[1:, 1:], freedom),
    )
    if limits.white is None or not found.white_moves:
        return found
    variances, axes = np.linalg.eigh(covariance[1:, 1:])  # along these two the errors are independent
    lines = [
        _from_now(*along, freedom) for along in zip((slopes[1:] @ axes).tolist(), variances.tolist(), strict=True)
    ]
    return replace(found, white_to_limit=_white_course(limits.white, (lines[0], lines[1]), pace))


def _from_now(rate: float, variance: float, freedom: int) -> Line:
    """Return a line from zero over lamp hours."""
    return Line(0.0, 0.0, rate, np.diag([_NOTHING, max(variance, _NOTHING)]), freedom)


def _by_instrument(lamp: Sequence[Session]) -> list[list[_Read]]:
    """Return what was read of a lamp, by instrument; sessions without hours are left out."""
    groups: dict[str, list[_Read]] = {}
    for session in lamp:
        hours, patches = session.header.hours, average_repeats(session)
        white = patches.find(1, 1, 1)
        if hours is not None and white is not None:
            xyz = patches.xyz[white]
            u, v = uv(xyz).tolist()
            day = session.header.measured.timestamp() / 86_400
            read = _Read(hours, math.log(xyz[1]), u, v, day)
            groups.setdefault(session.header.instrument, []).append(read)
    return list(groups.values())


def _fit(groups: Sequence[Sequence[_Read]]) -> tuple[Array, Array]:
    """Return the common slopes over hours of log luminance, u′ and v′, shape (3,), and their covariance, (3, 3)."""
    arrays: list[Array] = [np.array(group) for group in groups]
    hours = np.concatenate([group[:, 0] - group[:, 0].mean() for group in arrays])
    values = np.concatenate([group[:, 1:4] - group[:, 1:4].mean(axis=0) for group in arrays])
    spread = float((hours**2).sum())
    if not spread > 0:
        return np.zeros(3), np.diag([np.inf] * 3)
    slopes = hours @ values / spread
    rest = values - hours[:, None] * slopes
    freedom = len(hours) - len(arrays) - 1
    return slopes, rest.T @ rest / freedom / spread


def _of_a_lamp(slopes: Sequence[Array]) -> tuple[Array, Array, int]:
    """Return the mean of the lamps' slopes, the covariance of one more lamp's about it, degrees of freedom."""
    each, count = np.array(slopes), len(slopes)
    return each.mean(axis=0), np.cov(each, rowvar=False) * (1 + 1 / count), count - 1


def _told_from(slope: Array, covariance: Array, freedom: int) -> float:
    """Return the length from which on a slope of u′, v′ in this direction is told from none.

    Scatter alone makes none look so in 5 % of histories (Hotelling's T²: R. A. Johnson & D. W. Wichern, "Applied
    Multivariate Statistical Analysis", 5.2; from memory).
    """
    from scipy.special import fdtri

    if freedom < 2 or not np.isfinite(covariance).all():
        return math.inf
    t2 = float(slope @ np.linalg.solve(covariance + _NOTHING * np.eye(2), slope))
    enough = 2 * freedom / (freedom - 1) * float(fdtri(2, freedom - 1, COVER))
    return float(np.hypot(*slope)) * math.sqrt(enough / t2) if t2 > 0 else math.inf


def _pace(groups: Sequence[Sequence[_Read]]) -> float | None:
    """Return the hours a day that the earlier lamps burnt."""
    ends = [(group[-1].hours - group[0].hours, group[-1].day - group[0].day) for group in groups]
    hours, days = (sum(parts) for parts in zip(*ends, strict=True))
    return hours / days if days >= 1 and hours > 0 else None


def _white_course(limit: float, lines: tuple[Line, Line], pace: float | None) -> Course:
    """Return when white has moved by a distance, along lines over lamp hours."""
    ends = np.quantile(leaves_circle(lines, limit).days, [0.5, (1 - COVER) / 2, (1 + COVER) / 2], method="nearest")
    hours, soonest, latest = ends.tolist()
    return Course(
        limit, hours, soonest, latest if math.isfinite(latest) else None, None if pace is None else hours / pace
    )


def _course(loss: float, slopes: tuple[float, float, float], pace: float | None) -> Course | None:
    """Return when a loss is reached; None where nothing fades, ``latest`` None where it may never."""
    slope, steepest, flattest = slopes
    if slope >= 0 or not math.isfinite(steepest):
        return None
    far = math.log1p(-loss)
    hours = far / slope
    latest = far / flattest if flattest < 0 else None
    return Course(loss, hours, far / steepest, latest, None if pace is None else hours / pace)
