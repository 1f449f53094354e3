"""Tables and words of a lamp change to look at in a notebook."""

from typing import TYPE_CHECKING

from matchlib.matching.lamp import LampChange, narrowest
from matchlib.reporting import lamp_words, words

if TYPE_CHECKING:
    import pandas as pd


def moved_table(change: LampChange) -> "pd.DataFrame":
    """Return what moved: old lamp, new lamp, change, U, real or noise; of each entry of the machine."""
    import pandas as pd

    rows = [[screen.entry, *lamp_words.moved_row(moved)] for screen in change.screens for moved in screen.moved]
    return pd.DataFrame(rows, columns=["screen", "figure", "old lamp", "new lamp", "change", "U", "real or noise"])


def visits_table(change: LampChange) -> "pd.DataFrame":
    """Return who has to be visited, in order: why, mean CIEDE2000, what to set, and what of the target changes."""
    import pandas as pd

    rows = []
    for room, monitor in change.visits():
        target = monitor.target
        scores = (monitor.before.difference, monitor.after.difference, target.expected if target else None)
        means = [None if score is None else score.mean for score in scores]
        name, steps = words.name_of(monitor.after), ", ".join(lamp_words.change_lines(monitor))
        rows.append([room.after.room, name, lamp_words.why(monitor), *means, lamp_words.set_words(target), steps])
    columns = ["room", "monitor", "why", "before", "now", "once set", "set it to", "change of target"]
    return pd.DataFrame(rows, columns=columns).round(2)


def drift_text(change: LampChange) -> str:
    """Return how long the new light lasts, in words."""
    return "\n".join(lamp_words.drift_words(change.drift, narrowest(change.plan)))
