"""``matchlib lamp``: the report of a lamp change, whole or not there, never overwritten."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from matchlib.errors import MatchlibError, ReportError
from matchlib.facility.file import read_facility
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.lamp import LampChange, LampPlan, LampRoom, change_of, judge_room, lamp_plan, pack_change
from matchlib.package import notebooks_folder
from matchlib.readings.archive import Archive
from matchlib.readings.lamps import Split
from matchlib.reporting.lamp import FILES
from matchlib.running.notebook import NotebookError, Ran, execute
from matchlib.running.processes import Progress, each, silent
from matchlib.running.store import Store, shown
from matchlib.running.today import ahead_of_today
from matchlib.running.worker import unchanged

NOTEBOOK = "lamp_change.ipynb"
FOLDER = "_lamp"
REPORT = (*FILES, "lamp.ipynb")


@dataclass(frozen=True, slots=True)
class LampParameters:
    """The parameters of ``lamp_change.ipynb``, each a literal that JSON can hold."""

    facility: str
    projector: str
    before: str
    after: str
    out: str


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for on the command line.

    Attributes:
        before: YYYY-MM-DD; with ``after``: between which days the lamp was changed. Empty: by lamp hours.
    """

    facility: Path
    projector: str
    before: str = ""
    after: str = ""
    out: Path = Path("reports")
    workers: int = 1


@dataclass(slots=True)
class Told:
    """What came of it: lines for stdout, warnings and errors; the exit code."""

    lines: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    code: int = 0


def run(request: Request, progress: Progress = silent, begin: Callable[[int], None] = silent) -> Told:
    """Make the report of a lamp change, or find that it stands.

    Args:
        request: What was asked for.
        progress: Called with each room that is judged.
        begin: Called with their number, once it is known.

    Raises:
        InputError: Nothing was written: the facility, the days, or every room is at fault, or there is no change.
        ReportError: The notebook failed; it and its log are kept.
    """
    facility = read_facility(request.facility)
    archive = Archive(facility)
    plan = lamp_plan(archive, request.projector, request.before, request.after)
    store = Store(request.out, facility.root.name)
    report = store.report(FOLDER, plan.day, plan.hash)
    stands = report.is_dir()
    if stands:
        _check_whole(report)
    else:
        store.begin()
        change = _judged(plan, request.workers, progress, begin)
        _make(request, change, store, report)
    told = _told(plan, report, stands=stands)
    told.warnings += ahead_of_today(archive)
    return told


def _check_whole(folder: Path) -> None:
    missing = [name for name in REPORT if not (folder / name).is_file()]
    if missing:
        raise ReportError(f"{folder} lacks {', '.join(missing)}; move that folder away and run again")


def _judged(plan: LampPlan, workers: int, progress: Progress, begin: Callable[[int], None]) -> LampChange:
    begin(len(plan.rooms))
    rooms = []
    for room in each(_judge, plan.pairs, workers):
        rooms.append(room)
        progress(room.after.room)
    return change_of(plan, rooms)


def _judge(pair: tuple[RoomInputs, Split]) -> LampRoom:
    return judge_room(*pair)


def _make(request: Request, change: LampChange, store: Store, report: Path) -> None:
    with store.part(FOLDER, change.plan.hash) as part:
        _execute(request, change, store, part)
        store.finish(part, report, FILES)


def _execute(request: Request, change: LampChange, store: Store, part: Path) -> None:
    saved = part / "lamp.ipynb"
    plan = change.plan
    parameters = LampParameters(str(plan.facility.root), request.projector, request.before, request.after, str(part))
    try:
        packed = pack_change(change, request.before, request.after)
        ran = execute(notebooks_folder() / NOTEBOOK, parameters, saved, packed)
        _check(plan, part, ran)
    except NotebookError as error:
        folder = store.fail(FOLDER, saved, error.log)
        if error.name == "InputError":
            raise ReportError(f"the inputs changed during the run: {error.value}; run again") from None
        text = f"the notebook failed ({error}); it and its log are kept in {folder}"
        raise ReportError(text) from None
    except MatchlibError as error:
        store.fail(FOLDER, saved, str(error))
        raise


def _check(plan: LampPlan, part: Path, ran: Ran) -> None:
    """Refuse a report that is not whole, or not made of what was planned."""
    missing = [name for name in REPORT if not (part / name).is_file()]
    if missing:
        raise ReportError(f"{NOTEBOOK} left no {', '.join(missing)}")
    if ran.errors:
        raise ReportError(f"{NOTEBOOK}: {ran.errors[0]}")
    if _numbers(part)["hash"] != plan.hash or not unchanged(plan.facility.root, plan.files):
        raise ReportError("the inputs of the lamp change changed during the run; run again")
    if ran.drawings < 1:
        raise ReportError(f"{NOTEBOOK} shows no drawing")


def _told(plan: LampPlan, report: Path, *, stands: bool) -> Told:
    """Return a line a room, then the screen's with the path of the report."""
    numbers = _numbers(report)
    lines = [f"{room['room']}   {room['line']}" for room in numbers["rooms"]]
    state = " · unchanged" if stands else ""
    lines.append(f"{plan.projector.id}   {numbers['line']}{state} → {shown(report)}")
    errors = [f"{name}: {problem}" for name, problems in plan.faults.items() for problem in problems]
    return Told(lines, numbers["warnings"], errors, 1 if errors else 0)


def _numbers(folder: Path) -> dict[str, Any]:
    try:
        found = json.loads((folder / "lamp.json").read_text(encoding="utf-8"))
        if isinstance(found, dict) and {"rooms", "line", "warnings", "hash"} <= set(found):
            return found
    except ValueError:
        pass
    raise ReportError(f"{folder / 'lamp.json'} is damaged; move that folder away and run again")
