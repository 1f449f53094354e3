"""How a display's figures drift between visits, and on which day they leave their limits.

A figure is taken to run along a straight line since the last change: the logarithm of the peak (a decline by a
constant share, common practice, no source), u′ and v′ of white, gamma as they are. A line is fitted by weighted
least squares with the uncertainty of the readings; an instrument's own scale is one error for all that it read.

A line takes the rate to stay. Where ageing slows, the limit is left later than foretold; where it quickens, earlier:
``tests/test_ageing.py`` prints how much of the coverage that costs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from itertools import pairwise

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.readings.instrument_noise import t_factor
from matchlib.readings.lamps import is_another

FEWEST = 3  # sessions: through two points runs a line whatever they are
LEAST_SPAN = 14.0  # days: readings of one round tell of their scatter, not of ageing. No source
COVER = 0.95  # of intervals of rates and days
HORIZON = 1095  # days: three years; a later day is told as none. No source
# A stated uncertainty is itself known to about 25 %, which makes 8 degrees of freedom (JCGM 100:2008, G.4.2)
STATED_FREEDOM = 8.0
JUMP_RISK = 0.01  # that a display without a jump is said to have one. No source
_DRAWS = 4096
_SEED = 20260902


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One figure over the sessions of a display, oldest first.

    Attributes:
        days: Shape (n,), from any day on.
        values: Shape (n,).
        own: Standard uncertainties that are each session's own, shape (n,); None: only the scatter tells.
        common: Of what one scale has in common in all its sessions, shape (n,).
        scales: Which scale each session was read with.
    """

    days: Array
    values: Array
    own: Array | None
    common: Array
    scales: tuple[str, ...]

    @property
    def freedom(self) -> int:
        """Degrees of freedom of a line through them."""
        return len(self.days) - 2


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """A straight line through a series.

    Attributes:
        day: On which ``level`` holds: that of the newest session.
        rate: A day.
        covariance: Of level and rate, shape (2, 2).
        freedom: Degrees of freedom behind it.
    """

    day: float
    level: float
    rate: float
    covariance: Array
    freedom: float

    @property
    def rate_range(self) -> float:
        """Half the width of the 95 % interval of the rate, a day (Student's t; JCGM 100:2008, G.3)."""
        return float(t_factor(self.freedom, COVER) * np.sqrt(self.covariance[1, 1]))

    def at(self, days: Array) -> Array:
        """Return the line at days, shape (k,)."""
        return np.asarray(self.level + self.rate * (days - self.day))

    def range_at(self, days: Array) -> Array:
        """Return half the width of the line's 95 % band at days, shape (k,)."""
        steps = np.stack([np.ones_like(days), days - self.day])
        return np.asarray(
            t_factor(self.freedom, COVER) * np.sqrt(np.einsum("ik,ij,jk->k", steps, self.covariance, steps))
        )


@dataclass(frozen=True, slots=True, eq=False)
class Leaving:
    """When a figure leaves its limits, in days after that of the newest session.

    Attributes:
        expected: Median; None: not within the horizon. ``earliest`` and ``latest``: ends of the 95 % interval;
            0: it may have left already.
        days: Equally likely days, rising, infinite where a line never leaves, shape (k,).
    """

    expected: float | None
    earliest: float | None
    latest: float | None
    days: Array

    def within(self, days: float) -> float:
        """Return the probability that it leaves within so many days."""
        return float(np.searchsorted(self.days, days, side="right") / len(self.days))


def fit_drift(series: Series) -> Drift | None:
    """Return the line through a series; None for fewer than three sessions, or for less than two weeks.

    Generalised least squares. The sessions' own uncertainties are scaled by what their scatter says of them,
    weighed with the 8 degrees of freedom that stated ones are worth: s² = (8 + χ²) / (8 + n − 2).
    """
    if len(series.days) < FEWEST or np.ptp(series.days) < LEAST_SPAN:
        return None
    last = float(series.days[-1])
    design = np.stack([np.ones_like(series.days), series.days - last], axis=1)
    factor, freedom = _scatter(series, design)
    estimate, covariance = _solve(series, design, factor)
    return Drift(last, float(estimate[0]), float(estimate[1]), read_only(covariance), freedom)


def jumps(series: Series) -> tuple[int, ...]:
    """Return the places of sessions before which a figure jumped by more than its uncertainty explains.

    A step is added to the line before each inner session in turn; the one that stands out most is told if its t
    does so beyond a risk of 1 %, shared among the places tried (Bonferroni). Five sessions or more are needed.
    """
    count = len(series.days)
    if count < FEWEST + 2 or not np.ptp(series.days) > 0:
        return ()
    base = np.stack([np.ones(count), series.days - series.days[-1]], axis=1)
    found = []
    for place in range(1, count):
        design = np.column_stack([base, np.arange(count) >= place])
        if np.linalg.matrix_rank(design / np.maximum(np.abs(design).max(axis=0), 1e-12)) < 3:
            continue
        factor, freedom = _scatter(series, design)
        estimate, covariance = _solve(series, design, factor)
        found.append((abs(float(estimate[2])) / float(np.sqrt(covariance[2, 2])), freedom, place))
    largest, freedom, place = max(found, default=(0.0, 1.0, 0))
    return (place,) if largest > t_factor(freedom, 1 - JUMP_RISK / max(len(found), 1)) else ()


def leaves(drift: Drift, low: float, high: float) -> Leaving:
    """Return when a figure leaves the range from ``low`` to ``high``."""
    level, rate = _drawn(drift, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ways = np.where(rate > 0, (high - level) / rate, np.where(rate < 0, (low - level) / rate, np.inf))
    return _leaving(np.where((level < low) | (level > high), 0.0, ways))


def leaves_circle(along: tuple[Drift, Drift], limit: float) -> Leaving:
    """Return when a point leaves a circle about zero, its two coordinates drifting each for itself."""
    (x, dx), (y, dy) = (_drawn(drift, axis) for axis, drift in enumerate(along))
    speed, inward, room = dx**2 + dy**2, x * dx + y * dy, limit**2 - x**2 - y**2
    with np.errstate(divide="ignore", invalid="ignore"):
        ways = (np.sqrt(np.maximum(inward**2 + speed * room, 0.0)) - inward) / speed
    return _leaving(np.where(room < 0, 0.0, np.where(speed > 0, ways, np.inf)))


def changes_of(
    days: Sequence[date], hours: Sequence[float | None], adjusted: date | None, worn: str
) -> tuple[tuple[int, str], ...]:
    """Return before which sessions a display was changed, and how; oldest first.

    A session on the day of an adjustment is taken to follow it if it is the last of that day.

    Args:
        days: Of the sessions, oldest first.
        hours: Of its lamp or panel at each; None where a session does not say.
        adjusted: The inventory's day of the last adjustment.
        worn: What falling hours mean: ``lamp`` or ``panel``.
    """
    found = []
    if adjusted is not None:
        after = [place for place, day in enumerate(days) if day > adjusted]
        same = [place for place, day in enumerate(days) if day == adjusted]
        place = same[-1] if same else after[0] if after else len(days)
        if place > 0:
            found.append((place, "adjusted"))
    known = [(place, value) for place, value in enumerate(hours) if value is not None]
    found += [(place, worn) for (_, before), (place, now) in pairwise(known) if is_another(before, now)]
    return tuple(sorted(found))


def day_after(start: date, days: float | None) -> date | None:
    """Return the day so many days later; None for none."""
    if days is None:
        return None
    left = date.max.toordinal() - start.toordinal()
    return start + timedelta(days=min(round(days), left))


def _scatter(series: Series, design: Array) -> tuple[float, float]:
    """Return what the own uncertainties are to be multiplied by, and the degrees of freedom of that."""
    freedom = len(series.days) - design.shape[1]
    estimate, _ = _solve(series, design, 1.0)
    rest = series.values - design @ estimate
    chi2 = float(rest @ np.linalg.solve(_covariance(series, 1.0), rest))
    stated = 0.0 if series.own is None else STATED_FREEDOM
    return float(np.sqrt((stated + chi2) / (stated + freedom))), stated + freedom


def _solve(series: Series, design: Array, factor: float) -> tuple[Array, Array]:
    """Return the estimates of generalised least squares and their covariance."""
    weighed = np.linalg.solve(_covariance(series, factor), design)
    covariance = np.linalg.inv(design.T @ weighed)
    return covariance @ weighed.T @ series.values, np.asarray(covariance)


def _covariance(series: Series, factor: float) -> Array:
    """Return the covariance of a series, shape (n, n)."""
    own = np.full(len(series.days), 1e-12) if factor == 0 else np.ones(len(series.days)) * factor
    if series.own is not None:
        own = own * series.own
    same = np.array([[one == other for other in series.scales] for one in series.scales])
    return np.asarray(np.diag(own**2) + same * np.outer(series.common, series.common))


def _leaving(days: Array) -> Leaving:
    days = np.sort(days)
    ends = np.quantile(days, [(1 - COVER) / 2, 0.5, (1 + COVER) / 2], method="closest_observation")
    earliest, expected, latest = (float(day) if day <= HORIZON else None for day in ends)
    return Leaving(expected, earliest, latest, read_only(days))


def _drawn(drift: Drift, axis: int) -> tuple[Array, Array]:
    """Return equally likely levels and rates, shape (k,): a bivariate t distribution (JCGM 101:2008, 6.4.9)."""
    from scipy.special import gammaincinv

    normal, uniform = _draws()[axis]
    wide = np.sqrt(drift.freedom / (2 * gammaincinv(drift.freedom / 2, uniform)))  # chi-squared over its freedom
    moved = np.linalg.cholesky(drift.covariance) @ (normal * wide)
    return drift.level + moved[0], drift.rate + moved[1]


@lru_cache(maxsize=1)
def _draws() -> tuple[tuple[Array, Array], ...]:
    random = np.random.default_rng(_SEED)
    return tuple(
        (read_only(random.standard_normal((2, _DRAWS))), read_only(random.uniform(size=_DRAWS))) for _ in range(2)
    )
