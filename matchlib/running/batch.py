"""Every stale room of a facility: planned, handed to workers, stored, told."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from matchlib.errors import InputError, Problem, ReportError, nearest
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Facility
from matchlib.matching.inputs import RoomInputs, room_inputs
from matchlib.matching.result import RoomMatch
from matchlib.matching.room import parse_day
from matchlib.readings.archive import Archive
from matchlib.reporting.sheet import table
from matchlib.reporting.words import room_line
from matchlib.running.executors import Place, cluster, outcomes_of, pool
from matchlib.running.index_files import Today, write_index
from matchlib.running.store import Store, write
from matchlib.running.worker import Job, Outcome, make_report

Progress = Callable[[str], None]


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


def usable_cores() -> int:
    """Return how many cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


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
    plans, faults = _plans(archive, chosen)
    if not plans:
        raise InputError(dict.fromkeys(problem for error in faults.values() for problem in error.problems))
    store = Store(request.out, facility.root.name)
    with cluster(request.scheduler, facility.root) if request.scheduler else nullcontext() as far:
        _open(store)
        outcomes = _make(request, store, plans, progress, begin, far)
    summary = Summary(notes=[f"warning: {warning}" for warning in (*facility.warnings, *archive.warnings)])
    for room in chosen:
        if room in faults:
            summary.errors += [f"{room}: {problem}" for problem in faults[room].problems]
        else:
            _tell(store, plans[room], outcomes[room], summary)
    try:
        summary.notes += _afterwards(request, store, archive, plans, outcomes)
    except OSError as error:
        what = f"cannot write {error.filename or store.root}: {error.strerror or error}"
        summary.errors.append(f"{what}; the reports stand; mend that and run again")
    if all(outcome.state == "stands" for outcome in outcomes.values()) and not faults:
        summary.notes.append("nothing changed: every report stands as it was")
    summary.code = 1 if summary.errors else 0
    return summary


def _open(store: Store) -> None:
    """Make the store's folder, and clear it of what dead runs left."""
    try:
        store.root.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"cannot write to {store.root}: {error.strerror or error}"
        raise InputError(Problem(what, "name another folder with --out")) from None
    store.sweep()


def _chosen(rooms: Sequence[str], facility: Facility) -> list[str]:
    for room in rooms:
        if room not in facility.rooms:
            raise InputError(Problem(f"no room {room!r} in {facility.root.name}", nearest(room, facility.rooms)))
    return [room for room in facility.rooms if not rooms or room in rooms]


def _plans(archive: Archive, rooms: list[str]) -> tuple[dict[str, RoomInputs], dict[str, InputError]]:
    """Return the inputs of every room that can be made, and what is wrong with the others."""
    if archive.homeless:
        raise InputError(archive.homeless)
    plans: dict[str, RoomInputs] = {}
    faults: dict[str, InputError] = {}
    for room in rooms:
        try:
            plans[room] = room_inputs(archive, room)
        except InputError as error:
            faults[room] = error
    return plans, faults


def _make(
    request: Request,
    store: Store,
    plans: dict[str, RoomInputs],
    progress: Progress,
    begin: Callable[[int], None],
    far: Place | None,
) -> dict[str, Outcome]:
    outcomes: dict[str, Outcome] = {}
    jobs = []
    for room, inputs in plans.items():
        try:
            stands = store.stands(room, inputs.day, inputs.hash)
        except ReportError as error:
            outcomes[room] = Outcome(room, "failed", str(error))
            continue
        if stands and not request.again:
            outcomes[room] = Outcome(room, "stands")
        else:
            jobs.append(_job(request, inputs, again=stands))
    begin(len(jobs))
    for outcome in _outcomes(jobs, min(request.workers, len(jobs)), store, far):
        outcomes[outcome.room] = outcome
        progress(outcome.room)
    return outcomes


def _job(request: Request, inputs: RoomInputs, *, again: bool) -> Job:
    facility = inputs.facility
    return Job(
        facility=str(facility.root),
        facility_folder=facility.root.name,
        out=str(request.out.resolve()),
        room=inputs.room.id,
        on=request.on,
        day=inputs.day,
        hash=inputs.hash,
        files=tuple(inputs.files.items()),
        again=again,
    )


def _outcomes(jobs: list[Job], workers: int, store: Store, far: Place | None) -> Iterator[Outcome]:
    """Yield how each job ended, as they end: far away, in a pool, or one after the other in this process."""
    if far is None and workers <= 1:
        yield from map(make_report, jobs)
        return
    try:
        with pool(workers) if far is None else nullcontext(far) as place:
            yield from outcomes_of(place, jobs)
    finally:
        store.sweep()


def _tell(store: Store, inputs: RoomInputs, outcome: Outcome, summary: Summary) -> None:
    """Add a room's line or error to the summary."""
    room = inputs.room.id
    if outcome.state == "failed":
        summary.errors.append(f"{room}: {outcome.error}")
        return
    folder = store.report(room, inputs.day, inputs.hash)
    try:
        found = RoomMatch.from_json((folder / "match.json").read_text(encoding="utf-8"))
    except OSError as error:
        what = f"its report was made and is not here: {error.strerror or error}"
        summary.errors.append(f"{room}: {what}; workers must see the same folders as this machine")
        return
    state = {"stands": " · unchanged", "same": " · made again, the same bytes"}.get(outcome.state, "")
    summary.lines.append(f"{room}   {room_line(found)}{state} → {_short(folder)}")


def _short(path: Path) -> str:
    """Return a path as its reader would type it from here."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def _afterwards(
    request: Request, store: Store, archive: Archive, plans: dict[str, RoomInputs], outcomes: dict[str, Outcome]
) -> list[str]:
    """Replace what tells of all rooms: ``ROOM.pdf``, ``sheet.csv``, the index; say what it lacks."""
    facility = archive.facility
    if request.on:
        everything, _ = _plans(archive.as_of(date.max), list(facility.rooms))
        notes = ["with --on, the current ROOM.pdf and sheet.csv are left as they are"]
    else:
        found = plans | _plans(archive, [room for room in facility.rooms if room not in outcomes])[0]
        everything = {room: found[room] for room in facility.rooms if room in found}
        notes = _current(store, [room for room in facility.rooms if room not in everything], everything, outcomes)
    reports = {
        room: store.report(room, everything[room].day, everything[room].hash) if room in everything else None
        for room in facility.rooms
    }
    write_index(store, Today(facility.name, reports))
    return notes


def _current(
    store: Store, faulty: list[str], everything: dict[str, RoomInputs], outcomes: dict[str, Outcome]
) -> list[str]:
    """Replace ``ROOM.pdf`` of the rooms that were asked for, and ``sheet.csv`` of all; say what it lacks."""
    rows: list[list[str]] = []
    missing = list(faulty)
    for room, inputs in everything.items():
        folder = store.report(room, inputs.day, inputs.hash)
        if not (folder / "targets.csv").is_file():
            missing.append(room)
            continue
        rows += _rows((folder / "targets.csv").read_text(encoding="utf-8"))
        if room in outcomes and outcomes[room].state != "failed":
            write(store.root / f"{room}.pdf", (folder / "match.pdf").read_bytes())
    write(store.root / "sheet.csv", table(rows).encode())
    if not missing:
        return []
    return [f"sheet.csv leaves out {', '.join(sorted(missing))}: no current report"]


def _rows(text: str) -> list[list[str]]:
    import csv

    return list(csv.reader(text.splitlines()))[1:]
