"""Histories as tables and sentences."""

from typing import TYPE_CHECKING

from matchlib.matching.ageing import FEWEST
from matchlib.matching.due import outlook_words
from matchlib.matching.history import FIGURES, RoomHistory, trends_of

if TYPE_CHECKING:
    import pandas as pd


def drift_table(room: RoomHistory) -> "pd.DataFrame":
    """Return the drift a year of each figure of each display, with its 95 % interval, since its last change."""
    import pandas as pd

    rows = []
    for history in (room.projector, *room.monitors):
        row = {
            "display": history.name,
            "sessions": len(history.visits),
            "since the last change": len(history.present),
        }
        trends = trends_of(history)
        for name, figure in FIGURES.items():
            rate = trends[name].a_year(name) if name in trends else None
            title = f"{figure.words}, {figure.rate_unit} a year" if figure.rate_unit else f"{figure.words}, a year"
            row[title] = "–" if rate is None else f"{rate[0]:+.2g} ± {rate[1]:.1g}"
        rows.append(row)
    return pd.DataFrame(rows).set_index("display")


def history_words(room: RoomHistory) -> str:
    """Return a line a display: its sessions, what changed, jumps that no change explains, when it leaves."""
    lines = [_line(room.projector.name, _told(room, -1))]
    lines += [_line(history.name, _told(room, place)) for place, history in enumerate(room.monitors)]
    return "\n".join(lines)


def _line(name: str, told: list[str]) -> str:
    return f"{name}: {'; '.join(told)}."


def _told(room: RoomHistory, place: int) -> list[str]:
    history = room.projector if place < 0 else room.monitors[place]
    visits = history.visits
    if not visits:
        return ["not measured"]
    count = "1 session" if len(visits) == 1 else f"{len(visits)} sessions"
    told = [f"{count}, the newest of {visits[-1].day}"]
    told += [
        f"{kind} before {visits[at].day}" if at < len(visits) else f"{kind} since" for at, kind in history.changes
    ]
    told += [
        f"{FIGURES[name].words} jumped before {visits[at].day}, and no change is known"
        for name, found in trends_of(history).items()
        for at in found.jumps
    ]
    if place >= 0:
        return [*told, f"leaves its limits: {outlook_words(room.outlooks[place])}"]
    enough = len(history.present) >= FEWEST
    return told if enough else [*told, "not enough sessions for a drift"]
