"""A projector on the printed patches of RP 431-2:2011, Annex A: steps of grey, and the luminance of primaries.

A session holds them as X′, Y′, Z′ codes, or as the r, g, b that mean the same. Black is subtracted and white is
the session's own (DCI Compliance Test Plan 1.4.3, 7.5.11 and 7.5.12), so that a peak that is off tells nowhere
but in its own check.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import (
    STANDARD,
    Encoding,
    normalised_matrix,
    signal_to_linear,
    tristimulus_to_signal,
)
from matchlib.facility.rooms import Instrument
from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.result import Check
from matchlib.matching.tolerances import INFORMATIVE, NOMINAL_PEAK, Place, Sure
from matchlib.perception.difference import xy
from matchlib.readings.session import PAIRING_STEP, Patches, Session, average_repeats

_FULL, _WHITE = 4095.0, 3960.0  # codes: full, and Y′ of white (RP 431-2:2011, 7.2)
_RANK = {"pass": 0, "undecided": 1, "fail": 2}
_LEAST_FOR_WHITE = 1.0  # cd/m² at a peak of 48: below it the rounding of 12-bit codes and black's own colour tell


@dataclass(frozen=True, slots=True)
class StepTable:
    """Ten steps of grey.

    Attributes:
        name: Of the check; ``source``: of the steps and of their tolerances.
        codes: X′, Y′, Z′ of each step.
        tolerances: Of each step's luminance above black, relative.
    """

    name: str
    source: str
    codes: tuple[tuple[int, int, int], ...]
    tolerances: tuple[float, ...]


BLACK_TO_WHITE = StepTable(
    "black to white",
    "RP 431-2:2011, Table A.2; CTP 1.4.3, Table 7.5.11(a)",
    (
        *((379, 396, 389), (759, 792, 778), (1138, 1188, 1167), (1518, 1584, 1556), (1897, 1980, 1945)),
        *((2276, 2376, 2334), (2656, 2772, 2723), (3035, 3168, 3112), (3415, 3564, 3501), (3794, 3960, 3890)),
    ),
    (0.05, 0.05, *(0.03,) * 8),
)
BLACK_TO_DARK_GREY = StepTable(
    "black to dark grey",
    "RP 431-2:2011, Table A.3; CTP 1.4.3, Table 7.5.11(b)",
    (
        *((122, 128, 125), (245, 255, 251), (367, 383, 376), (490, 511, 502), (612, 639, 627)),
        *((734, 766, 753), (857, 894, 878), (979, 1022, 1004), (1101, 1150, 1129), (1224, 1277, 1255)),
    ),
    (0.20, *(0.05,) * 5, *(0.03,) * 4),
)
TABLES = (BLACK_TO_WHITE, BLACK_TO_DARK_GREY)
# RP 431-2:2011, Table A.4: Red-1, Green-1, Blue-1. Their x, y are those of the full primaries, checked there.
PRIMARIES = {"red": (2901, 2171, 100), "green": (2417, 3493, 1222), "blue": (2014, 1416, 3816)}
PRIMARY_LUMINANCE = 0.03  # relative, CTP 1.4.3, 7.5.12


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """A session's patches above its black.

    Attributes:
        tristimulus: Whether its signals were X′, Y′, Z′ codes.
        light: Readings minus black, shape (n, 3); ``deviation``: of their Y, black's included, shape (n,).
        white: Y of white above black; ``white_relative``: its standard uncertainty by scatter.
    """

    encoding: Encoding
    tristimulus: bool
    patches: Patches
    light: Array
    deviation: Array
    white: float
    white_relative: float

    def find(self, codes: tuple[int, int, int]) -> int | None:
        """Return the place of the patch that these codes mean, within half a step of the session and of theirs."""
        wanted = tristimulus_to_signal(np.array([codes]) / _FULL, self.encoding, 0.5 / _FULL)[0]
        distance = np.abs(self.patches.signal - wanted).max(axis=1)
        place = int(distance.argmin())
        return place if distance[place] <= max(self.patches.step / 2, PAIRING_STEP) + 0.5 / _FULL else None

    def off(self, place: int, codes: tuple[int, int, int]) -> tuple[float, float]:
        """Return how far a patch's luminance is off, relative, and its expanded uncertainty (k = 2)."""
        meant = self.white * self._share(place, codes)
        share = float(self.light[place, 1]) / meant
        own = float(self.deviation[place]) / meant
        if self.patches.find(1, 1, 1) == place:
            return abs(share - 1), 0.0  # white against itself
        return abs(share - 1), 2 * float(np.hypot(own, share * self.white_relative))

    def _share(self, place: int, codes: tuple[int, int, int]) -> float:
        """Return a patch's nominal luminance as a share of white's: of its codes, or of its own r, g, b."""
        if self.tristimulus:
            return float((codes[1] / _WHITE) ** 2.6)  # ST 428-1:2006, 4.3
        linear = signal_to_linear(self.patches.signal[place], self.encoding)
        return float(normalised_matrix(self.encoding)[1] @ linear)


def step_checks(session: Session, instrument: Instrument, sure: Sure, place: Place) -> list[Check]:
    """Return the checks on the printed patches that a session holds, black and white with them.

    Of each table of steps the worst one is told, by its number, and how many are outside.

    Args:
        session: Of a projector.
        instrument: That read it.
        sure: How far its x, y may be off.
        place: Whose box of white.
    """
    shown = _shown(session, instrument)
    if shown is None:
        return []
    found = []
    for table in TABLES:
        places = [shown.find(codes) for codes in table.codes]
        if None not in places:
            held = [found for found in places if found is not None]
            found.append(_worst(table.name, list(_luminances(table, held, shown, sure))))
            if whites := list(_whites(table, held, shown, sure, place)):
                found.append(_worst(f"white, {table.name}", whites))
    return found + list(_primaries(shown, sure))


def _shown(session: Session, instrument: Instrument) -> _Shown | None:
    patches = average_repeats(session)
    black, white = patches.find(0, 0, 0), patches.find(1, 1, 1)
    if black is None or white is None or patches.xyz[white, 1] <= patches.xyz[black, 1]:
        return None
    deviation = noise_of(session, instrument).deviation(patches.xyz[:, 1]) / np.sqrt(patches.count)
    light = patches.xyz - patches.xyz[black]
    both = np.hypot(deviation, deviation[black])
    peak = float(light[white, 1])
    codes = session.header.encoding is not None and session.header.encoding.tristimulus
    tristimulus = codes or False
    return _Shown(session.encoding, tristimulus, patches, light, both, peak, float(both[white]) / peak)


def _luminances(table: StepTable, places: list[int], shown: _Shown, sure: Sure) -> Iterator[Check]:
    for number, (place, codes, limit) in enumerate(zip(places, table.codes, table.tolerances, strict=True), start=1):
        value, expanded = shown.off(place, codes)
        yield sure.check(f"step {number}", value, limit, expanded, "relative", table.source)


def _whites(table: StepTable, places: list[int], shown: _Shown, sure: Sure, room: Place) -> Iterator[Check]:
    """Yield the chromaticity of each step bright enough for it, the axis that is further off."""
    nominal = STANDARD["P3 DCI"].white_xy if shown.tristimulus else shown.encoding.white_xy
    least = _LEAST_FOR_WHITE * shown.white / NOMINAL_PEAK
    source = f"{table.source}; box of ST 431-1:2006, 5.3, {room.name} ({INFORMATIVE}: no standard limits the steps)"
    for number, place in enumerate(places, start=1):
        if shown.light[place, 1] >= least:
            off = np.abs(xy(shown.light[place]) - nominal)
            axis = int(off.argmax())
            yield sure.check(f"step {number}", float(off[axis]), room.white, sure.xy, "xy"[axis], source)


def _worst(name: str, checks: list[Check]) -> Check:
    """Return the worst of several steps under its number, and how many are outside."""
    worst = max(checks, key=lambda check: (_RANK[check.result], (check.value or 0) / check.limit))
    outside = sum(check.result == "fail" for check in checks)
    open_ = sum(check.result == "undecided" for check in checks)
    count = f"worst of {len(checks)} steps, {outside} outside" + (f", {open_} undecided" if open_ else "")
    return Check(
        f"{name}, {worst.name}",
        *(worst.value, worst.limit, worst.uncertainty, worst.unit, worst.result),
        f"{worst.source}; {count}",
    )


def _primaries(shown: _Shown, sure: Sure) -> Iterator[Check]:
    for name, codes in PRIMARIES.items():
        place = shown.find(codes)
        if place is not None:
            value, expanded = shown.off(place, codes)
            source = f"RP 431-2:2011, Table A.4, {name.capitalize()}-1; CTP 1.4.3, 7.5.12"
            yield sure.check(f"luminance of {name}", value, PRIMARY_LUMINANCE, expanded, "relative", source)
