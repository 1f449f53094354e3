"""Drift within a session, as its repeats tell it: what their noise explains is none."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.readings.checks.evidence import Evidence, chromaticities
from matchlib.readings.instrument_noise import t_factor
from matchlib.readings.session import Session

_SPAN = 0.5  # of the session: repeats nearer together than half of it say nothing of its course. No source
_BRIGHT = 0.1  # of the peak: darker repeats scatter by the instrument's floor. No source
_EVEN = np.sqrt(1 / 12)  # standard deviation of an even spread of width 1 (JCGM 100:2008, 4.3.7)


@dataclass(frozen=True, slots=True)
class Drift:
    """What drift leaves of uncertainty in all readings of a session, one error for them all.

    Attributes:
        luminance: Standard uncertainty, relative.
        xy: Of x and of y.
        change: Relative change of the light over the session, signed; 0 where noise explains it.
        told: Whether repeats span enough of the session to tell.
    """

    luminance: float = 0.0
    xy: float = 0.0
    change: float = 0.0
    told: bool = False


def drift_of(session: Session) -> Drift:
    """Return the drift of a session from its bright repeats, in reading order.

    One straight line over the session is fitted to the logarithms of all repeated patches, each with a level of
    its own, and one to their x and y. A slope within its own uncertainty (t at the repeats' degrees of freedom,
    95.45 %) is taken for noise. The patches are spread over the course, so a change c leaves c/√12.
    """
    evidence = Evidence(session)
    last = max(len(session.xyz) - 1, 1)
    bright = [track for track in evidence.tracks if track.xyz[:, 1].min() >= _BRIGHT * evidence.peak]
    told = any((max(track.rows) - min(track.rows)) / last >= _SPAN for track in bright)
    if not told:
        return Drift()
    courses = [np.array(track.rows) / last for track in bright]
    change = _slope(courses, [track.log for track in bright])
    x, y = (_slope(courses, [chromaticities(track.xyz)[:, axis] for track in bright]) for axis in (0, 1))
    shift = float(np.hypot(x, y)) / np.sqrt(2)
    return Drift(float(abs(np.expm1(change)) * _EVEN), float(shift * _EVEN), float(np.expm1(change)), told=True)


def _slope(courses: list[Array], values: list[Array]) -> float:
    """Return the common slope of values over the course from 0 to 1, or 0 where their scatter explains it."""
    course = np.concatenate([entry - entry.mean() for entry in courses])
    value = np.concatenate([entry - entry.mean() for entry in values])
    freedom = len(course) - len(courses) - 1
    spread = float((course**2).sum())
    if freedom < 1 or not spread > 0:
        return 0.0
    slope = float(course @ value) / spread
    noise = float(np.sqrt(((value - slope * course) ** 2).sum() / freedom / spread))
    return slope if abs(slope) > t_factor(freedom) * noise else 0.0


def levelled(session: Session, drift: Drift) -> Session:
    """Return a session without its drift in light, so that its repeats scatter by noise alone."""
    if drift.change == 0:
        return session
    course = np.linspace(-0.5, 0.5, len(session.xyz))
    factors = np.exp(np.log1p(drift.change) * course)
    return replace(session, xyz=read_only(session.xyz / factors[:, None]))
