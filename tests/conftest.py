"""Fixtures that every test may use: a small simulated facility, and session files of known truth.

The facility is invented. Projector P1 serves studio-1 (monitors M1, M2) and studio-2 (monitor M3); each
display has one complete calibrated session, ``readings/ID.csv``, of a simulated display of known truth.
"""

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

# Test processes side by side whose linear algebra has threads of its own wait for each other; before numpy comes:
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(variable, "1")

from matchlib.displays.simulate import Noise, SimulatedDisplay, SimulatedSession, session_patches  # noqa: E402

TOML = """\
name = "Small studio (invented)"
time_zone = "Europe/London"

[projectors.P1]
light = "xenon lamp"
encoding = "P3 DCI"

[rooms.studio-1]
projector = "P1"

[rooms.studio-2]
projector = "P1"

[instruments.S1]
kind = "spectroradiometer"
luminance = 0.02
xy = 0.0015
floor = 0.01

[instruments.C1]
kind = "colorimeter"
luminance = 0.04
xy = 0.004
floor = 0.01
contact = true
"""
MONITORS = """\
monitor,room,panel
M1,studio-1,wide-gamut LCD
M2,studio-1,wide-gamut LCD
M3,studio-2,OLED
"""
REFERENCE = SimulatedDisplay(48.0, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.02)
DISPLAYS = {
    "P1": REFERENCE,
    "M1": replace(REFERENCE, luminance=46.0, black=0.03),
    "M2": replace(REFERENCE, white_xy=(0.309, 0.345), gamma=(2.4, 2.4, 2.4), black=0.03),
    "M3": replace(REFERENCE, black=0.001),
}
MEASURED = "2026-03-02T10:00:00"


def _session_text(
    display: str,
    measured: str = MEASURED,
    *,
    shows: SimulatedDisplay | None = None,
    seed: int = 1,
    steps: int = 5,
    **keys: str,
) -> str:
    shows = shows or DISPLAYS.get(display, REFERENCE)
    header = {"display": display, "measured": measured, "instrument": "S1", "signal_max": "4095"} | keys
    simulated = SimulatedSession(shows, header, Noise(relative=0.0005), seed)
    return simulated.text(session_patches(steps=steps, repeats=1))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the slow ones, those of minutes first: at the end no process is to wait for another."""

    def turn(item: pytest.Item) -> float:
        mark = item.get_closest_marker("slow")
        return 1.0 if mark is None else -mark.kwargs.get("minutes", 0.0)

    items.sort(key=turn)


@pytest.fixture
def processes_that_name() -> Callable[[str], list[int]]:
    """Return a function: text -> the living processes whose environment or command line names it; none off Linux."""

    def find(text: str) -> list[int]:
        found = []
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                said = (folder / "cmdline").read_bytes() + (folder / "environ").read_bytes()
                alive = "(Z)" not in (folder / "stat").read_text() and " Z " not in (folder / "stat").read_text()
            except OSError:
                continue
            if text.encode() in said and alive:
                found.append(int(folder.name))
        return found

    return find


@pytest.fixture
def session_text() -> Callable[..., str]:
    """Return ``session_text(display, measured, *, shows, seed, steps, **keys)``: text of a complete session.

    ``shows`` is the simulated display (by default the one of that id), ``seed`` that of the instrument's
    noise, ``steps`` those of each ramp and of the greys, ``keys`` are further or other header keys.
    """
    return _session_text


@pytest.fixture
def displays() -> dict[str, SimulatedDisplay]:
    """Return the simulated displays of the small facility by id."""
    return dict(DISPLAYS)


@pytest.fixture
def make_facility(tmp_path: Path) -> Callable[..., Path]:
    """Return ``make_facility(tmp_path, **changes)``, which writes the small facility and returns its folder.

    Changes:
        name: Of the folder, ``small`` by default.
        toml: Another whole ``facility.toml``; None: no such file.
        toml_more: Text added to the end of ``facility.toml``.
        toml_edit: ``(old, new)`` text to exchange in it; the old one must be there.
        monitors: Another whole ``monitors.csv``; None: no such file.
        shows: Simulated displays by id, in place of or beside the usual ones.
        files: Path relative to the folder → text or bytes of the file; None: no such file.
    """

    def make(
        folder: Path = tmp_path,
        *,
        name: str = "small",
        toml: str | None = TOML,
        toml_more: str = "",
        toml_edit: tuple[str, str] | None = None,
        monitors: str | None = MONITORS,
        shows: Mapping[str, SimulatedDisplay] | None = None,
        files: Mapping[str, str | bytes | None] | None = None,
    ) -> Path:
        if toml is not None:
            old, new = toml_edit or ("", "")
            if old not in toml:
                raise ValueError(f"facility.toml has no {old!r}")
            toml = (toml.replace(old, new, 1) if old else toml) + toml_more
        content: dict[str, str | bytes | None] = {"facility.toml": toml, "monitors.csv": monitors}
        for place, (display, simulated) in enumerate({**DISPLAYS, **(shows or {})}.items()):
            content[f"readings/{display}.csv"] = _session_text(display, shows=simulated, seed=place)
        content |= files or {}
        root = folder / name
        for file, data in content.items():
            if data is not None:
                path = root / file
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return root

    return make


AGEING_TOML = TOML.replace(
    """[projectors.P1]
light = "xenon lamp"
encoding = "P3 DCI"
""",
    "".join(
        f"""[projectors.P{number}]
light = "xenon lamp"
encoding = "P3 DCI"

"""
        for number in (1, 2, 3)
    ),
).replace(
    """[rooms.studio-2]
projector = "P1"
""",
    """[rooms.studio-2]
projector = "P2"

[rooms.studio-3]
projector = "P3"
""",
)
AGEING_MONITORS = """\
monitor,room,panel,location,adjusted,hours,hours_date
M1,studio-1,wide-gamut LCD,"=HYPERLINK(""x"")",2025-09-05,,
M2,studio-1,wide-gamut LCD,desk,2025-09-05,,
M3,studio-1,OLED,+1 desk,,,
M4,studio-1,wide-gamut LCD,corner,,,
N1,studio-2,wide-gamut LCD,left,2025-10-01,900,2026-02-01
N2,studio-2,wide-gamut LCD,right,,,
Q1,studio-3,OLED,attic,,,
"""
VISITS = ("2025-09-05", "2025-11-05", "2026-01-05", "2026-03-05")


def _ageing_sessions() -> dict[str, str]:
    """Return the sessions of the ageing studio: path and text."""
    files: dict[str, str] = {}

    def add(display: str, day: str, shows: SimulatedDisplay, hours: int) -> None:
        keys = {"shows": shows, "seed": len(files) + 1, "hours": str(hours)}
        files[f"readings/{day}/{display}.csv"] = _session_text(display, f"{day}T10:00:00", **keys)

    for place, day in enumerate(VISITS):
        add("P1", day, replace(REFERENCE, luminance=48 * (1 - 0.002 * place)), 200 + 500 * place)
        faded = 48.2 * 0.985**place
        add("M1", day, replace(REFERENCE, luminance=faded, black=0.021), 100 + 600 * place)
        add("M2", day, replace(REFERENCE, luminance=48.1 - 0.02 * place, black=0.021), 100 + 100 * place)
        new = place >= 2
        tired = replace(REFERENCE, luminance=47.5 if new else 40 - place, black=0.021)
        add("M4", day, tired, 20 + 300 * (place - 2) if new else 9000 + 300 * place)
    add("P2", "2025-09-05", REFERENCE, 1900)
    add("P2", "2026-03-05", replace(REFERENCE, luminance=42.0, white_xy=(0.318, 0.358)), 30)
    add("N1", "2025-10-01", replace(REFERENCE, black=0.021), 400)
    add("N2", "2025-10-01", replace(REFERENCE, black=0.021), 300)
    broken = _session_text("N2", "2026-03-06T10:00:00").replace("4095,4095,4095,", "4095,4095,4095,-", 1)
    files["readings/2026-03-06/N2.csv"] = broken
    add("Q1", "2025-02-01", replace(REFERENCE, black=0.001), 700)
    return files


@pytest.fixture
def ageing_studio(tmp_path: Path) -> Path:
    """Return the folder of an invented studio over half a year.

    In studio-1 M1 fades by 1.5 % in two months, M2 stays, M3 was never measured, M4 had a new panel; in studio-2
    the lamp of P2 was changed after N1 was read, and the newest file of N2 is broken; P3 of studio-3 was not read.
    """
    root = tmp_path / "ageing"
    for file, text in {"facility.toml": AGEING_TOML, "monitors.csv": AGEING_MONITORS, **_ageing_sessions()}.items():
        path = root / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return root
