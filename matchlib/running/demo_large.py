"""A large facility for tests and benchmarks: invented rooms, monitors that age, years of readings.

Everything in it is made up. Screens are read every week, monitors four times a year; lamps decline and are
changed, panels wear and drift, some monitors are set anew on a visit, some never, some were never measured.
How fast things age is a guess that keeps the figures plausible, no measurement.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from matchlib.displays.simulate import Misread, Noise, Shows, SimulatedDisplay, SimulatedSession, session_patches
from matchlib.encoding import Pair
from matchlib.errors import InputError, Problem
from matchlib.patches import PatchList
from matchlib.running.demo import AGED_FILTERS, NEW_FILTERS
from matchlib.running.whole_folder import write_folder

LAST_MONDAY = date(2026, 9, 7)
VISIT_WEEKS = 13
UNREAD, NO_NATIVE, LATE, NEGLECTED = 0.03, 0.05, 0.01, 0.25  # shares of the monitors
_NOTE = "invented: simulated readings of a made-up facility"
_DARK_ROOM, _OLED_ROOM = Noise(relative=0.0015, floor=0.0004), Noise(relative=0.0015, floor=0.0001)
_CONTACT = Noise(relative=0.002, floor=0.0005)
_SCREEN_HOURS, _DESK_HOURS = 42, 45  # of use a week
_COLUMNS = "monitor,room,panel,adjusts,dims,dims_min,hours,hours_date,location,adjusted,note"
_P3: tuple[Pair, Pair, Pair] = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))


@dataclass(frozen=True, slots=True)
class Size:
    """How large, how long, and which of the many possible ones."""

    rooms: int = 40
    monitors: int = 300
    years: int = 3
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Planned:
    """A session file to be written.

    Attributes:
        file: Path relative to the facility folder.
    """

    file: str
    session: SimulatedSession
    patches: PatchList

    def text(self) -> str:
        """Return the session file."""
        return self.session.text(self.patches)


@dataclass(frozen=True, slots=True)
class _Light:
    """How a projector's light ages.

    Attributes:
        loss: Of luminance in 1,000 hours, relative; ``lasts``: hours until it is changed.
        drift: Of white x and y in 1,000 hours.
    """

    words: str
    encoding: str
    white_xy: Pair
    loss: float
    lasts: float
    drift: Pair


_LIGHTS = (
    _Light("xenon lamp", "P3 DCI", (0.3142, 0.3508), 0.20, 1200, (0.0014, 0.0010)),
    _Light("laser phosphor", "P3 DCI", (0.3136, 0.3516), 0.012, 20000, (0.0001, -0.0001)),
    _Light("xenon lamp", "P3 DCI", (0.3138, 0.3512), 0.24, 1000, (0.0012, 0.0012)),
    _Light("red, green and blue laser", "P3 D65", (0.3129, 0.3287), 0.010, 20000, (0.0001, 0.0001)),
)


@dataclass(frozen=True, slots=True)
class _Kind:
    """A kind of monitor: its panel when new, how it wears, what its menu takes.

    Attributes:
        wear: Loss of its peak in 10,000 hours, relative.
        primaries: As calibrated; None: those of the panel.
    """

    panel: str
    native: SimulatedDisplay
    wear: float
    menu: str
    noise: Noise
    primaries: tuple[Pair, Pair, Pair] | None = _P3


def _new(
    luminance: float, primaries: tuple[Pair, Pair, Pair], black: float, gamma: float, white: Pair = (0.3127, 0.3290)
) -> SimulatedDisplay:
    return SimulatedDisplay(luminance, white, *primaries, (gamma,) * 3, black)


_WIDE = _new(320, ((0.684, 0.314), (0.211, 0.720), (0.149, 0.050)), 0.018, 2.2)
_OLED = _new(180, ((0.682, 0.317), (0.236, 0.712), (0.141, 0.050)), 0.0009, 2.4)
_NARROW = _new(220, ((0.640, 0.332), (0.303, 0.602), (0.152, 0.061)), 0.015, 2.2)
_KINDS = (
    _Kind("wide-gamut LCD", _WIDE, 0.16, ",backlight,0.08", _DARK_ROOM),
    _Kind("OLED", _OLED, 0.28, ",,", _OLED_ROOM),
    _Kind("standard-gamut LCD", _NARROW, 0.18, "luminance white gamma,backlight,0.08", _DARK_ROOM, None),
)
_SHARES = (0.55, 0.30, 0.15)


def large_facility(size: Size) -> tuple[dict[str, str], list[Planned]]:
    """Return the texts of ``facility.toml`` and ``monitors.csv`` by path, and every session to be written."""
    screens = [_Screen(size, place) for place in range(min(len(_LIGHTS), size.rooms))]
    monitors = [_Desk(size, place, screens) for place in range(size.monitors)]
    pairs = list(_pairs(size, monitors[0]))
    planned = [session for screen in screens for session in screen.sessions()]
    planned += [session for monitor in monitors for session in monitor.sessions()]
    texts = {
        "facility.toml": _toml(
            size, screens, [first.file for first, _ in pairs], [second.file for _, second in pairs]
        ),
        "monitors.csv": "\n".join([_COLUMNS, *(monitor.row() for monitor in monitors)]) + "\n",
    }
    return texts, planned + [session for pair in pairs for session in pair]


def _random(size: Size, *place: int) -> np.random.Generator:
    return np.random.default_rng([size.seed, *place])


def _weeks(size: Size) -> int:
    return 52 * size.years


def _monday(size: Size, week: int) -> date:
    return LAST_MONDAY - timedelta(weeks=_weeks(size) - week)


def _shifted(xy: Pair, by: np.ndarray) -> Pair:
    return (float(xy[0] + by[0]), float(xy[1] + by[1]))


class _Screen:
    """A projector and what it showed every week."""

    def __init__(self, size: Size, place: int) -> None:
        self.id, self.light = f"screen-{place + 1}", _LIGHTS[place]
        self._size, self._place = size, place
        self.weeks = tuple(self._life(_random(size, 1, place)))

    def _life(self, random: np.random.Generator) -> Iterator[tuple[int, SimulatedDisplay]]:
        """Yield hours of the light and the display, week by week; a changed lamp begins at no hours."""
        light = self.light
        hours, peak, white = 0.4 * light.lasts * random.random(), 50.0, light.white_xy
        for _ in range(_weeks(self._size)):
            if hours > light.lasts:
                hours, peak = 20 * random.random(), 50 + random.normal(0, 0.8)
                white = _shifted(light.white_xy, random.normal(0, 0.0008, 2))
            thousands = hours / 1000
            luminance = float(peak * np.exp(-light.loss * thousands))
            shifted = _shifted(white, thousands * np.array(light.drift))
            yield int(hours), _new(luminance, _P3, luminance / 2000, 2.6, shifted)
            hours += _SCREEN_HOURS

    def sessions(self) -> Iterator[Planned]:
        """Yield a session a week, each on a Monday."""
        for week, (hours, display) in enumerate(self.weeks):
            day = _monday(self._size, week)
            keys = _keys(self.id, "calibrated", f"{day}T06:30:00", "spectro-1", hours)
            seed = int(_random(self._size, 2, self._place, week).integers(2**31))
            file = f"readings/{day.year}/{self.id}/{day}.csv"
            yield Planned(file, SimulatedSession(display, keys, _DARK_ROOM, seed), session_patches())


@dataclass(frozen=True, slots=True)
class _Visit:
    """What a monitor was when it was read."""

    day: date
    hours: int
    calibrated: SimulatedDisplay
    native: SimulatedDisplay


class _Desk:
    """A monitor, and what it showed on every visit."""

    def __init__(self, size: Size, place: int, screens: list[_Screen]) -> None:
        self._size, self.place, self._room = size, place, place % size.rooms
        self.id = f"M{place + 1:04d}"
        self._screen = screens[self._room % len(screens)]
        random = _random(size, 3, place)
        kind = 0 if place == 0 else int(random.choice(len(_KINDS), p=_SHARES))
        self.kind = _KINDS[kind]
        fate = 1.0 if place == 0 else float(random.random())  # the first one is read: it stands in the pairs
        self.unread = fate < UNREAD
        self.late = UNREAD <= fate < UNREAD + LATE
        self._no_native = random.random() < NO_NATIVE
        self._neglected = random.random() < NEGLECTED
        self._native_visit = int(random.integers(4 * size.years))
        self.adjusted: date | None = None
        self.visits = () if self.unread else tuple(self._life(random))
        if self.late:
            self.adjusted = self.visits[-1].day + timedelta(days=3)

    def _life(self, random: np.random.Generator) -> Iterator[_Visit]:
        """Yield the visits in order; between them the monitor drifts, on some it is set anew."""
        panel = replace(
            self.kind.native,
            luminance=float(self.kind.native.luminance * random.normal(1, 0.04)),
            white_xy=_shifted(self.kind.native.white_xy, random.normal(0, 0.002, 2)),
        )
        hours, state = 12000 * float(random.random()) ** 2, None
        drift = random.normal(0, 0.0008, 2) + np.array((0.0004, 0.0005))
        for visit in range(4 * self._size.years):
            week = self._room % VISIT_WEEKS + VISIT_WEEKS * visit
            native = replace(panel, luminance=float(panel.luminance * np.exp(-self.kind.wear * hours / 1e4)))
            day = _monday(self._size, week) + timedelta(days=1 + self._room % 4)
            if state is None or (not self._neglected and random.random() < 0.4):
                state = self._set(self._screen.weeks[week][1], native, random)
                self.adjusted = day
            yield _Visit(day, int(hours), state, native)
            fade = float(np.exp(-self.kind.wear * VISIT_WEEKS * _DESK_HOURS / 1e4) * random.normal(1, 0.006))
            gamma = (float(state.gamma[0] + random.normal(0, 0.012)),) * 3
            white = _shifted(state.white_xy, drift * random.random())
            state = replace(state, luminance=state.luminance * fade, white_xy=white, gamma=gamma)
            hours += VISIT_WEEKS * _DESK_HOURS

    def _set(
        self, screen: SimulatedDisplay, native: SimulatedDisplay, random: np.random.Generator
    ) -> SimulatedDisplay:
        """Return the monitor set to its screen, as near as a technician comes and the panel can."""
        wanted = screen.luminance * float(random.normal(1, 0.012))
        return _new(
            min(wanted, 0.97 * native.luminance),
            self.kind.primaries or (native.red_xy, native.green_xy, native.blue_xy),
            native.black,
            float(random.normal(2.6, 0.02)),
            _shifted(screen.white_xy, random.normal(0, 0.0006, 2)),
        )

    @property
    def _instrument(self) -> str:
        contact = self._room % 5 == 4 and self.kind is _KINDS[0]
        return "contact-3" if contact else ("spectro-1", "spectro-2")[self._room % 2]

    def sessions(self) -> Iterator[Planned]:
        """Yield a calibrated session a visit, and the native one."""
        for number, visit in enumerate(self.visits):
            yield self._session(visit, number, "calibrated", visit.calibrated)
            if number == self._native_visit and not self._no_native:
                yield self._session(visit, number, "native", visit.native)

    def _session(self, visit: _Visit, number: int, mode: str, display: SimulatedDisplay) -> Planned:
        contact, native = self._instrument == "contact-3", mode == "native"
        seen: Shows = Misread(display, AGED_FILTERS) if contact else display
        minutes = 9 * 60 + 40 * (self.place // self._size.rooms % 12) + 20 * native
        moment = f"{visit.day}T{minutes // 60:02d}:{minutes % 60:02d}:00"
        keys = _keys(self.id, mode, moment, self._instrument, visit.hours)
        seed = int(_random(self._size, 4, self.place, number, int(native)).integers(2**31))
        file = f"readings/{visit.day.year}/{_room_id(self._room)}/{self.id}_{visit.day}{'_native' * native}.csv"
        noise = _CONTACT if contact else self.kind.noise
        return Planned(file, SimulatedSession(seen, keys, noise, seed), session_patches())

    def row(self) -> str:
        """Return the monitor's row of the inventory."""
        hours = f"{self.visits[-1].hours},{self.visits[-1].day}" if self.visits else ","
        note = "invented"
        if self.unread:
            note = "invented: not measured yet"
        elif self.late:
            note = "invented: set anew after its last reading"
        desk = f"desk {self.place // self._size.rooms + 1}"
        cells = (
            self.id,
            _room_id(self._room),
            self.kind.panel,
            self.kind.menu,
            hours,
            desk,
            self.adjusted or "",
            note,
        )
        return ",".join(map(str, cells))


def _room_id(place: int) -> str:
    return f"room-{place + 1:03d}"


def _keys(display: str, mode: str, measured: str, instrument: str, hours: int) -> dict[str, str]:
    values = (display, mode, f"{measured}Z", instrument, str(hours), "1023", _NOTE)
    return dict(
        zip(("display", "mode", "measured", "instrument", "hours", "signal_max", "note"), values, strict=True)
    )


def _pairs(size: Size, monitor: _Desk) -> Iterator[tuple[Planned, Planned]]:
    """Yield, for each year, the two sessions of a wide-gamut LCD that correct the colorimeter."""
    patches = session_patches(steps=8)
    for year in range(size.years):
        visit = monitor.visits[4 * year + 1]
        filters = NEW_FILTERS if year == 0 and size.years > 1 else AGED_FILTERS
        read: tuple[tuple[str, str, Shows, Noise], ...] = (
            ("contact-3", "17:00:00", Misread(visit.calibrated, filters), _CONTACT),
            ("spectro-1", "17:20:00", visit.calibrated, _DARK_ROOM),
        )
        made = []
        for place, (instrument, moment, seen, noise) in enumerate(read):
            keys = _keys(monitor.id, "calibrated", f"{visit.day}T{moment}", instrument, visit.hours)
            seed = int(_random(size, 5, year, place).integers(2**31))
            file = f"readings/pairs/{visit.day}/{monitor.id}_{instrument}.csv"
            made.append(Planned(file, SimulatedSession(seen, keys, noise, seed), patches))
        yield made[0], made[1]


def _toml(size: Size, screens: list[_Screen], pairs: list[str], references: list[str]) -> str:
    head = f"""# Invented: this facility, its rooms, displays and figures are made up.
name = "Invented facility of {size.rooms} rooms"
time_zone = "Europe/London"

[instruments]
spectro-1 = {{kind = "spectroradiometer", luminance = 0.02, xy = 0.0015, floor = 0.0005}}
spectro-2 = {{kind = "spectroradiometer", luminance = 0.02, xy = 0.0015, floor = 0.0005}}
contact-3 = {{kind = "colorimeter", luminance = 0.04, xy = 0.004, floor = 0.004, contact = true}}
"""
    screens_text = [
        f'\n[projectors.{screen.id}]\nlight = "{screen.light.words}"\nencoding = "{screen.light.encoding}"\n'
        for screen in screens
    ]
    rooms = [
        f'\n[rooms.{_room_id(place)}]\nprojector = "{screens[place % len(screens)].id}"\nsurround = "dim"\n'
        for place in range(size.rooms)
    ]
    corrections = [
        f'\n[[corrections]]\ninstrument = "contact-3"\nsession = "{own}"\nreference_session = "{reference}"\n'
        for own, reference in zip(pairs, references, strict=True)
    ]
    return "".join([head, *screens_text, *rooms, *corrections])


def write_large(
    folder: str | Path,
    size: Size,
    begin: Callable[[int], None],
    step: Callable[[], None],
    *,
    replace_files: bool = False,
) -> int:
    """Write a large facility into a folder, whole or not at all, and return how many files.

    Args:
        folder: New or empty, or one that holds such a facility, with ``replace_files``.
        size: How large; the same size gives the same bytes.
        replace_files: Write over files that are there.
        begin: Called with the number of files.
        step: Called after each.

    Raises:
        InputError: The folder holds other files, or there are fewer monitors than rooms.
    """
    if size.monitors < size.rooms:
        what = f"{size.monitors} monitors cannot stand in {size.rooms} rooms"
        raise InputError(Problem(what, "every room has one at least: ask for more monitors, or fewer rooms"))
    texts, planned = large_facility(size)
    files: dict[str, Callable[[], str]] = {name: text.__str__ for name, text in texts.items()}
    files |= {entry.file: entry.text for entry in planned}
    begin(len(files))
    write_folder(Path(folder), files, step, replace_files=replace_files)
    return len(files)
