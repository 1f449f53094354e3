"""After the visit: what the session before promised, beside what was now measured.

The target as of that session is computed again from the readings up to its day; nothing is read from reports. Who
set a monitor by a newer sheet, after the screen was read again, followed it too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from matchlib.arrays import Array
from matchlib.matching.fitting import fit_display
from matchlib.matching.for_all import OnOne, common_of
from matchlib.matching.inputs import Before, RoomInputs
from matchlib.matching.reference import judge_of
from matchlib.matching.result import Previous, Target
from matchlib.matching.solving import MenuSolved, Solved, solve_menus
from matchlib.perception.difference import ciede2000
from matchlib.readings.instrument import Meters


def previous_of(inputs: RoomInputs, solved: Sequence[Solved | None]) -> dict[int, Previous]:
    """Return by place what the session before promised, for the monitors that have one.

    Args:
        inputs: Today's.
        solved: The room's monitors as they are today.
    """
    found: dict[int, Previous] = {}
    for before in inputs.before:
        promises = _promises(before.inputs)
        later: list[_Promise | None] | None = None
        for today, place in zip(before.today, before.then, strict=True):
            now, then = solved[today], promises[place]
            if now is None or then is None:
                continue
            found[today] = _previous(then, now)
            if not found[today].followed and _read_since(before):
                if later is None:
                    later = _promises(replace(before.inputs, projector_choice=before.screen))
                again = later[place]
                followed = again is not None and _is_nearer(now, again)
                found[today] = replace(found[today], followed=followed)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Promise:
    """A monitor as it was, and what a sheet promised of it; ``shown``: XYZ over the standard list, shape (n, 3)."""

    old: MenuSolved
    target: Target
    shown: Array


def _read_since(before: Before) -> bool:
    """Return whether the screen was read between a monitor's two sessions."""
    then, since = before.inputs.projector_choice.session, before.screen.session
    return then is not None and since is not None and then.file != since.file


def _promises(inputs: RoomInputs) -> list[_Promise | None]:
    """Return by monitor what the sheet of these inputs promised."""
    session = inputs.projector_choice.session
    if session is None:
        return [None] * len(inputs.monitors)
    judge = judge_of(inputs, session, fit_display(session), Meters(inputs.facility.instruments, inputs.corrections))
    solved = solve_menus(judge, inputs.monitors, inputs.choices)
    shared: Mapping[int, OnOne] = common_of(solved, session.encoding)[0] if inputs.room.common_target else {}
    found: list[_Promise | None] = []
    for place, old in enumerate(solved):
        one = shared.get(place)
        if old is None:
            found.append(None)
        elif one is None:
            found.append(_Promise(old, old.found.target, old.found.after_xyz))
        else:
            found.append(_Promise(old, one.target, one.shown))
    return found


def _is_nearer(now: Solved, then: _Promise) -> bool:
    return _nearer(now.compared.now_xyz, then.shown, then.old.compared.now_xyz, now.compared.wanted.white)


def _previous(then: _Promise, now: Solved) -> Previous:
    old, target = then.old, then.target
    session = old.prepared.session
    return Previous(
        session=session.file,
        measured=session.header.measured.isoformat(),
        was=old.compared.now,
        expected=target.expected,
        target=target,
        followed=_is_nearer(now, then),
    )


def _nearer(now: Array, promised: Array, then: Array, white: Array) -> bool:
    """Return whether a monitor is nearer to what was promised than to what it was; shape (n, 3) each."""
    return bool(ciede2000(now, promised, white).mean() < ciede2000(now, then, white).mean())
