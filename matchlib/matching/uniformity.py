"""How even a screen is: what was read at its sides and corners against the centre (ST 431-1:2006, Table 1).

Measuring points are inset by 5 % of the screen's width from the adjacent edges, and read from the centre of
the seating (ST 431-1:2006).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import Pair
from matchlib.facility.rooms import Instrument
from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.result import Check
from matchlib.matching.tolerances import INFORMATIVE, Place, upper
from matchlib.perception.difference import xy
from matchlib.readings.archive import Across
from matchlib.readings.instrument_noise import NoiseModel, fit_noise
from matchlib.readings.session import Session, average_repeats

SIDES = ("left", "right")
CORNERS = ("top left", "top right", "bottom left", "bottom right")
LUMINANCE_AT = "luminance at"  # how the names of these checks begin
_NOMINAL = 0.85  # of the centre, ST 431-1:2006, 5.2
_SOURCE = "ST 431-1:2006"


@dataclass(frozen=True, slots=True, eq=False)
class _White:
    """White as a session read it.

    Attributes:
        xyz: Mean of its readings, shape (3,), cd/m².
        relative: Standard uncertainty of Y by the scatter of the readings.
        instrument: That read it.
    """

    xyz: Array
    relative: float
    instrument: Instrument


def uniformity_checks(
    across: Across, counts: Session, instruments: Mapping[str, Instrument], place: Place, *, guarded: bool
) -> list[Check]:
    """Return the checks of what was read at the sides and corners; none where nothing was.

    A band about 85 % of the centre is one check: how far off, and the limit on that side of it. One instrument's
    scale, and its error in x and y, are the same at the centre and beside it: what is left is scatter.

    Args:
        across: What was read beside the centre.
        counts: The session that counts.
        instruments: By id.
        place: Whose limits.
        guarded: Whether the uncertainty guards them.
    """
    found = []
    for position in (*SIDES, *CORNERS):
        session = across.places.get(position)
        band = place.sides if position in SIDES else place.corners
        if session is None:
            continue
        centre = _centre(across, counts, session)
        here, there = _white(session, centre, instruments), _white(centre, session, instruments)
        if here is None or there is None or there.xyz[1] <= 0 or here.xyz[1] <= 0:
            continue
        if band is not None:
            found.append(_luminance(position, here, there, band, place, guarded=guarded))
        if position in CORNERS:
            found += _chromaticity(position, here, there, place, guarded=guarded)
    return found


def uniformity_notes(across: Across, counts: Session, zone: tzinfo) -> list[str]:
    """Return what a reader of the checks has to know: readings of other days, positions without use."""
    found = []
    for position, session in across.places.items():
        centre = _centre(across, counts, session)
        here, there = (_day(entry, zone) for entry in (session, centre))
        if average_repeats(session).find(1, 1, 1) is None:
            found.append(f"{session.file}: no white at {position}, so it does not tell how even the screen is")
        elif position not in (*SIDES, *CORNERS):
            found.append(f"{session.file}: {_SOURCE} sets no limit for {position}; the reading is not used")
        elif here != there:
            found.append(
                f"{session.file}: {position} was read on {here}, the centre on {there}: the light may have changed "
                "between them; read both on one day"
            )
    return found


def _day(session: Session, zone: tzinfo) -> str:
    return session.header.measured.astimezone(zone).date().isoformat()


def _centre(across: Across, counts: Session, session: Session) -> Session:
    """Return the centre to compare with: of the same 24 hours the one nearest in time, else the one that counts."""

    def apart(other: Session) -> float:
        return abs((other.header.measured - session.header.measured).total_seconds())

    near = [other for other in across.centre if average_repeats(other).find(1, 1, 1) is not None]
    nearest = min(near, key=apart, default=counts)
    return nearest if apart(nearest) < apart(counts) and apart(nearest) < 24 * 3600 else counts


def _white(session: Session, other: Session, instruments: Mapping[str, Instrument]) -> _White | None:
    """Return a session's white; where it has no repeats, its scatter is that of the other, by one instrument."""
    patches, instrument = average_repeats(session), instruments[session.header.instrument]
    place = patches.find(1, 1, 1)
    if place is None:
        return None
    noise: NoiseModel | None = fit_noise(patches)
    if noise is None and other.header.instrument == instrument.id:
        noise = fit_noise(average_repeats(other))
    noise = noise or noise_of(session, instrument)
    luminance = float(patches.xyz[place, 1])
    deviation = float(noise.deviation(luminance)) / np.sqrt(patches.count[place])
    return _White(patches.xyz[place], float(deviation / max(abs(luminance), 1e-12)), instrument)


def _luminance(position: str, here: _White, there: _White, band: Pair, place: Place, *, guarded: bool) -> Check:
    share = float(here.xyz[1] / there.xyz[1])
    low, high = band
    limit = high - _NOMINAL if share >= _NOMINAL else _NOMINAL - low
    source = (
        f"{_SOURCE}, 5.2, {place.name}: {100 * low:.0f} to {100 * high:.0f} % of the centre; here {100 * share:.1f} %"
    )
    expanded = share * 2 * float(np.hypot(_scatter(here, there), _scales(here, there)))
    name = f"{LUMINANCE_AT} {position}"
    return upper(name, abs(share - _NOMINAL), limit, expanded, "relative", source, guarded=guarded)


def _chromaticity(position: str, here: _White, there: _White, place: Place, *, guarded: bool) -> list[Check]:
    source = f"{_SOURCE}, A.5 ({INFORMATIVE}), {place.name}: corner minus centre"
    scatter = 2 * _scatter(here, there)  # of Y: X and Z scatter alike, and x, y by less than their sum
    own = 0.0 if here.instrument == there.instrument else float(np.hypot(here.instrument.xy, there.instrument.xy))
    found = []
    for axis, one, other in zip("xy", xy(here.xyz).tolist(), xy(there.xyz).tolist(), strict=True):
        expanded = float(np.hypot(own, scatter * other * (1 - other)))
        name = f"white {axis} at {position}"
        found.append(upper(name, abs(one - other), place.corner_white, expanded, axis, source, guarded=guarded))
    return found


def _scatter(here: _White, there: _White) -> float:
    return float(np.hypot(here.relative, there.relative))


def _scales(here: _White, there: _White) -> float:
    """Return the standard uncertainty of a ratio by the scales of two instruments; of one it cancels."""
    if here.instrument == there.instrument:
        return 0.0
    return float(np.hypot(here.instrument.luminance, there.instrument.luminance)) / 2
