"""An invented facility of any size: rooms of seven or eight monitors, four projectors, all simulated."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from matchlib.displays.simulate import Noise, SimulatedDisplay, SimulatedSession, session_patches

_PROJECTORS = 4
_NOISE = Noise(relative=0.0015, floor=0.0004)
_PATCHES = session_patches(steps=16, repeats=3)
_SCREEN = SimulatedDisplay(47.0, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.022)


@dataclass(frozen=True, slots=True)
class _Panel:
    """A kind of panel: its native display, and the row's ``panel,dims,dims_min``."""

    row: str
    native: SimulatedDisplay


_PANELS = (
    _Panel(
        "wide-gamut LCD,backlight,0.08",
        SimulatedDisplay(
            310.0, (0.3127, 0.3290), (0.684, 0.314), (0.211, 0.720), (0.149, 0.050), (2.2, 2.2, 2.2), 0.018
        ),
    ),
    _Panel(
        "OLED,,",
        SimulatedDisplay(
            180.0, (0.3127, 0.3290), (0.682, 0.317), (0.236, 0.712), (0.141, 0.050), (2.4, 2.4, 2.4), 0.0006
        ),
    ),
    _Panel(
        "standard-gamut LCD,backlight,0.05",
        SimulatedDisplay(
            220.0, (0.3127, 0.3290), (0.640, 0.332), (0.303, 0.602), (0.152, 0.061), (2.2, 2.2, 2.2), 0.015
        ),
    ),
)


def write_many_rooms(folder: Path, rooms: int) -> int:
    """Write the facility into a new folder and return how many monitors it has; room n is alike in every size."""
    (folder / "readings").mkdir(parents=True)
    toml = ['name = "Many rooms (invented)"', 'time_zone = "Europe/London"']
    for place in range(_PROJECTORS):
        toml += [f"[projectors.screen-{place + 1}]", 'light = "xenon lamp"', 'encoding = "P3 DCI"']
        _write(
            folder, f"screen-{place + 1}", "calibrated", replace(_SCREEN, luminance=47.0 + 0.4 * place), 9000 + place
        )
    toml += ["[instruments.S1]", 'kind = "spectroradiometer"', "luminance = 0.02", "xy = 0.0015", "floor = 0.002"]
    rows = ["monitor,room,panel,dims,dims_min"]
    for room in range(rooms):
        toml += [f"[rooms.room-{room + 1:03d}]", f'projector = "screen-{room % _PROJECTORS + 1}"', 'surround = "dim"']
        rows += [_write_monitor(folder, room, place) for place in range(7 + room % 2)]
    (folder / "facility.toml").write_text("\n".join(toml) + "\n", encoding="utf-8")
    (folder / "monitors.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return len(rows) - 1


def _write_monitor(folder: Path, room: int, place: int) -> str:
    """Write a monitor's calibrated and native session; return its row of the inventory."""
    seed = room * 10 + place
    random = np.random.default_rng(seed)
    panel = _PANELS[seed % len(_PANELS)]
    white = (0.314 + 0.004 * random.standard_normal(), 0.351 + 0.004 * random.standard_normal())
    calibrated = replace(
        _SCREEN,
        luminance=47.0 * (1 + 0.04 * random.standard_normal()),
        white_xy=white,
        gamma=(float(2.6 + 0.08 * random.standard_normal()),) * 3,
        black=panel.native.black,
    )
    name = f"M{room + 1:03d}-{place + 1}"
    _write(folder, name, "calibrated", calibrated, 2 * seed)
    _write(folder, name, "native", panel.native, 2 * seed + 1)
    return f"{name},room-{room + 1:03d},{panel.row}"


def _write(folder: Path, display: str, mode: str, shows: SimulatedDisplay, seed: int) -> None:
    keys = {
        "display": display,
        "mode": mode,
        "measured": f"2026-09-07T{8 + seed % 10:02d}:{seed % 60:02d}:00+01:00",
        "instrument": "S1",
        "signal_max": "1023",
        "note": "invented: simulated readings of a made-up facility",
    }
    text = SimulatedSession(shows, keys, _NOISE, seed).text(_PATCHES)
    (folder / "readings" / f"{display}_{mode}.csv").write_text(text, encoding="utf-8")
