"""What a lamp change did: to the screen, and to every monitor it serves, without measuring one again.

The monitors' sessions that count today are judged twice: against the screen with the old lamp, and with the new.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, time
from hashlib import sha256
from json import dumps
from pathlib import Path
from typing import Any

from matchlib import __version__
from matchlib.arrays import one_thread
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Facility, Projector
from matchlib.matching.inputs import RoomInputs, room_inputs, shared_settings
from matchlib.matching.lamp_drift import Drift, Limits, drift_back
from matchlib.matching.lamp_moved import ScreenChange, screen_change
from matchlib.matching.planned import packed, planned, share_of
from matchlib.matching.result import MonitorMatch, RoomMatch, Target
from matchlib.matching.room import match_inputs, parse_day
from matchlib.package import code_digest, versions
from matchlib.readings.archive import Archive
from matchlib.readings.checks.finding import WARN, Finding
from matchlib.readings.choice import Choice
from matchlib.readings.instrument import Meters
from matchlib.readings.lamps import Dates, Split, is_another, split_at_change

NEWLY_OUT, IN_DOUBT, ALREADY_OUT, NEWLY_IN, STILL_IN, UNREAD = (
    *("newly out", "in doubt", "already out", "now matches"),
    *("still matches", "not measured"),
)
# By the verdicts before and after; the order of the groups is that of the visits.
_GROUPS = {
    ("match", "match"): STILL_IN,
    ("match", "no match"): NEWLY_OUT,
    ("undecided", "no match"): NEWLY_OUT,
    ("no match", "no match"): ALREADY_OUT,
    ("undecided", "match"): NEWLY_IN,
    ("no match", "match"): NEWLY_IN,
    ("match", "undecided"): IN_DOUBT,
    ("undecided", "undecided"): IN_DOUBT,
    ("no match", "undecided"): IN_DOUBT,
}
GROUPS = (NEWLY_OUT, IN_DOUBT, ALREADY_OUT, NEWLY_IN, STILL_IN, UNREAD)


@dataclass(frozen=True, slots=True)
class LampMonitor:
    """One monitor beside the screen with the old lamp, and beside the screen as it was last read with the new one.

    Attributes:
        since: Whether it was read after the change.
    """

    before: MonitorMatch
    after: MonitorMatch
    since: bool = False

    @property
    def group(self) -> str:
        """One of ``GROUPS``."""
        return _GROUPS.get((self.before.verdict.result, self.after.verdict.result), UNREAD)

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """Why its readings are not believed: it is measured first, and nothing is set before."""
        return tuple(found for found in self.after.findings if found.severity == WARN)

    @property
    def visit(self) -> bool:
        """Whether someone has to go there: its readings are not believed, or a setting gains something it needs."""
        return bool(self.doubts) or (self.after.adjust and self.group in (NEWLY_OUT, IN_DOUBT, ALREADY_OUT))

    @property
    def target(self) -> Target | None:
        """What it is to be set to; None where that is not known."""
        return None if self.doubts else self.after.set_to


@dataclass(frozen=True, slots=True)
class LampRoom:
    """A room that the screen serves, by the same monitors' sessions before and after."""

    before: RoomMatch
    after: RoomMatch
    monitors: tuple[LampMonitor, ...]


@dataclass(frozen=True, slots=True)
class LampPlan:
    """What a lamp change is computed from.

    Attributes:
        splits: Sessions of each entry of the machine around the change, the one named first.
        rooms: Inputs of each room that can be judged, as of today.
        faults: By room, or by entry of the machine, what keeps it from being judged.
        hash: 12 hex digits over everything that the result depends on.
        day: Of the newest session used, YYYY-MM-DD in the facility's time zone.
    """

    facility: Facility
    projector: Projector
    splits: tuple[Split, ...]
    rooms: tuple[RoomInputs, ...]
    faults: Mapping[str, tuple[Problem, ...]]
    files: Mapping[str, str]
    hash: str
    day: str
    changed: tuple[date, date]

    @property
    def pairs(self) -> list[tuple[RoomInputs, Split]]:
        """Each room's inputs, and the sessions of its screen."""
        splits = {split.entry: split for split in self.splits}
        return [(inputs, splits[inputs.room.projector]) for inputs in self.rooms]


@dataclass(frozen=True, slots=True)
class LampChange:
    """What a lamp change did.

    Attributes:
        screens: What moved, an entry of the machine each, the one named first.
        drift: How long the new light lasts, by earlier lamps.
        rooms: Judged before and after.
        faults: By room or entry, why it is not here.
        warnings: What to keep in mind.
    """

    plan: LampPlan
    screens: tuple[ScreenChange, ...]
    drift: Drift
    rooms: tuple[LampRoom, ...]
    warnings: tuple[str, ...]
    version: str = __version__

    def visits(self) -> list[tuple[LampRoom, LampMonitor]]:
        """Return who has to be visited, first those that the change put out, of each the worst first."""
        found = [(room, monitor) for room in self.rooms for monitor in room.monitors if monitor.visit]
        return sorted(found, key=lambda entry: (GROUPS.index(entry[1].group), -_mean(entry[1].after)))


def _mean(monitor: MonitorMatch) -> float:
    return 0.0 if monitor.difference is None else monitor.difference.mean


def lamp_change(facility: str | Path, projector: str, before: str = "", after: str = "") -> LampChange:
    """Return what a lamp change did to a screen and to the monitors of every room it serves.

    Args:
        facility: The facility folder.
        projector: Id of an entry; other entries with the same ``unit`` are changed with it.
        before: A day, YYYY-MM-DD: the last session up to it is the old lamp's; empty: by lamp hours.
        after: A day: the first session from it on is the new lamp's; empty: by lamp hours.

    Raises:
        InputError: Whatever is wrong with the inputs; no lamp change was found.
    """
    handed: LampChange | None = planned(_name(facility, projector, before, after))
    if handed is not None:
        return handed
    return change_of(lamp_plan(Archive(read_facility(facility)), projector, before, after))


def pack_change(change: LampChange, before: str, after: str) -> bytes:
    """Return a lamp change as bytes for the process that reports on it: :func:`lamp_change` takes it from there."""
    plan = change.plan
    return packed(_name(plan.facility.root, plan.projector.id, before, after), change)


def _name(facility: str | Path, projector: str, before: str, after: str) -> tuple[str, ...]:
    return "lamp change", str(Path(facility).resolve()), projector, before, after


def lamp_plan(archive: Archive, projector: str, before: str = "", after: str = "") -> LampPlan:
    """Return what a lamp change is computed from.

    Raises:
        InputError: As :func:`lamp_change` has it.
    """
    facility = archive.facility
    if projector not in facility.projectors:
        what = f"no projector {projector!r} in {facility.root.name}"
        raise InputError(Problem(what, nearest(projector, facility.projectors)))
    if archive.homeless:
        raise InputError(archive.homeless)
    own, others = split_at_change(archive, projector, _dates(facility, before, after))
    splits = (own, *(entry for entry in others.values() if isinstance(entry, Split)))
    faults = {name: entry.problems for name, entry in others.items() if isinstance(entry, InputError)}
    faults |= {room.id: faults[room.projector] for room in facility.rooms.values() if room.projector in faults}
    rooms, wrong = _rooms(archive, [split.entry for split in splits])
    if wrong and not rooms:
        raise InputError(dict.fromkeys(problem for problems in wrong.values() for problem in problems))
    faults |= wrong
    entries = [split.entry for split in splits]
    files = {entry.file: entry.digest for name in entries for entry in archive.of(name)}
    files |= {file: digest for inputs in rooms for file, digest in inputs.files.items()}
    sides = [choice for split in splits for choice in (split.before, split.after, split.now)]
    sessions = [choice.session for choice in sides if choice.session]
    days = [archive.day_of(session).isoformat() for session in sessions] + [inputs.day for inputs in rooms]
    settings = [shared_settings(facility, files), [asdict(facility.projectors[name]) for name in entries]]
    return LampPlan(
        facility=facility,
        projector=facility.projectors[projector],
        splits=splits,
        rooms=rooms,
        faults=faults,
        files=dict(sorted(files.items())),
        hash=_digest([*settings, _said(sides)], rooms, files, faults),
        day=max(days),
        changed=(archive.day_of(sessions[0]), archive.day_of(sessions[1])),
    )


def _dates(facility: Facility, before: str, after: str) -> Dates | None:
    if not before and not after:
        return None
    if not before or not after:
        raise InputError(Problem("one day of a lamp change is not enough", "give both --before and --after"))
    first, second = _instant(facility, before, last=True), _instant(facility, after, last=False)
    if not first < second:
        what = f"{before}, before the lamp change, is not before {after}, after it"
        raise InputError(
            Problem(what, "exchange them, or correct one; of one day give the times, as in 2026-09-08T09:00")
        )
    return Dates(first, second)


def _instant(facility: Facility, text: str, *, last: bool) -> datetime:
    """Return the instant of a day, its last or its first, or of a day and time in the facility's time zone."""
    if "T" not in text:
        day = parse_day(text) or date.min
        return datetime.combine(day, time.max if last else time.min, facility.time_zone)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(Problem(f"{text!r} is no time", "write it as YYYY-MM-DD or YYYY-MM-DDThh:mm")) from None
    return found if found.tzinfo else found.replace(tzinfo=facility.time_zone)


def _rooms(archive: Archive, entries: Sequence[str]) -> tuple[tuple[RoomInputs, ...], dict[str, tuple[Problem, ...]]]:
    """Return the inputs of the rooms that these entries serve, and what is wrong with the others of them."""
    found, wrong = [], {}
    for room in archive.facility.rooms.values():
        if room.projector in entries:
            try:
                found.append(_only_today(room_inputs(archive, room.id)))
            except InputError as error:
                wrong[room.id] = error.problems
            archive.forget(monitor.id for monitor in archive.facility.monitors_of(room.id))
    return tuple(found), wrong


def _only_today(inputs: RoomInputs) -> RoomInputs:
    """Return a room's inputs without what was read of its monitors before: no lamp change asks for that."""
    choices = tuple(
        (replace(calibrated, earlier=()), replace(native, earlier=())) for calibrated, native in inputs.choices
    )
    return replace(inputs, facility=share_of(inputs.facility, inputs), choices=choices, before=())


def _said(sides: Sequence[Choice]) -> list[Any]:
    """Return the sessions of the screen, and what is said of them, as JSON holds it."""
    return [
        [
            None if side.session is None else side.session.sha256,
            [asdict(found) for found in side.findings],
            [str(problem) for problem in side.warnings],
        ]
        for side in sides
    ]


def _digest(
    own: Sequence[Any],
    rooms: Sequence[RoomInputs],
    files: Mapping[str, str],
    faults: Mapping[str, tuple[Problem, ...]],
) -> str:
    told = {name: [str(problem) for problem in problems] for name, problems in faults.items()}
    hashes = [inputs.hash for inputs in rooms]
    content = [own, hashes, sorted(files.items()), told, code_digest(), versions()]
    return sha256(dumps(content, sort_keys=True).encode()).hexdigest()[:12]


def change_of(plan: LampPlan, rooms: Sequence[LampRoom] | None = None) -> LampChange:
    """Return what a lamp change did, from its plan.

    Args:
        plan: Whatever it is computed from.
        rooms: Of the plan, in its order, already judged; None: they are judged here.
    """
    screens = screens_of(plan)
    drift = drift_back(screens[0], plan.splits[0].earlier, narrowest(plan))
    judged = tuple(judge_room(*pair) for pair in plan.pairs) if rooms is None else tuple(rooms)
    return LampChange(plan, screens, drift, judged, tuple(_warnings(plan, screens, judged)))


def narrowest(plan: LampPlan) -> Limits:
    """Return the narrowest limits of the rooms that follow the screen's own light as it is measured."""
    rooms = [inputs.room for inputs in plan.rooms]
    limits = [room.tolerances for room in rooms if room.match == "absolute" and room.reference == "measured"]
    return Limits(*(min((getattr(entry, name) for entry in limits), default=None) for name in ("luminance", "white")))


def screens_of(plan: LampPlan) -> tuple[ScreenChange, ...]:
    """Return what moved on each entry of the machine, the one named first."""
    meters = Meters(plan.facility.instruments, {})
    with one_thread():
        return tuple(
            screen_change(split.entry, split.before.session, split.after.session, meters)
            for split in plan.splits
            if split.before.session is not None and split.after.session is not None
        )


def judge_room(inputs: RoomInputs, split: Split) -> LampRoom:
    """Return a room judged beside the last session with the old lamp, and beside the one that counts today."""
    before, after = (match_inputs(replace(inputs, projector_choice=side)) for side in (split.before, split.now))
    changed = split.after.session.header.measured if split.after.session is not None else None
    read = [both[0].session for both in inputs.choices]
    since = [session is not None and changed is not None and session.header.measured >= changed for session in read]
    monitors = tuple(
        LampMonitor(one, other, late) for one, other, late in zip(before.monitors, after.monitors, since, strict=True)
    )
    return LampRoom(before, after, monitors)


def _warnings(plan: LampPlan, screens: Sequence[ScreenChange], rooms: Sequence[LampRoom]) -> list[str]:
    found = [f"{name} is not judged: {problem}" for name, problems in plan.faults.items() for problem in problems]
    found += [
        f"{split.entry} was read again since ({split.newer.file}): verdicts, settings and visits are beside that "
        f"reading; what moved is told from {split.after.session.file if split.after.session else 'the first'}"
        for split in plan.splits
        if split.newer is not None
    ]
    found += [
        f"{screen.entry} was read with {screen.before.header.instrument} before and with "
        f"{screen.after.header.instrument} after: their scales do not cancel, and only large changes are told"
        for screen in screens
        if not screen.one_instrument
    ]
    found += [
        f"{room.after.room} follows what its encoding says, so the change moves no target there"
        for room in rooms
        if room.after.settings is not None and room.after.settings.reference == "nominal"
    ]
    found += [
        f"{file}: no patch was read twice, so the scatter is not known, the instrument's whole stated uncertainty "
        "counts, and only large changes are told; read white, black and the full primaries three times"
        for screen in screens
        for file in screen.unrepeated
    ]
    found += [
        f"{screen.entry}: lamp hours do not fall between the two sessions: as far as they tell the lamp is the same"
        for screen in screens
        if _same_lamp(screen)
    ]
    found += _doubts(plan, rooms)
    late = [monitor.after.monitor for room in rooms for monitor in room.monitors if monitor.since]
    if late:
        found.append(
            f"read after the change: {', '.join(dict.fromkeys(late))}; 'before' is how they would have looked beside "
            "the old lamp"
        )
    return found


def _doubts(plan: LampPlan, rooms: Sequence[LampRoom]) -> list[str]:
    """Return what the checks and the index say of the readings that all this rests on."""
    found = []
    for split in plan.splits:
        sides = (split.before, split.after) if split.newer is None else (split.before, split.after, split.now)
        findings = [finding for side in sides for finding in side.findings if finding.severity == WARN]
        found += [f"{split.entry}, {finding.problem}" for finding in findings]
        if not any(inputs.room.projector == split.entry for inputs in plan.rooms):
            found += [f"{split.entry}, {problem}" for problem in split.now.warnings]
    said: dict[str, list[str]] = {}
    for room in rooms:
        for warning in room.after.warnings:
            said.setdefault(warning, []).append(room.after.room)
    found += [f"{', '.join(names)}: {warning}" for warning, names in said.items()]
    unread = [monitor.after.monitor for room in rooms for monitor in room.monitors if monitor.group == UNREAD]
    if unread:
        found.append(f"not measured, so nothing is known of them: {', '.join(dict.fromkeys(unread))}")
    return list(dict.fromkeys(found))


def _same_lamp(screen: ScreenChange) -> bool:
    before, after = screen.before.header.hours, screen.after.header.hours
    return before is not None and after is not None and not is_another(before, after)
