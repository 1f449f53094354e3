"""The demo facility: an invented studio with three rooms, two projectors and nine monitors.

People, rooms and figures are made up. Its displays are simulated, so that what is wrong with each is known.
Its colorimeter errs as an invented one does on a wide-gamut LCD, and two pairs of sessions correct it.
The lamp of its big screen was changed in summer; four sessions tell how the earlier one aged.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from matchlib.displays.simulate import Misread, Noise, Shows, SimulatedDisplay, SimulatedSession, session_patches
from matchlib.encoding import Pair
from matchlib.errors import InputError, Problem

_INVENTED = "invented: simulated readings of a made-up studio"
_DARK_ROOM = Noise(relative=0.0015, floor=0.0004)
_CONTACT = Noise(relative=0.002, floor=0.0015)

# What the filters of contact-2 make of XYZ on a wide-gamut LCD: ``simulate_spectra.error_matrix`` of the invented
# colorimeter, new in March, aged in September; a test compares.
NEW_FILTERS = ((1.0309, -0.0221, -0.0042), (-0.0215, 1.0228, 0.0052), (-0.0017, 0.0090, 0.9724))
AGED_FILTERS = ((1.0268, -0.0221, -0.0041), (-0.0214, 1.0177, 0.0052), (-0.0017, 0.0090, 0.9627))

_FACILITY = """# Invented: the studio, its people, rooms and figures are made up.
name = "Quince Orchard Pictures (invented)"
time_zone = "Europe/London"

[tolerances]
mean_difference = 2.0
p95_difference = 5.0
white = 0.003
luminance = 0.06
gamma = 0.10

[projectors.big-screen]
light = "xenon lamp"
encoding = "P3 DCI"
surround = "dark"

[projectors.small-screen]
light = "laser phosphor"
encoding = "P3 DCI"
surround = "dark"

[rooms.attic]
projector = "big-screen"
surround = "dim"

[rooms.pear-tree]
projector = "big-screen"
surround = "dim"

[rooms.well-house]
projector = "small-screen"
surround = "dark"
out_of_reach = "clip"

[instruments.spectro-1]
kind = "spectroradiometer"
luminance = 0.02
xy = 0.0015
floor = 0.002
contact = false

[instruments.contact-2]
kind = "colorimeter"
luminance = 0.04
xy = 0.004
floor = 0.01
contact = true

[[corrections]]
instrument = "contact-2"
session = "readings/pairs/2026-03-12/P3_contact-2.csv"
reference_session = "readings/pairs/2026-03-12/P3_spectro-1.csv"

[[corrections]]
instrument = "contact-2"
session = "readings/pairs/2026-09-08/P3_contact-2.csv"
reference_session = "readings/pairs/2026-09-08/P3_spectro-1.csv"
"""

_DCI_WHITE, _P3 = (0.314, 0.351), ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))


def _display(
    luminance: float, white: Pair, primaries: tuple[Pair, Pair, Pair], black: float, gamma: float
) -> SimulatedDisplay:
    red, green, blue = primaries
    return SimulatedDisplay(luminance, white, red, green, blue, (gamma,) * 3, black)


@dataclass(frozen=True, slots=True)
class DemoMonitor:
    """An invented monitor: its row, how it is set, and what its panel is natively."""

    row: str
    id: str
    hours: int
    day: str
    instrument: str
    calibrated: SimulatedDisplay
    native: SimulatedDisplay | None


_HEADER = "monitor,room,panel,adjusts,dims,dims_min,hours,hours_date,location,adjusted,note"
_WIDE = _display(320, (0.3127, 0.3290), ((0.684, 0.314), (0.211, 0.720), (0.149, 0.050)), 0.018, 2.2)
_OLED = _display(180, (0.3127, 0.3290), ((0.682, 0.317), (0.236, 0.712), (0.141, 0.050)), 0.0006, 2.4)
_NARROW = _display(220, (0.3127, 0.3290), ((0.640, 0.332), (0.303, 0.602), (0.152, 0.061)), 0.015, 2.2)
_FAIR = _display(47.6, (0.3138, 0.3512), ((0.679, 0.321), (0.266, 0.688), (0.150, 0.060)), 0.016, 2.58)

_MONITORS = (
    DemoMonitor(
        "A1,attic,wide-gamut LCD,,backlight,0.08,3120,2026-09-01,desk by the window,2026-06-15,invented",
        "A1", 3150, "2026-09-07T10:10:00", "spectro-1", _FAIR, _WIDE,
    ),
    DemoMonitor(
        "A2,attic,wide-gamut LCD,,backlight,0.08,2980,2026-09-01,desk by the stairs,2026-06-15,invented",
        "A2", 3004, "2026-09-07T10:40:00", "spectro-1",
        replace(_FAIR, luminance=51.2, white_xy=(0.3052, 0.3330), gamma=(2.36, 2.38, 2.34), black=0.021),
        replace(_WIDE, luminance=305, black=0.019),
    ),
    DemoMonitor(
        "A3,attic,standard-gamut LCD,,backlight,0.05,8011,2026-09-01,edit table,2025-11-20,invented",
        "A3", 8044, "2026-09-07T11:15:00", "spectro-1",
        replace(_NARROW, luminance=48.3, white_xy=(0.3142, 0.3505), gamma=(2.6, 2.61, 2.59), black=0.012),
        _NARROW,
    ),
    DemoMonitor(
        "P1,pear-tree,OLED,,,,1450,2026-09-01,left grading desk,2026-07-02,invented",
        "P1", 1466, "2026-09-08T09:20:00", "spectro-1",
        replace(_FAIR, luminance=48.5, white_xy=(0.3147, 0.3503), gamma=(2.59, 2.6, 2.6), black=0.0006),
        _OLED,
    ),
    DemoMonitor(
        "P2,pear-tree,OLED,,,,9870,2026-09-01,right grading desk,2026-07-02,invented: worn panel",
        "P2", 9902, "2026-09-08T09:50:00", "spectro-1",
        replace(_FAIR, luminance=36.9, white_xy=(0.3149, 0.3490), gamma=(2.6, 2.59, 2.61), black=0.0006),
        replace(_OLED, luminance=40.5, white_xy=(0.3160, 0.3400)),
    ),
    DemoMonitor(
        "P3,pear-tree,wide-gamut LCD,,,,2210,2026-09-01,producer's table,2026-03-12,invented",
        "P3", 2231, "2026-09-08T10:30:00", "spectro-1",
        replace(_FAIR, luminance=47.9, white_xy=(0.3141, 0.3508), black=0.62),
        replace(_WIDE, luminance=290, black=0.62),
    ),
    DemoMonitor(
        "W1,well-house,OLED,,,,640,2026-09-01,north wall,2026-08-03,invented",
        "W1", 655, "2026-09-08T13:10:00", "spectro-1",
        replace(_FAIR, luminance=46.8, white_xy=(0.3151, 0.3520), gamma=(2.57, 2.58, 2.56), black=0.0007),
        replace(_OLED, luminance=176),
    ),
    DemoMonitor(
        "W2,well-house,wide-gamut LCD,luminance white gamma,backlight,0.08,5120,2026-09-01,south wall,2026-08-03,"
        "invented: its menu takes no primaries",
        "W2", 5138, "2026-09-08T13:40:00", "contact-2",
        replace(_FAIR, luminance=45.1, white_xy=(0.3128, 0.3482), gamma=(2.52, 2.54, 2.5), black=0.017),
        replace(_WIDE, luminance=260, black=0.02),
    ),
    DemoMonitor(
        "W3,well-house,wide-gamut LCD,,backlight,0.08,4075,2026-09-01,server corner,2026-08-03,invented: on loan",
        "W3", 0, "", "", _FAIR, None,
    ),
)  # fmt: skip


def _projectors() -> dict[str, SimulatedDisplay]:
    screen = _display(47.2, (0.3136, 0.3504), _P3, 0.023, 2.6)
    laser = replace(
        screen, luminance=45.9, white_xy=(0.3152, 0.3522), red_xy=(0.684, 0.314), gamma=(2.58, 2.58, 2.58)
    )
    return {"big-screen": screen, "small-screen": laser}


@dataclass(frozen=True, slots=True)
class DemoLamp:
    """The big screen read with its earlier lamp: when, at how many hours, and its white."""

    measured: str
    hours: int
    luminance: float
    white: Pair


_EARLIER_LAMP = (
    DemoLamp("2026-01-08T08:40:00+00:00", 152, 47.0, (0.3138, 0.3503)),
    DemoLamp("2026-03-11T08:20:00+00:00", 690, 44.1, (0.3138, 0.3495)),
    DemoLamp("2026-05-20T08:30:00+01:00", 1290, 41.5, (0.3139, 0.3484)),
    DemoLamp("2026-07-28T08:30:00+01:00", 1870, 38.7, (0.3139, 0.3474)),
)


def _earlier_lamp_files() -> dict[str, str]:
    """Return the big screen's sessions before its lamp was changed: 18 % less light at the end."""
    files = {}
    for seed, lamp in enumerate(_EARLIER_LAMP, start=501):
        screen = _projectors()["big-screen"]
        share = lamp.luminance / screen.luminance
        shows = replace(screen, luminance=lamp.luminance, white_xy=lamp.white, black=screen.black * share)
        keys = _keys("big-screen", "calibrated", lamp.measured, "spectro-1", lamp.hours)
        files[f"readings/{lamp.measured[:10]}/big-screen.csv"] = SimulatedSession(
            shows, keys | {"measured": lamp.measured}, _DARK_ROOM, seed
        ).text()
    return files


def demo_files() -> dict[str, str]:
    """Return the demo facility: path relative to its folder, and text."""
    files = {"facility.toml": _FACILITY}
    files["monitors.csv"] = "\n".join([_HEADER, *(monitor.row for monitor in _MONITORS)]) + "\n"
    moments = {"big-screen": "2026-09-07T08:30:00", "small-screen": "2026-09-08T12:20:00"}
    hours = {"big-screen": 412, "small-screen": 6120}
    for seed, (name, display) in enumerate(_projectors().items(), start=101):
        keys = _keys(name, "calibrated", moments[name], "spectro-1", hours[name])
        session = SimulatedSession(display, keys, _DARK_ROOM, seed)
        files[f"readings/{moments[name][:10]}/{name}.csv"] = session.text()
    for seed, monitor in enumerate(_MONITORS, start=201):
        if monitor.day:
            files |= _monitor_files(monitor, seed)
    for seed, pair in zip((401, 403), _PAIRS, strict=True):
        files |= _pair_files(pair, seed)
    files |= _earlier_lamp_files()
    return files


def _monitor_files(monitor: DemoMonitor, seed: int) -> dict[str, str]:
    """Return a monitor's calibrated and native sessions."""
    noise, seen = _DARK_ROOM, _as_it_is
    if monitor.instrument == "contact-2":
        noise, seen = _CONTACT, _by_aged_filters
    place = f"readings/{monitor.day[:10]}/{monitor.id}"
    keys = _keys(monitor.id, "calibrated", monitor.day, monitor.instrument, monitor.hours)
    files = {f"{place}.csv": SimulatedSession(seen(monitor.calibrated), keys, noise, seed).text()}
    if monitor.native is not None:
        native = SimulatedSession(seen(monitor.native), keys | {"mode": "native"}, noise, seed + 100)
        files[f"{place}_native.csv"] = native.text()
    return files


def _as_it_is(display: SimulatedDisplay) -> Shows:
    return display


def _by_aged_filters(display: SimulatedDisplay) -> Shows:
    return Misread(display, AGED_FILTERS)


@dataclass(frozen=True, slots=True)
class DemoPair:
    """A monitor read by contact-2 and by spectro-1 one after the other, nobody touching it.

    Attributes:
        filters: Matrix of contact-2 on that day.
    """

    day: str
    hours: int
    filters: tuple[tuple[float, float, float], ...]


_PAIRS = (DemoPair("2026-03-12", 1104, NEW_FILTERS), DemoPair("2026-09-08", 2231, AGED_FILTERS))


def _pair_files(pair: DemoPair, seed: int) -> dict[str, str]:
    """Return the two sessions of P3 that make a correction for its kind of panel."""
    shows = next(monitor.calibrated for monitor in _MONITORS if monitor.id == "P3")
    patches = session_patches(steps=8, repeats=3)
    read: tuple[tuple[str, str, Shows, Noise], ...] = (
        ("contact-2", "11:10:00", Misread(shows, pair.filters), _CONTACT),
        ("spectro-1", "11:30:00", shows, _DARK_ROOM),
    )
    files = {}
    for place, (instrument, moment, seen, noise) in enumerate(read):
        keys = _keys("P3", "calibrated", f"{pair.day}T{moment}", instrument, pair.hours)
        text = SimulatedSession(seen, keys, noise, seed + place).text(patches)
        files[f"readings/pairs/{pair.day}/P3_{instrument}.csv"] = text
    return files


def _keys(display: str, mode: str, measured: str, instrument: str, hours: int) -> dict[str, str]:
    return {
        "display": display,
        "mode": mode,
        "measured": f"{measured}+01:00",
        "instrument": instrument,
        "hours": str(hours),
        "signal_max": "1023",
        "note": _INVENTED,
    }


def write_demo(folder: str | Path, *, replace_files: bool = False) -> list[Path]:
    """Write the demo facility into a folder and return the files.

    Raises:
        InputError: The folder holds other files, or one of these and ``replace_files`` is False.
    """
    root = Path(folder)
    if root.exists() and not root.is_dir():
        raise InputError(Problem(f"{str(folder)!r} is a file", "name a folder that is new or empty"))
    files = {root / name: text for name, text in demo_files().items()}
    if not replace_files and root.is_dir() and any(root.iterdir()):
        raise InputError(Problem(f"{str(folder)!r} is not empty", "name a new folder, or pass --replace"))
    for path, text in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    return list(files)
