"""One target for a room, and its monitors against each other: the section of the report and the table."""

from typing import Any

from matchlib.matching.result import MonitorMatch, OneForAll, RoomMatch, Target
from matchlib.matching.settings import WORTH_SETTING
from matchlib.matching.spread import spread_of_room
from matchlib.reporting import words

_WHY = (
    "With one target in reach of all, the monitors still differ in black and in the colours that clip: each panel "
    "keeps its own darkest black, and shows a colour outside its reach as the nearest on its edge."
)


def shares(room: RoomMatch) -> bool:
    """Return whether the sheet of a room carries one target for all that can share it."""
    return any(monitor.follows_room for monitor in room.monitors)


def one_target(room: RoomMatch) -> dict[str, Any] | None:
    """Return the section on one target for the room; None where it has none.

    ``figures``: its row of figures; ``rows``: a row a monitor; ``text``: what it means.
    """
    target, meaning = room.room_target, room.one_for_all
    if target is None or meaning is None:
        return None
    return {
        "intro": _intro(room, meaning),
        "figures": _figures(target),
        "rows": [_row(monitor) for monitor in room.monitors if monitor.common_target is not None],
        "text": [*_holder(meaning, len(meaning.monitors)), _WHY, *_own_menus(room)],
    }


def against_each_other(room: RoomMatch) -> str:
    """Return how far the monitors are from each other, now and once they are set; empty for fewer than two."""
    found = spread_of_room(room.monitors)
    if found is None:
        return ""
    names = [words.name_of(monitor) for monitor in room.monitors]
    unlike = words.sentence(words.most_unlike(names, found))
    if len(found.places) == 2:
        return unlike
    mean = (
        f"On average two of them differ by {found.now.mean:.1f} now, {found.after.mean:.1f} once the sheet is done."
    )
    return f"{mean} {unlike}"


def cost_of(monitor: MonitorMatch) -> float | None:
    """Return what the room's target costs a monitor against its own best; None where it has none."""
    if monitor.common_target is None or monitor.target is None:
        return None
    return monitor.common_target.expected.mean - monitor.target.expected.mean


def _intro(room: RoomMatch, meaning: OneForAll) -> str:
    what = f"The worst monitor would be left with {meaning.worst:.2f}."
    if shares(room):
        return f"The room shares one target: the sheet carries these figures for all. {what}"
    return (
        "The sheet carries each monitor's own best. One target that all of them can share, with the worst as near as "
        f"it can come, would be the following (common_target = true puts it on the sheet). {what}"
    )


def _figures(target: Target) -> list[str]:
    pairs = (target.white_xy, target.red_xy, target.green_xy, target.blue_xy)
    return [f"{target.luminance:.1f}", gamma_or_tone(target), *(f"{x:.4f}\u00a0{y:.4f}" for x, y in pairs)]


def gamma_or_tone(target: Target) -> str:
    """Return a target's gamma, or the name of a tone that has none."""
    if target.gamma is not None:
        return f"{target.gamma:.2f}"
    return target.tone if target.tone == "PQ" else "–"


def _row(monitor: MonitorMatch) -> list[str]:
    now, own, common, cost = monitor.difference, monitor.target, monitor.common_target, cost_of(monitor)
    if now is None or own is None or common is None or cost is None:
        return [words.name_of(monitor), "–", "–", "–", "–"]
    expected = [f"{score.mean:.2f}{words.plus_minus(score.u_mean)}" for score in (own.expected, common.expected)]
    told = f"{cost:.2f}" if cost >= WORTH_SETTING else "nothing"
    return [words.name_of(monitor), f"{now.mean:.2f}", *expected, told]


def _holder(meaning: OneForAll, count: int) -> list[str]:
    if meaning.holds_back is None or meaning.without is None:
        return ["No single monitor holds the room back: without any one of them the rest comes no nearer."]
    rest = "the other" if count == 2 else "the worst of the others"
    return [
        f"{meaning.holds_back} holds the room back: with a target made without it, {rest} would be left with "
        f"{meaning.without:.2f} instead of {meaning.worst:.2f}."
    ]


def _own_menus(room: RoomMatch) -> list[str]:
    """Return whose menu does not take all figures of the room's target."""
    fixed = {
        words.name_of(monitor): words.not_taken(monitor)
        for monitor in room.monitors
        if monitor.common_target is not None and words.not_taken(monitor)
    }
    return [f"{name} keeps its own {words.join(what)}: its menu does not take them." for name, what in fixed.items()]
