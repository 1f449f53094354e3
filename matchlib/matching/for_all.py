"""One target for the room's measured monitors, as far as they are fed the same encoding."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from matchlib.arrays import Array
from matchlib.encoding import Encoding
from matchlib.matching.result import OneForAll, Target
from matchlib.matching.room_target import Common, Member, common_target
from matchlib.matching.solving import MenuSolved
from matchlib.matching.space import Settings, Task


@dataclass(frozen=True, slots=True, eq=False)
class OnOne:
    """The room's target on one monitor.

    Attributes:
        target: As figures.
        shown: What it will then show, shape (n, 3), cd/m².
        settings: In the panel's own terms; ``task``: what they were found for.
    """

    target: Target
    shown: Array
    settings: Settings
    task: Task


@dataclass(frozen=True, slots=True)
class Said:
    """What is said of the room's target; nothing in a room of one."""

    target: Target | None = None
    meaning: OneForAll | None = None
    warnings: tuple[str, ...] = field(default_factory=tuple)


def common_of(solved: Sequence[MenuSolved | None], encoding: Encoding) -> tuple[dict[int, OnOne], Said]:
    """Return the room's target on each monitor by place, and what is said of it.

    Signals of another encoding mean other colours, so that figures cannot be shared across encodings: the
    target is that of the largest group, the projector's own encoding first.

    Args:
        solved: A room's monitors; None where one was not measured.
        encoding: The projector's.
    """
    measured = [(place, entry) for place, entry in enumerate(solved) if entry is not None]
    counts = Counter(entry.compared.encoding for _, entry in measured)
    if not measured:
        return {}, Said()
    chosen = max(counts, key=lambda own: (counts[own], own == encoding))
    group = [(place, entry) for place, entry in measured if entry.compared.encoding == chosen]
    if len(group) < 2:
        return {}, Said()
    left = [_name(entry) for _, entry in measured if entry.compared.encoding != chosen]
    warnings = []
    if left:
        is_fed = "is" if len(left) == 1 else "are"
        warnings.append(f"the room's one target leaves out {', '.join(left)}, which {is_fed} fed another encoding")
    try:
        found = common_target([Member(entry.compared, entry.found) for _, entry in group])
    except ValueError:
        return {}, Said(None, None, (*warnings, "no one setting is in reach of every monitor of the room"))
    on_each = {
        place: OnOne(target, shown, settings, task)
        for (place, _), target, shown, settings, task in zip(
            group, found.targets, found.shown, found.settings, found.tasks, strict=True
        )
    }
    return on_each, Said(found.target, _meaning(found, [_name(entry) for _, entry in group]), tuple(warnings))


def _meaning(found: Common, names: Sequence[str]) -> OneForAll:
    holder = None if found.holder is None else names[found.holder]
    worst = max(target.expected.mean for target in found.targets)
    return OneForAll(worst, tuple(names), holder, found.without)


def _name(entry: MenuSolved) -> str:
    row = entry.prepared.monitor
    return f"{row.id} · {row.preset}" if row.preset else row.id
