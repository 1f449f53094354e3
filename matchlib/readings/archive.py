"""The index of ``readings/``: which files there are, whose they are, which session counts (design 3.2)."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path

from matchlib.encoding import Encoding
from matchlib.errors import InputError, Problem
from matchlib.facility.patterns import match_path
from matchlib.facility.rooms import Facility, Format, Monitor
from matchlib.readings.checks.finding import Context, Finding
from matchlib.readings.choice import Choice, Sorting, other_purpose
from matchlib.readings.entries import Entry, entry_from, files_in, inside, read_again, read_bytes
from matchlib.readings.formats.recognise import entry_of, open_source, read_session
from matchlib.readings.quality import check_session, find
from matchlib.readings.session import Header, Session
from matchlib.readings.surroundings import context_of, same_tables


@dataclass(frozen=True, slots=True)
class Across:
    """What was read of a projector across its screen, in its calibrated mode.

    Attributes:
        places: The newest readable session of each position beside the centre; it need not be complete.
        centre: Every readable session at the centre, newest first, complete or not.
        warnings: A position's newest sessions that cannot be read.
    """

    places: Mapping[str, Session] = field(default_factory=dict)
    centre: tuple[Session, ...] = ()
    warnings: tuple[Problem, ...] = ()


class Archive:
    """The readings of a facility, indexed once.

    Args:
        facility: Whose ``readings/`` folder it is.
        on: Sessions after this day, in the facility's time zone, are not there; None: all are.
        look: Whether the checks look at the sessions that count; without, a choice has no findings.
    """

    def __init__(self, facility: Facility, on: date | None = None, *, look: bool = True) -> None:
        self.facility, self.on, self._look = facility, on, look
        self._sessions: dict[tuple[str, Encoding], Session | InputError] = {}
        self._choices: dict[tuple[str, str, str], Choice] = {}
        self._set_aside: dict[str, str] = {}

    def as_of(self, day: date, *, look: bool = True) -> "Archive":
        """Return the same readings without the sessions after a day; nothing is read or indexed twice."""
        found = Archive(self.facility, day, look=look)
        for name in ("_index", "_by_file", "_by_display", "_same_tables"):
            vars(found)[name] = getattr(self, name)  # where a cached property keeps its value
        found._sessions = self._sessions
        return found

    def without(self, gone: Callable[[Entry], bool]) -> "Archive":
        """Return the same readings without some files, as if they had been set aside; nothing is read again."""
        entries, warnings = self._index
        found = Archive(self.facility, self.on, look=self._look)
        vars(found)["_index"] = ([entry for entry in entries if not gone(entry)], warnings)
        found._sessions = self._sessions
        return found

    def day_of(self, session: Session) -> date:
        """Return the day of a session in the facility's time zone."""
        return session.header.measured.astimezone(self.facility.time_zone).date()

    @cached_property
    def _index(self) -> tuple[list[Entry], list[Problem]]:
        entries, warnings = [], []
        set_aside = {entry.file.replace("\\", "/") for entry in self.facility.set_aside}
        seen = set()
        for path, problem in files_in(self.facility.root):
            file = path.relative_to(self.facility.root).as_posix()
            seen.add(file)
            if problem:
                warnings.append(Problem(problem, "copy the file into the folder", file))
            elif file not in set_aside:
                entries.append(entry_from(path, file, self.facility))
        warnings += [
            Problem(f"set aside, but there is no such file: {file!r}", "correct its path", "facility.toml")
            for file in sorted(set_aside - seen)
        ]
        used = {entry.name for file in seen if (entry := entry_of(file, self.facility)) is not None}
        warnings += [_idle(entry, seen) for entry in self.facility.formats if entry.name not in used]
        return entries, warnings

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """Every file that is not set aside and not later than ``on``, in order of path."""
        return tuple(entry for entry in self._index[0] if not self._is_later(entry))

    @cached_property
    def _by_file(self) -> Mapping[str, Entry]:
        return {entry.file: entry for entry in self._index[0]}

    @cached_property
    def _by_display(self) -> Mapping[str, tuple[Entry, ...]]:
        found: dict[str, list[Entry]] = {}
        for entry in self._index[0]:
            found.setdefault(entry.display, []).append(entry)
        return {display: tuple(entries) for display, entries in found.items()}

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What the index passed over."""
        return tuple(self._index[1])

    @property
    def homeless(self) -> tuple[Problem, ...]:
        """Problems of the files whose display cannot be told: nothing can be reported before they are mended."""
        return tuple(problem for entry in self.of("") for problem in entry.problems)

    def of(self, display: str) -> tuple[Entry, ...]:
        """Return a display's files."""
        return tuple(entry for entry in self._by_display.get(display, ()) if not self._is_later(entry))

    def entry(self, file: str) -> Entry | None:
        """Return a file's entry; None where it is not there."""
        found = self._by_file.get(file)
        return None if found is None or self._is_later(found) else found

    def display_of(self, file: str) -> str:
        """Return whose readings a file holds; empty where it is not there."""
        entry = self.entry(file)
        return "" if entry is None else entry.display

    def forget(self, displays: Iterable[str]) -> None:
        """Drop what was read of these displays; it is read again when it is asked for."""
        gone = set(displays)
        self._choices = {key: choice for key, choice in self._choices.items() if key[0] not in gone}
        for key in [key for key in self._sessions if self.display_of(key[0]) in gone]:
            del self._sessions[key]

    def twins_of(self, displays: Iterable[str]) -> tuple[Entry, ...]:
        """Return the files, of whatever display, that hold the same table of readings as one of these displays'."""
        own = [entry.file for display in displays for entry in self.of(display)]
        return tuple(twin for file in own for twin in self._same_tables.get(file, ()) if not self._is_later(twin))

    def set_aside_of(self, displays: Iterable[str]) -> tuple[tuple[str, str], ...]:
        """Return file and reason of what was set aside for these displays, or for nobody that can be told."""
        wanted = {"", *displays}
        found = []
        for entry in self.facility.set_aside:
            path = self.facility.root / entry.file
            if inside(path, self.facility.root) and path.is_file() and self._display_in(path, entry.file) in wanted:
                found.append((entry.file, entry.reason))
        return tuple(found)

    def _display_in(self, path: Path, file: str) -> str:
        """Return the display that a file set aside names, as far as it can be read."""
        if file not in self._set_aside:
            try:
                keys = open_source(read_bytes(path, file, self.facility), file, self.facility).keys
                self._set_aside[file] = keys.get("display")
            except InputError:
                self._set_aside[file] = ""
        return self._set_aside[file]

    def is_paired(self, file: str) -> bool:
        """Return whether a file is part of [[corrections]]."""
        return file in self._paired

    def projector_choice(self, projector: str) -> Choice:
        """Return which session of a projector counts."""
        return self._choice(projector, "", "calibrated", self.facility.projectors[projector].encoding)

    def calibrated_choice(self, monitor: Monitor) -> Choice:
        """Return which calibrated session of a monitor's preset counts."""
        return self._choice(monitor.id, monitor.preset, "calibrated", self.encoding_of(monitor))

    def native_choice(self, monitor: Monitor) -> Choice:
        """Return which native session of a monitor counts; native sessions belong to no preset."""
        return self._choice(monitor.id, "", "native", self.encoding_of(monitor))

    def across(self, projector: str) -> Across:
        """Return what was read of a projector across its screen; what is part of [[corrections]] is not in it."""
        encoding = self.facility.projectors[projector].encoding
        by_place: dict[str, list[tuple[Header, Session | InputError]]] = {}
        for entry in self.of(projector):
            header = entry.header
            if header is not None and header.mode == "calibrated" and header.file not in self._paired:
                read = InputError(entry.problems) if entry.problems else self._read(entry, encoding)
                by_place.setdefault(header.position, []).append((header, read))
        centre: list[Session] = []
        newest: dict[str, Session] = {}
        warnings: list[Problem] = []
        for position, found in by_place.items():
            found.sort(key=lambda pair: pair[0].measured, reverse=True)
            readable = [read for _, read in found if isinstance(read, Session)]
            if position == "centre":
                centre = readable
                continue
            first = found[0][1]
            warnings += first.problems if isinstance(first, InputError) else ()
            if readable:
                newest[position] = readable[0]
        return Across(newest, tuple(centre), tuple(warnings))

    def encoding_of(self, monitor: Monitor) -> Encoding:
        """Return what a monitor is fed where its session does not say."""
        projector = self.facility.projectors[self.facility.rooms[monitor.room].projector]
        return monitor.encoding or projector.encoding

    def encoding_for(self, display: str) -> Encoding:
        """Return what a display of the facility is fed where its session does not say; its first row counts."""
        projector = self.facility.projectors.get(display)
        return projector.encoding if projector else self.encoding_of(self.facility.rows[display][0])

    def _is_later(self, entry: Entry) -> bool:
        if self.on is None or entry.header is None:
            return False
        return entry.header.measured.astimezone(self.facility.time_zone).date() > self.on

    def _choice(self, display: str, preset: str, mode: str, encoding: Encoding) -> Choice:
        key = (display, preset, mode)
        if key not in self._choices:
            self._choices[key] = self._choose(display, preset, mode, encoding)
        return self._choices[key]

    def _choose(self, display: str, preset: str, mode: str, encoding: Encoding) -> Choice:
        """Return the newest complete session of a mode; refuse where it cannot be told or believed."""
        sorting = Sorting()
        for entry in self.of(display):
            sorting.warnings += entry.warnings
            if entry.header is None:
                sorting.problems += entry.problems
            elif reason := self._other_purpose(entry.header, preset, mode):
                sorting.passed.append((entry.file, reason))
            elif entry.problems:
                sorting.take(entry.header, InputError(entry.problems))
            else:
                sorting.take(entry.header, self._read(entry, encoding))
        choice = sorting.choice()
        if choice.session is None:
            return choice
        found = self._findings(choice.session, encoding, sorting.earlier) if self._look else ()
        return replace(choice, findings=found, earlier=tuple(sorting.earlier))

    def _findings(self, session: Session, encoding: Encoding, earlier: Sequence[Session]) -> tuple[Finding, ...]:
        """Return what the checks say of a session that counts."""
        twins = [twin for twin in self._same_tables.get(session.file, ()) if not self._is_later(twin)]
        context = context_of(self.facility, session, earlier, twins, self._contact_pairs(session.header, encoding))
        if self.on is not None and context.adjusted is not None and context.adjusted > self.on:
            context = replace(context, adjusted=None)  # as of that day it had not happened
        return find(session, context)

    @cached_property
    def _same_tables(self) -> dict[str, tuple[Entry, ...]]:
        return same_tables(self._index[0])

    def _other_purpose(self, header: Header, preset: str, mode: str) -> str:
        """Return why a session does not compete for this mode and preset, or an empty string."""
        if header.file in self._paired:
            return "part of [[corrections]]"
        return other_purpose(header, preset, mode)

    def _contact_pairs(self, header: Header, encoding: Encoding) -> list[Session]:
        """Return the sessions of [[corrections]] that a contact instrument read in the same state, newest first."""
        state = (header.mode, header.preset, header.position)
        found = []
        for entry in self.of(header.display):
            own = entry.header
            if own is None or entry.problems or entry.file not in self._paired:
                continue
            if (own.mode, own.preset, own.position) == state and self.facility.instruments[own.instrument].contact:
                read = self._read(entry, encoding)
                found += [read] if isinstance(read, Session) else []
        return sorted(found, key=lambda session: session.header.measured, reverse=True)

    @cached_property
    def _paired(self) -> frozenset[str]:
        return frozenset(
            file for pair in self.facility.corrections for file in (pair.session, pair.reference_session)
        )

    def read(self, entry: Entry) -> Session:
        """Return one file's session, whatever it is for.

        Raises:
            InputError: It cannot be read or believed.
        """
        if entry.problems or entry.header is None:
            raise InputError(entry.problems)
        found = self._read(entry, self.encoding_for(entry.display))
        if isinstance(found, InputError):
            raise found
        return found

    def _read(self, entry: Entry, encoding: Encoding) -> Session | InputError:
        key = (entry.file, encoding)
        if key not in self._sessions:
            try:
                session = read_session(read_again(entry, self.facility), entry.file, self.facility, encoding)
                check_session(session, Context(instrument=self.facility.instruments[session.header.instrument]))
                self._sessions[key] = session
            except InputError as error:
                self._sessions[key] = error
        return self._sessions[key]


def _idle(entry: Format, files: Iterable[str]) -> Problem:
    """Return the warning for an entry of [[formats]] that reads no file."""
    taken = any(match_path(entry.files, file) for file in files)
    what = f"[{entry.name}] reads no file: " + (
        f"every file that fits {entry.files!r} fits an earlier entry" if taken else f"none fits {entry.files!r}"
    )
    do = "put it before that entry" if taken else "correct its path, or take the entry out"
    return Problem(what, do, "facility.toml")
