"""The correction of one monitor, written as a file that other programs load."""

from dataclasses import dataclass
from pathlib import Path

from matchlib.displays.clf import clf_bytes
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Facility, Monitor
from matchlib.matching.correcting import Corrected, correct_monitor
from matchlib.matching.inputs import read_inputs
from matchlib.matching.room import parse_day
from matchlib.running.store import write


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for.

    Attributes:
        facility: The facility folder.
        monitor: Its id; ``preset``: empty where the monitor has one row only.
        level: ``curves`` or ``table``.
        out: The file to write.
        on: A day, YYYY-MM-DD: sessions after it are left out; empty: none is.
        replace: Write over a file that is there.
    """

    facility: Path
    monitor: str
    out: Path
    level: str = "table"
    preset: str | None = None
    on: str = ""
    replace: bool = False


def write_correction(request: Request) -> Corrected:
    """Write the correction, whole or not at all, and return it.

    Raises:
        InputError: The file is there already; no such monitor or preset; the readings allow no correction.
            Nothing was written.
    """
    _check_place(request)
    facility = read_facility(request.facility)
    row = _row(facility, request.monitor, request.preset)
    inputs = read_inputs(facility, row.room, parse_day(request.on))
    corrected = correct_monitor(inputs, row, request.level)
    write(request.out, clf_bytes(corrected.correction, corrected.provenance))
    return corrected


def _check_place(request: Request) -> None:
    if request.out.is_dir():
        raise InputError(Problem(f"{str(request.out)!r} is a folder", "name the file to write, such as monitor.clf"))
    if request.out.exists() and not request.replace:
        raise InputError(Problem(f"{str(request.out)!r} is already there", "name another file, or pass --replace"))


def _row(facility: Facility, monitor: str, preset: str | None) -> Monitor:
    """Return the row of a monitor, and of a preset where one is named or several rows ask for it."""
    rows = [row for row in facility.monitors if row.id == monitor]
    if not rows:
        advice = nearest(monitor, dict.fromkeys(row.id for row in facility.monitors))
        raise InputError(Problem(f"no monitor {monitor!r} in {facility.root.name}", advice))
    if preset is None:
        if len(rows) == 1:
            return rows[0]
        named = ", ".join(repr(row.preset) for row in rows)
        raise InputError(Problem(f"monitor {monitor} has several presets: {named}", "choose one with --preset"))
    for row in rows:
        if row.preset == preset:
            return row
    raise InputError(
        Problem(f"monitor {monitor} has no preset {preset!r}", nearest(preset, [r.preset for r in rows]))
    )
