"""``matchlib worklist``: today's round, from a facility folder to a table and a page to print."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from pathlib import Path

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import nominal_response
from matchlib.errors import InputError, Problem
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Instrument, Monitor, Room
from matchlib.matching.due import Reason, Rules, Standing, reasons_of, screen_moved
from matchlib.matching.errors_of_readings import noise_of
from matchlib.matching.inputs import RoomInputs, room_inputs
from matchlib.matching.result import MonitorMatch
from matchlib.matching.room import match_inputs, parse_day
from matchlib.matching.visiting import Patching, Readings, light_for, readings_for, tool_for
from matchlib.matching.worklist import Call, RoomCalls, Worklist
from matchlib.patches import standard_list
from matchlib.readings.archive import Archive
from matchlib.readings.checks.finding import WARN
from matchlib.readings.entries import Entry
from matchlib.readings.instrument import Correction
from matchlib.readings.pairs import newest_corrections
from matchlib.readings.session import average_repeats
from matchlib.reporting.worklist import worklist_csv, worklist_pdf
from matchlib.running.history import Historian, outlook
from matchlib.running.processes import Progress, each, silent
from matchlib.running.store import Store, write
from matchlib.running.today import ahead_of_today

FOLDER, FILES = "_worklist", ("worklist.csv", "worklist.pdf")


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for on the command line."""

    facility: Path
    out: Path = Path("reports")
    on: str = ""
    rules: Rules = field(default_factory=Rules)
    workers: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Written:
    """What was written, and what its reader should know."""

    worklist: Worklist
    files: tuple[Path, ...]
    warnings: tuple[str, ...]


def write_worklist(request: Request, progress: Progress = silent, begin: Callable[[int], None] = silent) -> Written:
    """Write the round as a table and as a PDF, each replaced at once, and return it.

    Args:
        request: What was asked for.
        progress: Called with each room that is done.
        begin: Called with the number of rooms.

    Raises:
        InputError: ``facility.toml``, ``monitors.csv`` or a file whose display cannot be told is wrong, or the
            folder cannot be written to. Nothing was written.
    """
    facility = read_facility(request.facility)
    archive = Archive(facility, parse_day(request.on))
    begin(len(facility.rooms))
    found = worklist_of(archive, request.rules, progress, request.workers)
    contents = (worklist_csv(found).encode(), worklist_pdf(found))
    folder = Store(request.out, facility.root.name).root / FOLDER
    try:
        for name, content in zip(FILES, contents, strict=True):
            write(folder / name, content)
    except OSError as error:
        what = f"cannot write to {folder}: {error.strerror or error}"
        raise InputError(Problem(what, "name another folder with --out")) from None
    warnings = [*map(str, (*facility.warnings, *archive.warnings)), *(_fault(room) for room in found.rooms)]
    warnings += ahead_of_today(archive) if archive.on is None else []
    warnings += [f"{room.room.id}: {doubt}" for room in found.rooms for doubt in room.doubts]
    return Written(found, tuple(folder / name for name in FILES), tuple(line for line in warnings if line))


def worklist_of(archive: Archive, rules: Rules, progress: Progress = silent, workers: int = 1) -> Worklist:
    """Return the round of the archive's day; of today where it has none.

    Args:
        archive: The facility's readings.
        rules: What makes a visit due.
        progress: Called with each room that is done.
        workers: Processes that judge rooms side by side.

    Raises:
        InputError: A file's display cannot be told.
    """
    if archive.homeless:
        raise InputError(archive.homeless)
    facility = archive.facility
    day = archive.on or datetime.now(UTC).astimezone(facility.time_zone).date()
    archive = archive.as_of(day)  # what is dated later is a slip: it is told, and counts for nothing
    rooms, undecided = [], []
    for calls, unsure in each(_planned, list(facility.rooms), workers, _plan, (archive, day, rules)):
        rooms.append(calls)
        undecided += unsure
        progress(calls.room.id)
    return Worklist(
        facility=facility.name,
        root=facility.root,
        on=day,
        rules=rules,
        rooms=tuple(room for room in rooms if room.calls or room.fault or room.doubts),
        monitors=len(facility.monitors),
        undecided=tuple(undecided),
    )


_PLANNERS: list["_Planner"] = []  # of this process: one


def _plan(archive: Archive, day: date, rules: Rules) -> None:
    _PLANNERS[:] = [_Planner(archive, day, rules)]


def _planned(room: str) -> tuple[RoomCalls, list[str]]:
    """Return a room's calls, and the monitors that cannot be decided and are not called for."""
    planner = _PLANNERS[0]
    return planner.room(planner.archive.facility.rooms[room])


def _fault(room: RoomCalls) -> str:
    return f"{room.room.id} cannot be judged: {room.fault}" if room.fault else ""


class _Planner:
    """Plans the visits of one day, room after room."""

    def __init__(self, archive: Archive, day: date, rules: Rules) -> None:
        self.archive, self.day, self.rules = archive, day, rules
        self.historian = Historian(archive)

    def room(self, room: Room) -> tuple[RoomCalls, list[str]]:
        """Return a room's monitors to visit, and those undecided; a fault where the room cannot be judged."""
        facility = self.archive.facility
        rows = facility.monitors_of(room.id)
        refused = {row: _refused(self.archive, row) for row in rows}
        inputs, fault = self._inputs(room, [row for row in rows if refused[row]])
        matches: Mapping[Monitor, MonitorMatch] = {}
        if inputs is not None:
            matches = dict(zip(inputs.monitors, match_inputs(inputs).monitors, strict=True))
        calls, undecided = [], []
        for row in rows:
            standing = self._standing(row, matches.get(row), inputs, refused[row])
            reasons = reasons_of(standing)
            if reasons:
                calls.append(self._call(standing, reasons, inputs))
            elif standing.match is not None and standing.match.verdict.result == "undecided":
                place = f" ({row.location})" if row.location else ""
                undecided.append(f"{room.id}: {standing.history.name}{place}")
        self.archive.forget(row.id for row in rows)
        doubts = (
            ()
            if inputs is None
            else tuple(
                f"the screen's readings may not be right: {found.problem}"
                for found in inputs.projector_choice.findings
                if found.severity == WARN
            )
        )
        return RoomCalls(room, tuple(sorted(calls, key=lambda call: -call.need)), fault, doubts), undecided

    def _inputs(self, room: Room, refused: list[Monitor]) -> tuple[RoomInputs | None, str]:
        """Return a room's inputs, and why there are none; a monitor whose readings are refused is not measured."""
        archive = self.archive
        if refused:
            own = {row.id for row in refused}
            states = {(row.id, row.preset, "calibrated") for row in refused}
            states |= {(row.id, "", "native") for row in refused if archive.native_choice(row).problems}
            archive = archive.without(
                lambda entry: (
                    entry.display in own
                    and _state(entry) in (None, *states)
                    and not self.archive.is_paired(entry.file)
                )
            )
        try:
            return room_inputs(archive, room.id), ""
        except InputError as error:
            return None, "; ".join(map(str, error.problems))

    def _standing(
        self, row: Monitor, match: MonitorMatch | None, inputs: RoomInputs | None, refused: str
    ) -> Standing:
        history = self.historian.of_monitor(row, inputs)
        standing = Standing(row, self.day, self.rules, history, match, refused=refused)
        if match is None or inputs is None:
            return standing
        moved = self._moved(standing, inputs)
        return replace(standing, outlook=outlook(history, match, inputs), moved=moved)

    def _moved(self, standing: Standing, inputs: RoomInputs) -> tuple[str, ...]:
        """Return how the target moved since the monitor was last adjusted, else measured.

        Nothing where it matches, measured since the screen was.
        """
        now, match, visits = inputs.projector_choice.session, standing.match, standing.history.visits
        zone = self.archive.facility.time_zone
        adjusted = date.fromisoformat(standing.row.adjusted) if standing.row.adjusted else None
        known = [datetime.combine(adjusted, time.max, zone)] if adjusted is not None and adjusted <= self.day else []
        known += [visits[-1].measured] if visits else []
        screens = (self.historian.screen_at(inputs.projector.id, when) for when in known)
        then = next((screen for screen in screens if screen is not None), None)
        if now is None or then is None or then.file == now.file:
            return ()
        since = bool(visits) and visits[-1].measured >= now.header.measured
        if since and match is not None and match.verdict.result == "match":
            return ()
        before, today = (self.historian.judge(inputs, screen).reference for screen in (then, now))
        return screen_moved(before, today, inputs.room.tolerances)

    def _call(self, standing: Standing, reasons: tuple[Reason, ...], inputs: RoomInputs | None) -> Call:
        facility, panel = self.archive.facility, standing.row.panel
        visits = standing.history.visits
        last = visits[-1].instrument if visits else ""
        tool = tool_for(panel, last, facility.instruments, self._corrections(panel), self.day)
        readings = None if tool.instrument is None else self._readings(standing, tool.instrument, inputs)
        return Call(standing, reasons, tool, light_for(tool.instrument), readings)

    def _corrections(self, panel: str) -> Mapping[tuple[str, str], Correction]:
        """Return the newest corrections for a panel; one that cannot be made is none."""
        found: dict[tuple[str, str], Correction] = {}
        for name in self.archive.facility.instruments:
            try:
                found |= newest_corrections(self.archive, [(name, panel)])
            except InputError:  # the room's own fault says why
                continue
        return found

    def _readings(self, standing: Standing, instrument: Instrument, inputs: RoomInputs | None) -> Readings | None:
        """Return what is read: the patches of the last session, else the standard list as the screen shows it."""
        session = None if standing.refused else self.archive.calibrated_choice(standing.row).session
        if session is not None:
            patches = average_repeats(session)
            noise = noise_of(session, instrument) if session.header.instrument == instrument.id else None
            return readings_for(Patching(patches.labels, patches.xyz[:, 1], patches.count), instrument, noise)
        listed = standard_list()
        light = self._wanted_light(standing.row, inputs)
        names = tuple((label,) for label in listed.labels)
        return readings_for(Patching(names, light, np.ones(len(light))), instrument, None)

    def _wanted_light(self, row: Monitor, inputs: RoomInputs | None) -> Array:
        """Return the luminance of the standard list as the screen has it, or as its encoding says."""
        if inputs is not None and inputs.projector_choice.session is not None:
            reference = self.historian.judge(inputs, inputs.projector_choice.session).reference
            return np.asarray(reference.wanted.xyz[:, 1])
        facility = self.archive.facility
        encoding = facility.projectors[facility.rooms[row.room].projector].encoding
        return np.asarray(nominal_response(encoding, np.zeros(3)).forward(standard_list().signal)[:, 1])


def _state(entry: Entry) -> tuple[str, str, str] | None:
    """Return the monitor, preset and mode that a file is of; None where it does not say."""
    header = entry.header
    if header is None:
        return None
    return entry.display, header.preset if header.mode == "calibrated" else "", header.mode


def _refused(archive: Archive, row: Monitor) -> str:
    """Return why a monitor's newest session is refused, in words; empty where it is not."""
    problems = (*archive.calibrated_choice(row).problems, *archive.native_choice(row).problems)
    return "; ".join(str(problem) for problem in dict.fromkeys(problems))
