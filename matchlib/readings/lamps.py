"""Lamps by their hours: where hours fall from one session to the next, a lamp was changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise

from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Facility
from matchlib.readings.archive import Archive
from matchlib.readings.choice import Choice
from matchlib.readings.session import Session

_GIVE = "give the days of the two sessions to compare: --before DATE --after DATE (or DATEThh:mm)"
# Hours by which a count must fall before a lamp or a panel is taken for another one: entries of one machine, and
# people, round their hours. No source
FALL = 24.0


def is_another(before: float, after: float) -> bool:
    """Return whether hours tell of another lamp or panel: they fall by more than a day's."""
    return before - after > FALL


@dataclass(frozen=True, slots=True)
class Split:
    """The sessions of one projector entry before and after a lamp change, the choice of each side.

    Attributes:
        before: The last session with the old lamp; ``after``: the first with the new one.
        earlier: All complete sessions with lamps before the new one, by lamp, oldest first; for the drift.
        now: What counts today: ``after``, or a newer session with the new lamp.
    """

    entry: str
    before: Choice
    after: Choice
    earlier: tuple[tuple[Session, ...], ...] = ()
    now: Choice = field(default_factory=lambda: Choice(None))

    @property
    def newer(self) -> Session | None:
        """What counts today, where that is another session than ``after``."""
        now, after = self.now.session, self.after.session
        return None if now is None or after is None or now.file == after.file else now


@dataclass(frozen=True, slots=True)
class Dates:
    """The instants given for a change: the last session up to ``before``, the first from ``after`` on."""

    before: datetime
    after: datetime


def entries_of_machine(facility: Facility, projector: str) -> tuple[str, ...]:
    """Return every entry of the machine that a projector entry belongs to, itself first."""
    entries = facility.projectors
    unit = entries[projector].unit
    others = [name for name, entry in entries.items() if unit and entry.unit == unit and name != projector]
    return (projector, *others)


def split_at_change(
    archive: Archive, projector: str, dates: Dates | None
) -> tuple[Split, dict[str, Split | InputError]]:
    """Return the sessions around the lamp change: of the entry named, and of the others of its machine.

    The change is the last fall of hours among all complete sessions of the machine, at the centre, whatever its
    mode; or it lies between the two days given.

    Args:
        archive: Of the facility.
        projector: An entry.
        dates: None: by lamp hours.

    Raises:
        InputError: A session cannot be read; there is no change; the entry was not measured before and after it.
    """
    names = entries_of_machine(archive.facility, projector)
    choices = {name: archive.projector_choice(name) for name in names}
    if choices[projector].problems:
        raise InputError(choices[projector].problems)
    sessions = {name: complete_sessions(choice) for name, choice in choices.items()}
    pooled = sorted((s for own in sessions.values() for s in own), key=lambda s: s.header.measured)
    lamps = by_lamp(pooled)
    if dates is None and (unplaced := _unplaced(archive, pooled)):
        what = f"{', '.join(unplaced)}: no hours say whether this was read with the old lamp or the new one"
        raise InputError(Problem(what, f"add its hours, or {_GIVE}"))
    own = _split_or_error(archive, projector, sessions, dates, lamps)
    if isinstance(own, InputError):
        raise own
    others: dict[str, Split | InputError] = {}
    for name in names[1:]:
        problems = choices[name].problems
        others[name] = InputError(problems) if problems else _split_or_error(archive, name, sessions, dates, lamps)
    return own, others


def complete_sessions(choice: Choice) -> tuple[Session, ...]:
    """Return the complete sessions behind a choice, oldest first."""
    found = [*choice.earlier] + ([] if choice.session is None else [choice.session])
    return tuple(sorted(found, key=lambda session: session.header.measured))


def by_lamp(sessions: Sequence[Session]) -> tuple[tuple[Session, ...], ...]:
    """Return sessions by lamp, both in order of time: a new lamp begins where hours fall.

    Sessions that say no hours are of the lamp of the session before them, as far as they tell.
    """
    lamps: list[list[Session]] = []
    last: float | None = None
    for session in sessions:
        hours = session.header.hours
        if not lamps or (hours is not None and last is not None and is_another(last, hours)):
            lamps.append([])
        lamps[-1].append(session)
        last = last if hours is None else hours
    return tuple(map(tuple, lamps))


def _unplaced(archive: Archive, sessions: Sequence[Session]) -> list[str]:
    """Return the files without hours beside the last fall of hours; those of the old lamp's last day are its."""
    known = [place for place, session in enumerate(sessions) if session.header.hours is not None]
    falls = [
        (one, other)
        for one, other in pairwise(known)
        if is_another(sessions[one].header.hours or 0.0, sessions[other].header.hours or 0.0)
    ]
    if not falls:
        return []
    one, other = falls[-1]
    old, new = archive.day_of(sessions[one]), archive.day_of(sessions[other])
    between = sessions[one + 1 : other]
    return [session.file for session in between if archive.day_of(session) != old or old == new]


def _split_or_error(
    archive: Archive,
    name: str,
    sessions: Mapping[str, Sequence[Session]],
    dates: Dates | None,
    lamps: Sequence[Sequence[Session]],
) -> Split | InputError:
    own = sessions[name]
    if dates is None:
        if len(lamps) < 2:
            return InputError(_no_change(archive, name, own))
        new = {session.file for session in lamps[-1]}
        old_side = [session for session in own if session.file not in new]
        new_side = [session for session in own if session.file in new]
    else:
        old_side = [session for session in own if session.header.measured <= dates.before]
        new_side = [session for session in own if session.header.measured >= dates.after]
    if not old_side or not new_side:
        return InputError(_one_side(archive, name, own, "after" if old_side else "before"))
    before, after = old_side[-1], new_side[0]
    of_old = {session.file for session in old_side}
    earlier = tuple(found for lamp in lamps if (found := tuple(s for s in lamp if s.file in of_old and s in own)))
    return Split(
        entry=name,
        before=_choice_as_of(archive, name, before),
        after=_choice_as_of(archive, name, after),
        earlier=earlier,
        now=archive.projector_choice(name),
    )


def _choice_as_of(archive: Archive, name: str, session: Session) -> Choice:
    """Return the choice as it was when a session was the newest."""
    then = archive.as_of(archive.day_of(session)).projector_choice(name)
    if then.session is not None and then.session.file == session.file:
        return then
    return Choice(session)  # one of several on its day


def _no_change(archive: Archive, name: str, sessions: Sequence[Session]) -> Problem:
    return Problem(f"no lamp change of {name} found: hours never fall ({_there(archive, sessions)})", _GIVE)


def _one_side(archive: Archive, name: str, sessions: Sequence[Session], side: str) -> Problem:
    what = f"{name} has no complete calibrated session {side} the lamp change ({_there(archive, sessions)})"
    return Problem(what, f"measure it, or {_GIVE}" if side == "after" else _GIVE)


def _there(archive: Archive, sessions: Sequence[Session]) -> str:
    """Return which sessions there are, with their days and hours."""
    if not sessions:
        return "there is no complete calibrated session"
    told = [
        f"{archive.day_of(session).isoformat()} "
        + ("without hours" if session.header.hours is None else f"at {session.header.hours:g} h")
        for session in sessions
    ]
    return "there are " + ", ".join(told) if len(told) > 1 else f"there is only {told[0]}"
