"""What a visit takes: instrument, light, readings and minutes."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

import numpy as np

from matchlib.arrays import Array
from matchlib.facility.rooms import Instrument
from matchlib.matching.dark_repeats import DARK, DarkPatch, dark_repeats
from matchlib.readings.instrument import TRUSTED_DAYS, Correction
from matchlib.readings.instrument_noise import NoiseModel

WARM_UP = 30  # minutes; SMPTE RP 431-2, section 5, asks for 20 to 30
WALK = 5  # minutes to a room and to unpack there. Common practice, no source
PLACE = 5  # minutes to place the instrument and to line it up. Common practice, no source
SETTING = 15  # minutes to enter settings and to look at them. Common practice, no source
# Seconds a reading takes by kind of instrument, of a bright patch and of a dark one. Common practice, no source
SECONDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"spectroradiometer": (4.0, 20.0), "colorimeter": (1.5, 4.0)}
)
MOST_REPEATS = 20  # of one patch: nobody reads more. No source


@dataclass(frozen=True, slots=True)
class Tool:
    """The instrument for a monitor.

    Attributes:
        instrument: None where the facility has none.
        why: In words.
        fault: What is to be mended first; empty where nothing is.
    """

    instrument: Instrument | None
    why: str
    fault: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Patching:
    """The patches of a visit.

    Attributes:
        names: Labels of each.
        light: Luminance expected of each, shape (n,), cd/m².
        count: How often each is read at least, shape (n,).
    """

    names: tuple[tuple[str, ...], ...]
    light: Array
    count: Array


@dataclass(frozen=True, slots=True)
class Readings:
    """What is read on a visit.

    Attributes:
        repeats: Dark patches that need more readings than one, the darkest first, held to what anybody reads.
        short: Whether one of them would need more than that.
        number: Of all readings.
        seconds: That they take.
    """

    repeats: tuple[DarkPatch, ...]
    short: bool
    number: int
    seconds: float


def tool_for(
    panel: str,
    last: str,
    instruments: Mapping[str, Instrument],
    corrections: Mapping[tuple[str, str], Correction],
    on: date,
) -> Tool:
    """Return the instrument for a kind of panel.

    A spectroradiometer may read any; a colorimeter one that it has a correction for, of the last year. What read
    the monitor last comes first, for its own errors then leave the trend alone; then the least uncertain one.

    Args:
        panel: Kind of panel.
        last: Id of what read the monitor last; empty where nothing did.
        instruments: Of the facility.
        corrections: The newest by instrument and panel.
        on: Day of the round.
    """
    usable: dict[str, float] = {}
    for name, instrument in instruments.items():
        correction = corrections.get((name, panel))
        if instrument.kind != "colorimeter":
            usable[name] = instrument.xy
        elif correction is not None and abs(correction.age(on)) <= TRUSTED_DAYS:
            usable[name] = float(np.hypot(instruments[correction.reference].xy, 2 * correction.after.uv))
    if usable:
        chosen = last if last in usable else min(usable, key=lambda name: (usable[name], name))
        made = corrections.get((chosen, panel)) if instruments[chosen].kind == "colorimeter" else None
        corrected = f", corrected for this panel on {made.made}" if made is not None else ""
        why = "as last time" if chosen == last else "the least uncertain for this panel"
        return Tool(instruments[chosen], f"{why}{corrected}")
    if not instruments:
        return Tool(None, "", "the facility has no instrument")
    chosen = last if last in instruments else min(instruments, key=lambda name: (instruments[name].xy, name))
    fault = f"{chosen} has no correction of the last year for the panel {panel!r}: make one first"
    return Tool(instruments[chosen], "no instrument here is fit for this panel", fault)


def light_for(instrument: Instrument | None) -> str:
    """Return in which light an instrument is used."""
    if instrument is None:
        return ""
    return "as it is: touches the screen" if instrument.contact else "dark: all lights off"


def readings_for(patching: Patching, instrument: Instrument, noise: NoiseModel | None) -> Readings:
    """Return what is read, and how long that takes.

    Args:
        patching: The patches.
        instrument: That reads them.
        noise: Of its readings of this monitor; None: half its floor stands for it.
    """
    noise = noise or NoiseModel(instrument.floor / 2, 0.0, 0)
    wanted = dark_repeats(patching.names, patching.light, noise)
    held = [DarkPatch(patch.place, patch.name, min(patch.needed, MOST_REPEATS)) for patch in wanted]
    count = np.array(patching.count, dtype=np.float64)
    for patch in held:
        count[patch.place] = max(count[patch.place], patch.needed)
    bright, dark = SECONDS[instrument.kind]
    slow = patching.light < DARK * patching.light.max()
    return Readings(
        repeats=tuple(patch for patch in held if patch.needed > 1),
        short=any(patch.needed > MOST_REPEATS for patch in wanted),
        number=int(count.sum()),
        seconds=float((count * np.where(slow, dark, bright)).sum()),
    )


def minutes_for(readings: Readings | None, *, sets: bool) -> int:
    """Return the minutes at a monitor, warm-up and walking left out, in full minutes."""
    read = 0.0 if readings is None else readings.seconds / 60
    return int(np.ceil(PLACE + (SETTING if sets else 0) + read))
