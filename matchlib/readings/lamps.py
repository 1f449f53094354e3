"""Lamps by their hours: where hours fall from one session to the next, a lamp was changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Facility
from matchlib.readings.archive import Archive, Choice
from matchlib.readings.session import Session

_GIVE = "give the days of the two sessions to compare: --before DATE --after DATE"


@dataclass(frozen=True, slots=True)
class Split:
    """The sessions of one projector entry before and after a lamp change, the choice of each side.

    Attributes:
        before: The last session with the old lamp; ``after``: the first with the new one.
        earlier: All complete sessions with lamps before the new one, by lamp, oldest first; for the drift.
        newer: What counts today, where that is another session than ``after``.
    """

    entry: str
    before: Choice
    after: Choice
    earlier: tuple[tuple[Session, ...], ...] = ()
    newer: Session | None = None


@dataclass(frozen=True, slots=True)
class Dates:
    """The days given for a change: the last session up to ``before``, the first from ``after`` on."""

    before: date
    after: date


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

    Sessions that say no hours are of the lamp of the session before them.
    """
    lamps: list[list[Session]] = []
    last: float | None = None
    for session in sessions:
        hours = session.header.hours
        if not lamps or (hours is not None and last is not None and hours < last):
            lamps.append([])
        lamps[-1].append(session)
        last = last if hours is None else hours
    return tuple(map(tuple, lamps))


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
            return InputError(_no_change(name, own))
        new = {session.file for session in lamps[-1]}
        old_side = [session for session in own if session.file not in new]
        new_side = [session for session in own if session.file in new]
    else:
        old_side = [session for session in own if archive.day_of(session) <= dates.before]
        new_side = [session for session in own if archive.day_of(session) >= dates.after]
    if not old_side or not new_side:
        return InputError(_one_side(name, own, "after" if old_side else "before"))
    before, after = old_side[-1], new_side[0]
    of_old = {session.file for session in old_side}
    earlier = tuple(found for lamp in lamps if (found := tuple(s for s in lamp if s.file in of_old and s in own)))
    counts = own[-1]
    return Split(
        entry=name,
        before=_choice_as_of(archive, name, before),
        after=_choice_as_of(archive, name, after),
        earlier=earlier,
        newer=None if counts is after else counts,
    )


def _choice_as_of(archive: Archive, name: str, session: Session) -> Choice:
    """Return the choice as it was when a session was the newest."""
    then = archive.as_of(archive.day_of(session)).projector_choice(name)
    if then.session is not None and then.session.file == session.file:
        return then
    return Choice(session)  # one of several on its day


def _no_change(name: str, sessions: Sequence[Session]) -> Problem:
    return Problem(f"no lamp change of {name} found: hours never fall ({_there(sessions)})", _GIVE)


def _one_side(name: str, sessions: Sequence[Session], side: str) -> Problem:
    what = f"{name} has no complete calibrated session {side} the lamp change ({_there(sessions)})"
    return Problem(what, f"measure it, or {_GIVE}" if side == "after" else _GIVE)


def _there(sessions: Sequence[Session]) -> str:
    """Return which sessions there are, with their days and hours."""
    if not sessions:
        return "there is no complete calibrated session"
    told = [
        f"{session.header.measured.date().isoformat()} "
        + ("without hours" if session.header.hours is None else f"at {session.header.hours:g} h")
        for session in sessions
    ]
    return "there are " + ", ".join(told) if len(told) > 1 else f"there is only {told[0]}"
