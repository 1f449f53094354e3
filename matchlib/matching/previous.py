"""After the visit: what the session before promised, beside what was now measured.

The target as of that session is computed again from the readings up to its day; nothing is read from reports.
"""

from collections.abc import Mapping, Sequence

from matchlib.arrays import Array
from matchlib.matching.fitting import fit_display
from matchlib.matching.for_all import OnOne, common_of
from matchlib.matching.inputs import RoomInputs
from matchlib.matching.reference import judge_of
from matchlib.matching.result import Previous
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
        then = _solved_then(before.inputs)
        shared: Mapping[int, OnOne] = {}
        if before.inputs.room.common_target and before.inputs.projector_choice.session is not None:
            shared, _ = common_of(then, before.inputs.projector_choice.session.encoding)
        for today, place in zip(before.today, before.then, strict=True):
            now, old = solved[today], then[place]
            if now is not None and old is not None:
                found[today] = _previous(old, now, shared.get(place))
    return found


def _solved_then(inputs: RoomInputs) -> list[MenuSolved | None]:
    session = inputs.projector_choice.session
    if session is None:
        return [None] * len(inputs.monitors)
    judge = judge_of(inputs, session, fit_display(session), Meters(inputs.facility.instruments, inputs.corrections))
    return solve_menus(judge, inputs.monitors, inputs.choices)


def _previous(old: MenuSolved, now: Solved, shared: OnOne | None) -> Previous:
    session = old.prepared.session
    target = old.found.target if shared is None else shared.target
    promised = old.found.after_xyz if shared is None else shared.shown
    return Previous(
        session=session.file,
        measured=session.header.measured.isoformat(),
        was=old.compared.now,
        expected=target.expected,
        target=target,
        followed=_nearer(now.compared.now_xyz, promised, old.compared.now_xyz, now.compared.wanted.white),
    )


def _nearer(now: Array, promised: Array, then: Array, white: Array) -> bool:
    """Return whether a monitor is nearer to what was promised than to what it was; shape (n, 3) each."""
    return bool(ciede2000(now, promised, white).mean() < ciede2000(now, then, white).mean())
