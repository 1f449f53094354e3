"""A reference in PQ against DCI's HDR Addendum, Table 6.

PQ gives light in cd/m² and not in shares of a white, so the steps are held against it as they were read,
black included. The Addendum gives no tolerance of the primaries.
"""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import Encoding, Pair, signal_to_linear
from matchlib.facility.rooms import Instrument
from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.result import Check, Figures
from matchlib.matching.tolerances import REVIEW_ROOM, THEATRE, Place, Sure, sure_by
from matchlib.readings.session import Session, average_repeats
from matchlib.readings.session_drift import drift_of

_TABLE = "DCI HDR Addendum, Table 6"
_PEAK, _CODED_PEAK = 300.0, 299.6  # cd/m²: the colour volume's white, and what its 12-bit code shows
_WHITE, _CODED_WHITE = (0.3127, 0.3290), (0.3128, 0.3290)  # likewise
_BLACK, _BLACK_BOX = 0.005, 0.001  # cd/m²
_NEAR_BLACK = 0.05  # relative: a step of .005 cd/m² is known by its signal, 12-bit codes being 3 % apart there
_ROUNDED = 1e-3  # relative: a step of 1.000 cd/m² may decode to a little more
_RANKS = ("pass", "undecided", "fail")


@dataclass(frozen=True, slots=True)
class HdrPlace:
    """Tolerances of one kind of display.

    Attributes:
        luminance: cd/m² about 299.6; scaled with another declared peak.
        white: Of x and of y.
        steps: Greatest luminance of each range of steps, cd/m², and the relative tolerance in it.
    """

    name: str
    luminance: float
    white: float
    steps: tuple[Pair, ...]


def _steps(dark: float, middle: float, bright: float) -> tuple[Pair, ...]:
    return (0.02, dark), (1.0, middle), (np.inf, bright)


HDR_PLACES = {
    ("projector", REVIEW_ROOM.name): HdrPlace("review room", 18.0, 0.002, _steps(0.20, 0.12, 0.06)),
    ("projector", THEATRE.name): HdrPlace("theatre", 30.0, 0.006, _steps(0.20, 0.15, 0.10)),
    ("monitor", REVIEW_ROOM.name): HdrPlace("direct view", 9.0, 0.002, _steps(0.20, 0.05, 0.03)),
}


def hdr_conformity(
    kind: str, session: Session, figures: Figures, instrument: Instrument, rule: str, room: Place = REVIEW_ROOM
) -> tuple[Check, ...]:
    """Return the checks of a reference in PQ.

    Beside those about the declared peak and white, where they are others, those about the Addendum's own.

    Args:
        kind: ``projector``, or ``monitor`` for a display that is looked at directly.
        session: What counts.
        figures: Of it.
        instrument: That read it.
        rule: ``guarded`` or ``simple``.
        room: Whose limits; a display that is looked at directly has those of a review room.
    """
    sure = sure_by(instrument, drift_of(session), guarded=rule == "guarded")
    place, encoding = HDR_PLACES[kind, room.name], session.encoding
    declared = _coded_peak(encoding.luminance), _coded_white(encoding.white_xy)
    found = [_peak_check(place, declared[0], figures, sure), *_white_checks(place, declared[1], figures, sure)]
    own = [_peak_check(place, _CODED_PEAK, figures, sure)] if declared[0] != _CODED_PEAK else []
    own += _white_checks(place, _CODED_WHITE, figures, sure) if declared[1] != _CODED_WHITE else []
    found += [_renamed(check) for check in own]
    light = _Light(session, encoding, instrument, sure)
    return (*found, *_black_check(place, light, sure), *_step_checks(place, light, sure))


class _Light:
    """Greys as read, darkest first, and what PQ means by them.

    Attributes:
        read: cd/m², shape (k,); ``meant`` likewise.
        expanded: Uncertainty of ``read``, k = 2, cd/m².
    """

    def __init__(self, session: Session, encoding: Encoding, instrument: Instrument, sure: Sure) -> None:
        patches = average_repeats(session)
        places, noise = patches.greys(), noise_of(session, instrument)
        black = patches.find(0, 0, 0)
        if black is not None:
            places = np.append(black, places)
        self.read: Array = patches.xyz[places, 1]
        self.meant: Array = encoding.luminance * signal_to_linear(patches.signal[places, 1], encoding)
        scatter = 2 * noise.deviation(self.read) / np.sqrt(patches.count[places])
        self.expanded: Array = np.hypot(sure.luminance * self.read, scatter)


def _coded_peak(luminance: float) -> float:
    return _CODED_PEAK if luminance in (_PEAK, _CODED_PEAK) else luminance


def _coded_white(white_xy: Pair) -> Pair:
    return _CODED_WHITE if white_xy == _WHITE else white_xy


def _renamed(check: Check) -> Check:
    name = f"{check.name}, the standard's own"
    return Check(name, check.value, check.limit, check.uncertainty, check.unit, check.result, check.source)


def _peak_check(place: HdrPlace, nominal: float, figures: Figures, sure: Sure) -> Check:
    share = nominal / _CODED_PEAK
    source = f"{_TABLE}, {place.name}" + ("" if share == 1 else ", scaled with the declared peak")
    off, expanded = abs(figures.luminance - nominal), sure.luminance * figures.luminance
    return sure.check("luminance", off, place.luminance * share, expanded, "cd/m²", source)


def _white_checks(place: HdrPlace, nominal: Pair, figures: Figures, sure: Sure) -> list[Check]:
    return [
        sure.check(f"white {axis}", abs(got - due), place.white, sure.xy, axis, f"{_TABLE}, {place.name}")
        for axis, got, due in zip("xy", figures.white_xy, nominal, strict=True)
    ]


def _black_check(place: HdrPlace, light: _Light, sure: Sure) -> list[Check]:
    """Return the check of the least active black: the step of .005 cd/m², or black where it was not read."""
    near = np.flatnonzero(np.abs(light.meant / _BLACK - 1) <= _NEAR_BLACK)
    dark = near if len(near) else np.flatnonzero(light.meant == 0)
    if not len(dark):
        return []
    at, what = dark[0], "read at its step" if len(near) else "read at zero signal"
    off, expanded = abs(float(light.read[at]) - _BLACK), float(light.expanded[at])
    source = f"{_TABLE}, {place.name}, {what}"
    return [sure.check("minimum active black", off, _BLACK_BOX, expanded, "cd/m²", source)]


def _step_checks(place: HdrPlace, light: _Light, sure: Sure) -> list[Check]:
    """Return one check a range of steps: that of its worst step. Below .005 cd/m² there is none."""
    found, low = [], _BLACK * (1 - _NEAR_BLACK)
    for high, limit in place.steps:
        inside = np.flatnonzero((light.meant > low * (1 + _ROUNDED)) & (light.meant <= high * (1 + _ROUNDED)))
        name = f"PQ steps {_range(low, high)} cd/m²"
        checks = [_step_check(name, light, int(at), limit, place, sure) for at in inside]
        found += [max(checks, key=lambda check: (_RANKS.index(check.result), check.value or 0.0))] if checks else []
        low = high
    return found


def _range(low: float, high: float) -> str:
    return f"above {low:g}" if np.isinf(high) else f"up to {high:g}" if low < _BLACK else f"{low:g} to {high:g}"


def _step_check(name: str, light: _Light, at: int, limit: float, place: HdrPlace, sure: Sure) -> Check:
    due = float(light.meant[at])
    off, expanded = abs(float(light.read[at]) / due - 1), float(light.expanded[at]) / due
    source = f"{_TABLE}, {place.name}, worst at {due:.4g} cd/m²"
    return sure.check(name, off, limit, expanded, "relative", source)
