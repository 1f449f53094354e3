"""The gate that stands before every report: what is wrong, which session counts, and why."""

from dataclasses import dataclass
from pathlib import Path

from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Monitor
from matchlib.matching.inputs import room_inputs
from matchlib.matching.room import parse_day
from matchlib.readings.archive import Archive
from matchlib.readings.choice import Choice
from matchlib.running.today import ahead_of_today


@dataclass(frozen=True, slots=True)
class Findings:
    """What the gate found.

    Attributes:
        errors: Problems that keep a room from its report; ``warnings``: others.
        sessions: Lines on each display: which session counts, why not the others.
        rooms: Lines on each room.
        code: 0: every room can be made; 1: some cannot; 2: none can.
    """

    errors: tuple[str, ...]
    warnings: tuple[str, ...]
    sessions: tuple[str, ...]
    rooms: tuple[str, ...]
    code: int


def check(folder: str | Path, on: str = "") -> Findings:
    """Return what is wrong with a facility, and which sessions count.

    Raises:
        InputError: ``facility.toml``, ``monitors.csv`` or a file whose display cannot be told is wrong.
    """
    facility = read_facility(folder)
    archive = Archive(facility, parse_day(on))
    if archive.homeless:
        raise InputError(archive.homeless)
    choices = [(f"{name}", archive.projector_choice(name)) for name in facility.projectors]
    for monitor in facility.monitors:
        name = _name(monitor)
        choices.append((name, archive.calibrated_choice(monitor)))
        choices.append((f"{name}, native", archive.native_choice(monitor)))
    warnings = [*map(str, (*facility.warnings, *archive.warnings))]
    warnings += [str(warning) for _, choice in choices for warning in choice.warnings]
    warnings += [str(warning) for name in facility.projectors for warning in archive.across(name).warnings]
    warnings += ahead_of_today(archive)
    errors: list[str] = []
    rooms: list[str] = []
    failed = 0
    for room in facility.rooms:
        try:
            room_inputs(archive, room)
            rooms.append(f"{room}   can be reported")
        except InputError as error:
            failed += 1
            errors += map(str, error.problems)
            rooms.append(f"{room}   cannot be reported")
    code = 0 if not failed else 2 if failed == len(facility.rooms) else 1
    sessions = [line for name, choice in choices for line in _lines(name, choice)]
    return Findings(tuple(dict.fromkeys(errors)), tuple(dict.fromkeys(warnings)), tuple(sessions), tuple(rooms), code)


def _name(monitor: Monitor) -> str:
    return f"{monitor.id} · {monitor.preset}" if monitor.preset else monitor.id


def _lines(name: str, choice: Choice) -> list[str]:
    native = name.endswith(", native")
    if choice.session is not None:
        lines = [f"{name}   {choice.session.file} counts ({choice.session.header.measured.isoformat()})"]
    elif choice.problems:
        lines = [f"{name}   none counts: the newest is refused"]
    else:
        lines = [f"{name}   none: " + ("its reach is a guess or from monitors.csv" if native else "not measured")]
    lines += [f"    {found.severity} · {found.check}: {found.evidence}; {found.advice}" for found in choice.findings]
    other_mode = ("native session", "calibrated session")
    return lines + [f"    {file}: {reason}" for file, reason in choice.passed_over if reason not in other_mode]
