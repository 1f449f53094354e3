"""Every stale room of a facility: planned, handed to workers, stored, told."""

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from matchlib.errors import InputError, Problem, ReportError, nearest
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Facility
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.planned import pack
from matchlib.matching.result import RoomMatch
from matchlib.matching.room import parse_day
from matchlib.readings.archive import Archive
from matchlib.reporting.sheet import table
from matchlib.reporting.words import room_line
from matchlib.running.executors import Place, cluster, outcomes_of, pool
from matchlib.running.index_files import Today, write_index
from matchlib.running.plan import Plan, Planner, plan_of
from matchlib.running.processes import Progress
from matchlib.running.store import Store, shown, write
from matchlib.running.today import ahead_of_today
from matchlib.running.worker import Job, Outcome, make_report


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for on the command line.

    Attributes:
        scheduler: Address of a dask.distributed scheduler whose workers see the same folders; empty: none.
    """

    facility: Path
    rooms: tuple[str, ...] = ()
    out: Path = Path("reports")
    on: str = ""
    workers: int = 1
    again: bool = False
    scheduler: str = ""


@dataclass(slots=True)
class Summary:
    """What came of it.

    Attributes:
        lines: One a room, in the facility's order; ``errors``: what went wrong; ``notes``: what to know.
        code: The exit code.
    """

    lines: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    code: int = 0


def run(request: Request, progress: Progress, begin: Callable[[int], None]) -> Summary:
    """Make every stale report that was asked for.

    Args:
        request: What was asked for.
        progress: Called with each room that is done.
        begin: Called with the number of rooms to be made.

    Raises:
        InputError: Nothing can be made and nothing was written: the facility, or every room, is at fault.
    """
    facility = read_facility(request.facility)
    archive = Archive(facility, parse_day(request.on))
    chosen = _chosen(request.rooms, facility)
    if archive.homeless:
        raise InputError(archive.homeless)
    store = Store(request.out, facility.root.name)
    planner = Planner(archive, store)
    work = _Work(request, store, planner)
    work.look(chosen)
    with cluster(request.scheduler, facility.root) if request.scheduler else nullcontext() as far:
        store.begin()
        work.make(progress, begin, far)
    summary = Summary(notes=[f"warning: {warning}" for warning in (*facility.warnings, *archive.warnings)])
    summary.notes += [f"warning: {line}" for line in ahead_of_today(archive)]
    for room in chosen:
        if room in work.faults:
            summary.errors += [f"{room}: {problem}" for problem in work.faults[room].problems]
        else:
            _tell(store, work.plans[room], work.outcomes[room], summary)
    try:
        summary.notes += _afterwards(work, archive)
        planner.keep()
    except OSError as error:
        what = f"cannot write {error.filename or store.root}: {error.strerror or error}"
        summary.errors.append(f"{what}; the reports stand; mend that and run again")
    if all(outcome.state == "stands" for outcome in work.outcomes.values()) and not work.faults:
        summary.notes.append("nothing changed: every report stands as it was")
    summary.code = 1 if summary.errors else 0
    return summary


def _chosen(rooms: Sequence[str], facility: Facility) -> list[str]:
    for room in rooms:
        if room not in facility.rooms:
            raise InputError(Problem(f"no room {room!r} in {facility.root.name}", nearest(room, facility.rooms)))
    return [room for room in facility.rooms if not rooms or room in rooms]


class _Work:
    """The rooms of one run: each is read when its turn comes and made while the next is read, so that few are held.

    Attributes:
        store: Where the reports go; ``planner``: plans the rooms.
        plans: Of the rooms that can be made; ``faults``: what is wrong with the others.
        outcomes: How each planned room ended.
    """

    def __init__(self, request: Request, store: Store, planner: Planner) -> None:
        self._request, self.store, self.planner = request, store, planner
        self._ahead: deque[tuple[str, RoomInputs | None]] = deque()
        self.plans: dict[str, Plan] = {}
        self.faults: dict[str, InputError] = {}
        self.outcomes: dict[str, Outcome] = {}

    def look(self, rooms: list[str]) -> None:
        """Find the reports that stand, and a room that can be made; nothing is written.

        Raises:
            InputError: Every room is at fault.
        """
        for room in rooms:
            plan = None if self._request.again else self.planner.known(room)
            if plan is None or not self._settled(plan):
                self._ahead.append((room, None))
        while not self.plans and self._ahead:
            room, _ = self._ahead.popleft()
            inputs = self._read(room)
            if inputs is not None:
                self._ahead.appendleft((room, inputs))
        if not self.plans:
            raise InputError(dict.fromkeys(problem for error in self.faults.values() for problem in error.problems))

    def make(self, progress: Progress, begin: Callable[[int], None], far: Place | None) -> None:
        """Make what does not stand: far away, in a pool, or one after the other in this process."""
        number = len(self._ahead)
        begin(number)
        for outcome in _outcomes(self._jobs(progress), min(self._request.workers, number), self.store, far):
            self.outcomes[outcome.room] = outcome
            progress(outcome.room)

    def _jobs(self, progress: Progress) -> Iterator[Job]:
        """Yield what is to be made."""
        while self._ahead:
            room, inputs = self._ahead.popleft()
            inputs = inputs or self._read(room)
            job = None if inputs is None else self._job(inputs)
            if job is None:
                progress(room)
            else:
                yield job

    def _read(self, room: str) -> RoomInputs | None:
        """Return a room's inputs; None where they are at fault."""
        try:
            inputs = self.planner.read(room)
        except InputError as error:
            self.faults[room] = error
            return None
        self.plans[room] = plan_of(inputs)
        return inputs

    def _settled(self, plan: Plan) -> bool:
        """Return whether a plan's report stands, or cannot: its folder is there and lacks a file."""
        self.plans[plan.room] = plan
        try:
            if not self.store.stands(plan.room, plan.day, plan.hash):
                return False
            self.outcomes[plan.room] = Outcome(plan.room, "stands")
        except ReportError as error:
            self.outcomes[plan.room] = Outcome(plan.room, "failed", str(error))
        return True

    def _job(self, inputs: RoomInputs) -> Job | None:
        """Return the job of a room that was read; None where there is nothing to be done."""
        settled = self._settled(plan_of(inputs))
        again = settled and self._request.again and self.outcomes[inputs.room.id].state == "stands"
        if settled and not again:
            return None
        facility = inputs.facility
        return Job(
            facility=str(facility.root),
            facility_folder=facility.root.name,
            out=str(self._request.out.resolve()),
            room=inputs.room.id,
            on=self._request.on,
            day=inputs.day,
            hash=inputs.hash,
            files=tuple(inputs.files.items()),
            planned=pack(inputs, self._request.on),
            again=again,
        )


def _outcomes(jobs: Iterator[Job], workers: int, store: Store, far: Place | None) -> Iterator[Outcome]:
    """Yield how each job ended, as they end; one worker runs in this process."""
    if far is None and workers <= 1:
        if workers:
            from matchlib.running.kernel import prepare_kernels

            prepare_kernels()
        yield from map(make_report, jobs)
        return
    try:
        with pool(workers) if far is None else nullcontext(far) as place:
            yield from outcomes_of(place, jobs)
    finally:
        store.sweep()


def _tell(store: Store, plan: Plan, outcome: Outcome, summary: Summary) -> None:
    """Add a room's line or error to the summary."""
    room = plan.room
    if outcome.state == "failed":
        summary.errors.append(f"{room}: {outcome.error}")
        return
    folder = store.report(room, plan.day, plan.hash)
    try:
        found = RoomMatch.from_json((folder / "match.json").read_text(encoding="utf-8"))
    except OSError as error:
        what = f"its report was made and is not here: {error.strerror or error}"
        summary.errors.append(f"{room}: {what}; workers must see the same folders as this machine")
        return
    except (InputError, UnicodeDecodeError):
        damaged = f"{shown(folder / 'match.json')} is damaged; move that folder away and run again"
        summary.errors.append(f"{room}: {damaged}")
        return
    state = {"stands": " · unchanged", "same": " · made again, the same bytes"}.get(outcome.state, "")
    summary.lines.append(f"{room}   {room_line(found)}{state} → {shown(folder)}")


def _afterwards(work: _Work, archive: Archive) -> list[str]:
    """Replace what tells of all rooms: ``ROOM.pdf``, ``sheet.csv``, the index; say what it lacks."""
    facility, store = archive.facility, work.store
    if archive.on is None:
        plans = {room: _plan(work, room) for room in facility.rooms}
        notes = _current(work, plans)
    else:
        today = Planner(archive.as_of(date.max), store)
        plans = {room: _planned(today, room) for room in facility.rooms}
        notes = ["with --on, the current ROOM.pdf and sheet.csv are left as they are"]
    reports = {
        room: None if plan is None else store.report(room, plan.day, plan.hash) for room, plan in plans.items()
    }
    write_index(store, Today(facility.name, reports))
    return notes


def _current(work: _Work, plans: Mapping[str, Plan | None]) -> list[str]:
    """Replace ``ROOM.pdf`` of the rooms that were asked for, and ``sheet.csv`` of all; say what it lacks."""
    store = work.store
    rows: list[list[str]] = []
    missing = []
    for room, plan in plans.items():
        folder = None if plan is None else store.report(room, plan.day, plan.hash)
        if folder is None or not (folder / "targets.csv").is_file():
            missing.append(room)
            continue
        rows += _rows((folder / "targets.csv").read_text(encoding="utf-8"))
        if room in work.plans and work.outcomes[room].state != "failed":
            write(store.root / f"{room}.pdf", (folder / "match.pdf").read_bytes())
    write(store.root / "sheet.csv", table(rows).encode())
    notes = [f"sheet.csv leaves out {', '.join(sorted(missing))}: no current report"] if missing else []
    old = [room for room in missing if (store.root / f"{room}.pdf").is_file()]
    gone = [path.stem for path in sorted(store.root.glob("*.pdf")) if path.stem not in plans]
    notes += [f"{room}.pdf is not of the newest readings and settings" for room in sorted(old)]
    return notes + [f"{room}.pdf is of no room of this facility any more" for room in gone]


def _plan(work: _Work, room: str) -> Plan | None:
    """Return the plan of any room, asked for or not; None where it is at fault."""
    if room in work.plans or room in work.faults:
        return work.plans.get(room)
    return _planned(work.planner, room)


def _planned(planner: Planner, room: str) -> Plan | None:
    """Return the plan of a room; None where it is at fault."""
    try:
        return planner.known(room) or plan_of(planner.read(room))
    except InputError:
        return None


def _rows(text: str) -> list[list[str]]:
    import csv

    return list(csv.reader(text.splitlines()))[1:]
