"""The limits of a kind of place, and a figure held against a limit with what is known of its error."""

from dataclasses import dataclass

import numpy as np

from matchlib.encoding import Pair
from matchlib.facility.rooms import Instrument
from matchlib.matching.result import Check
from matchlib.matching.verdict import guarded_result
from matchlib.readings.session_drift import Drift

NOMINAL_PEAK = 48.0  # cd/m², ST 431-1:2006, 5.1
INFORMATIVE = "informative"  # stands in the source of a limit that is advice


@dataclass(frozen=True, slots=True)
class Place:
    """Tolerances of one kind of place.

    Attributes:
        luminance: cd/m² about 48; scaled with a declared peak.
        white: Of x and of y.
        contrast: Least sequential contrast, black of the room included.
        gamma: Relative.
        sides: Least and greatest luminance of the sides, as a share of the centre's.
        corners: Likewise; None where the standard sets none.
        corner_white: Of x and of y of a corner, about the centre's.
    """

    name: str
    luminance: float
    white: float
    contrast: float
    gamma: float
    sides: Pair
    corners: Pair | None
    corner_white: float


# ST 431-1:2006, Table 1 (5.1, 5.2, 5.3, A.5) and RP 431-2:2011, Table A.1 (7.5, 7.7)
REVIEW_ROOM = Place("review room", 3.5, 0.002, 1500.0, 0.02, (0.80, 0.90), (0.80, 0.90), 0.008)
THEATRE = Place("theatre", 10.2, 0.006, 1200.0, 0.05, (0.75, 0.90), None, 0.015)


@dataclass(frozen=True, slots=True)
class Sure:
    """How far the readings behind the checks may be off (k = 2), and whether that guards them."""

    luminance: float
    xy: float
    gamma: float
    contrast: float
    guarded: bool

    def check(self, name: str, value: float, limit: float, expanded: float, *words: str) -> Check:
        """Return an upper limit's check; ``words``: unit and source."""
        return upper(name, value, limit, expanded, *words, guarded=self.guarded)

    def least(self, name: str, value: float, limit: float, expanded: float, *words: str) -> Check:
        """Return a lower limit's check."""
        unit, source = words
        band = expanded if self.guarded else 0.0
        return Check(name, value, limit, expanded, unit, guarded_result(-value, -limit, band), source)


def sure_by(
    instrument: Instrument, drift: Drift, *, guarded: bool, gamma: float = 0.0, contrast: float = 0.0
) -> Sure:
    """Return how far readings may be off by an instrument's stated uncertainty and the drift of their session."""
    luminance = float(np.hypot(instrument.luminance, 2 * drift.luminance))
    return Sure(luminance, float(np.hypot(instrument.xy, 2 * drift.xy)), gamma, contrast, guarded)


def upper(name: str, value: float, limit: float, expanded: float, *words: str, guarded: bool) -> Check:
    """Return an upper limit's check with its expanded uncertainty; ``words``: unit and source."""
    unit, source = words
    band = expanded if guarded else 0.0
    return Check(name, value, limit, expanded, unit, guarded_result(value, limit, band), source)
