"""The visits of each display, collected from the readings."""

from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path

from matchlib.arrays import one_thread
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Monitor
from matchlib.matching.ageing import changes_of
from matchlib.matching.errors_of_readings import Sources, sources_of
from matchlib.matching.fitting import fit_display
from matchlib.matching.history import DisplayHistory, Outlook, RoomHistory, Visit, difference_to, outlook_of, visit_of
from matchlib.matching.inputs import RoomInputs, room_inputs
from matchlib.matching.reference import Judge, judge_of
from matchlib.matching.result import MonitorMatch
from matchlib.matching.room import match_inputs, parse_day
from matchlib.perception.difference import Score
from matchlib.readings.archive import Archive
from matchlib.readings.choice import Choice
from matchlib.readings.instrument import Correction, Meters
from matchlib.readings.pairs import newest_corrections
from matchlib.readings.session import Session


@dataclass(eq=False)
class Historian:
    """Collects histories from one archive; a judge is made once for each session of a projector.

    Attributes:
        archive: The readings of a facility.
    """

    archive: Archive
    _earlier: dict[date, Archive] = field(default_factory=dict)
    _judges: dict[tuple[str, str], Judge] = field(default_factory=dict)
    _meters: dict[tuple[date | None, str, str], Meters] = field(default_factory=dict)

    def as_of(self, day: date) -> Archive:
        """Return the archive as of a day, made once; its choices have no findings."""
        if day not in self._earlier:
            self._earlier[day] = self.archive.as_of(day, look=False)
        return self._earlier[day]

    def of_projector(self, projector: str) -> DisplayHistory:
        """Return a projector's history."""
        sessions = _sessions(self.archive.projector_choice(projector))
        visits = tuple(self._visit(session, "")[0] for session in sessions)
        days, hours = [visit.day for visit in visits], [visit.hours for visit in visits]
        return DisplayHistory(projector, "", "projector", visits, changes_of(days, hours, None, "lamp"))

    def of_monitor(self, monitor: Monitor, inputs: RoomInputs | None) -> DisplayHistory:
        """Return a monitor's history.

        Args:
            monitor: Its row.
            inputs: Of its room; None where its projector does not count, so that there are no differences.
        """
        visits = []
        choice = self.archive.calibrated_choice(monitor)
        for session in _sessions(choice):
            visit, counted = self._visit(session, monitor.panel, counts=session is choice.session)
            visits.append(visit if inputs is None else self._compared(visit, counted, inputs))
        days, hours = [visit.day for visit in visits], [visit.hours for visit in visits]
        adjusted = date.fromisoformat(monitor.adjusted) if monitor.adjusted else None
        if adjusted is not None and self.archive.on is not None and adjusted > self.archive.on:
            adjusted = None  # as of that day it had not happened
        changes = changes_of(days, hours, adjusted, "panel")
        return DisplayHistory(monitor.id, monitor.preset, "monitor", tuple(visits), changes)

    def _visit(self, session: Session, panel: str, *, counts: bool = False) -> tuple[Visit, Session]:
        """Return a visit, corrected as of its day; the session that counts is corrected as its verdict is."""
        day = self.archive.day_of(session)
        key = (None if counts else day, session.header.instrument, panel)
        if key not in self._meters:
            self._meters[key] = Meters(self.archive.facility.instruments, self._corrections(*key))
        return visit_of(session, panel, self._meters[key], day)

    def _corrections(self, day: date | None, instrument: str, panel: str) -> dict[tuple[str, str], Correction]:
        """Return the correction as of a day; the newest of all where none was made by then, or for no day."""
        needed = {(instrument, panel)}
        if day is None:
            return newest_corrections(self.archive, needed)
        return newest_corrections(self.archive, needed) | newest_corrections(self.as_of(day), needed)

    def _compared(self, visit: Visit, counted: Session, inputs: RoomInputs) -> Visit:
        today = self._difference(counted, inputs, inputs.projector_choice.session)
        screen = self.screen_at(inputs.projector.id, visit.measured)
        return replace(visit, today=today, difference=self._difference(counted, inputs, screen) if screen else None)

    def screen_at(self, projector: str, when: datetime) -> Session | None:
        """Return a projector's last session up to an instant, else the first later on that day."""
        sessions = _sessions(self.archive.projector_choice(projector))
        before = [session for session in sessions if session.header.measured <= when]
        zone = self.archive.facility.time_zone
        same = [session for session in sessions if self.archive.day_of(session) == when.astimezone(zone).date()]
        return before[-1] if before else same[0] if same else None

    def _difference(self, counted: Session, inputs: RoomInputs, screen: Session | None) -> Score | None:
        return None if screen is None else difference_to(self.judge(inputs, screen), counted)

    def judge(self, inputs: RoomInputs, screen: Session) -> Judge:
        """Return what a room's monitors are judged by, were ``screen`` the projector's session."""
        key = (inputs.room.id, screen.file)
        if key not in self._judges:
            meters = Meters(inputs.facility.instruments, inputs.corrections)
            with one_thread():
                self._judges[key] = judge_of(inputs, screen, fit_display(screen), meters)
        return self._judges[key]


def screen_sources(inputs: RoomInputs) -> Sources | None:
    """Return what can be wrong with a room's projector session; None where the room follows an encoding."""
    screen = inputs.projector_choice.session
    if screen is None or inputs.room.reference == "nominal":
        return None
    instruments = inputs.facility.instruments
    return sources_of(instruments[screen.header.instrument], Meters(instruments, {}))


def outlook(history: DisplayHistory, match: MonitorMatch, inputs: RoomInputs) -> Outlook | None:
    """Return when a monitor leaves its room's limits; None where it was not measured."""
    if match.ideal is None or not history.visits:
        return None
    return outlook_of(history, match.ideal, inputs.room.tolerances, screen_sources(inputs))


def room_history(facility: str | Path, room: str, on: str = "") -> RoomHistory:
    """Return the history of a room's displays.

    Args:
        facility: The facility folder.
        room: Id of the room.
        on: A day, YYYY-MM-DD: sessions after it are left out; empty: none is.

    Raises:
        InputError: Whatever is wrong with the inputs.
    """
    archive = Archive(read_facility(facility), parse_day(on))
    inputs = room_inputs(archive, room)
    historian, match = Historian(archive), match_inputs(inputs)
    monitors = tuple(historian.of_monitor(monitor, inputs) for monitor in inputs.monitors)
    outlooks = tuple(outlook(*pair, inputs) for pair in zip(monitors, match.monitors, strict=True))
    return RoomHistory(match, historian.of_projector(inputs.projector.id), monitors, outlooks)


def _sessions(choice: Choice) -> list[Session]:
    """Return the complete sessions of a choice, oldest first, a session filed twice once."""
    found = list(choice.earlier) + ([choice.session] if choice.session is not None else [])
    once = {(session.header.measured, session.xyz.tobytes()): session for session in found}
    return sorted(once.values(), key=lambda session: session.header.measured)
