"""How long a new lamp keeps its light, by how the lamps before it faded."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.lamp_moved import ScreenChange
from matchlib.readings.instrument_noise import LEVEL, t_factor
from matchlib.readings.session import Session, average_repeats


@dataclass(frozen=True, slots=True)
class Course:
    """When a screen has lost some of its light.

    Attributes:
        loss: Relative.
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
    """How earlier lamps faded, and what that makes of the new one.

    Attributes:
        lamps: How many; ``sessions``: behind the fit.
        fade: Relative loss of luminance in 1,000 h; ``uncertainty``: expanded, by Student's t.
        to_limit: Until the luminance leaves the narrowest tolerance; ``to_before``: until it is as it was before
            the change. None where the new lamp does not have so much to lose, or no fade is told.
        missing: Why there is no fit, in words; empty where there is one.
    """

    lamps: int = 0
    sessions: int = 0
    fade: float | None = None
    uncertainty: float | None = None
    to_limit: Course | None = None
    to_before: Course | None = None
    missing: str = ""


def drift_back(change: ScreenChange, earlier: Sequence[Sequence[Session]], tolerance: float | None) -> Drift:
    """Return how long the new lamp keeps its light, from the sessions of the lamps before it.

    The logarithm of the luminance is fitted by least squares with one slope over hours for all earlier lamps, and
    a level for each lamp and instrument, so that scales cancel. That a new lamp fades as earlier ones did is
    supposed.

    Args:
        change: Of the screen.
        earlier: Sessions of the lamps before, by lamp.
        tolerance: Of luminance, relative, the narrowest of the rooms; None: there are no rooms.
    """
    groups = [group for lamp in earlier for group in _by_instrument(lamp)]
    lamps = sum(1 for lamp in earlier if any(len(group) > 1 for group in _by_instrument(lamp)))
    used = [group for group in groups if len(group) > 1]
    count = sum(map(len, used))
    freedom = count - len(used) - 1
    if freedom < 1:
        return Drift(
            lamps,
            count,
            missing="no history: it takes three sessions of one earlier lamp, with hours, by one instrument",
        )
    slope, standard = _fit(used)
    factor = t_factor(freedom, LEVEL)
    pace = _pace(used)
    before, after = (figures.luminance for figures in change.figures)
    slopes = (slope, slope - factor * standard, slope + factor * standard)
    losses = (tolerance, 1 - before / after if after > before else None)
    courses = [None if loss is None else _course(loss, slopes, pace) for loss in losses]
    fade, most = -math.expm1(1000 * slope), -math.expm1(1000 * slopes[1])
    missing = "" if slope < 0 else "the luminance of the earlier lamps does not fall with their hours"
    return Drift(lamps, count, fade, most - fade, courses[0], courses[1], missing)


def _by_instrument(lamp: Sequence[Session]) -> list[list[tuple[float, float, float]]]:
    """Return hours, luminance and day of a lamp's sessions, by instrument; those without hours are left out."""
    groups: dict[str, list[tuple[float, float, float]]] = {}
    for session in lamp:
        hours, patches = session.header.hours, average_repeats(session)
        white = patches.find(1, 1, 1)
        if hours is not None and white is not None:
            day = session.header.measured.timestamp() / 86_400
            groups.setdefault(session.header.instrument, []).append((hours, float(patches.xyz[white, 1]), day))
    return list(groups.values())


def _fit(groups: Sequence[Sequence[tuple[float, float, float]]]) -> tuple[float, float]:
    """Return the common slope of log luminance over hours, and its standard uncertainty."""
    arrays: list[Array] = [np.array(group) for group in groups]
    hours = np.concatenate([group[:, 0] - group[:, 0].mean() for group in arrays])
    logs = np.concatenate([np.log(group[:, 1]) - np.log(group[:, 1]).mean() for group in arrays])
    spread = float((hours**2).sum())
    if not spread > 0:
        return 0.0, math.inf
    slope = float(hours @ logs) / spread
    freedom = len(hours) - len(arrays) - 1
    return slope, math.sqrt(float(((logs - slope * hours) ** 2).sum()) / freedom / spread)


def _pace(groups: Sequence[Sequence[tuple[float, float, float]]]) -> float | None:
    """Return the hours a day that the earlier lamps burnt."""
    ends = [(group[-1][0] - group[0][0], group[-1][2] - group[0][2]) for group in groups]
    hours, days = (sum(parts) for parts in zip(*ends, strict=True))
    return hours / days if days >= 1 and hours > 0 else None


def _course(loss: float, slopes: tuple[float, float, float], pace: float | None) -> Course | None:
    """Return when a loss is reached; None where nothing fades, ``latest`` None where it may never."""
    slope, steepest, flattest = slopes
    if slope >= 0 or not math.isfinite(steepest):
        return None
    far = math.log1p(-loss)
    hours = far / slope
    latest = far / flattest if flattest < 0 else None
    return Course(loss, hours, far / steepest, latest, None if pace is None else hours / pace)
