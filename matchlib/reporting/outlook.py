"""What more could be had, and what was promised before, in words: levels of adjustment, visits, primaries kept."""

import math

from matchlib.matching.result import MonitorMatch
from matchlib.matching.settings import WORTH_SETTING
from matchlib.perception.difference import Score
from matchlib.reporting.dates import day_words

WORTH_A_BOX = 0.5  # CIEDE2000, mean: what gains less is not told on page one. No source
LEVEL_WORDS = {
    "now": "As it is",
    "settings": "Its own menu",
    "curves": "A box with curves",
    "table": "A box with a 3D table",
}


def is_set(monitor: MonitorMatch) -> bool:
    """Return whether the sheet says to set a monitor, now or in place of another reading."""
    return monitor.adjust and monitor.verdict.result != "match"


def left_over(monitor: MonitorMatch) -> Score | None:
    """Return what is left once the sheet is carried out: a monitor that is left alone stays as it is."""
    return monitor.set_to.expected if is_set(monitor) and monitor.set_to is not None else monitor.difference


def box_worth_having(monitor: MonitorMatch) -> str:
    """Return the simplest box that leaves clearly less than the sheet, in words; empty where none does.

    Clearly: by more than 0.5 and by more than the uncertainty (k = 2) of that gain, the two differences taken as
    independent, which overstates it where they share errors. ``a box with a 3D table would leave 0.9 instead of 2.5``
    """
    left = left_over(monitor)
    if left is None or monitor.verdict.result == "match":
        return ""
    curves, table = monitor.levels.get("curves"), monitor.levels.get("table")
    if curves is not None and _clearly_less(curves, left):
        best = table is not None and _clearly_less(table, curves)
        return _instead("table" if best else "curves", table if best and table else curves, left)
    if table is not None and _clearly_less(table, left):
        return _instead("table", table, left)
    return ""


def boxes_words(monitor: MonitorMatch) -> str:
    """Return what boxes in front of the panel would leave instead of what the sheet leaves, clearly less or not."""
    left = left_over(monitor)
    curves, table = monitor.levels.get("curves"), monitor.levels.get("table")
    if left is None or curves is None or table is None:
        return ""
    if left.mean - table.mean < WORTH_SETTING:
        return f"No box would leave noticeably less than the {left.mean:.1f} that the sheet leaves."
    return (
        f"A box with curves between signal and panel would leave {_tenths(curves)}, one with a 3D table "
        f"{_tenths(table)}, instead of the {left.mean:.1f} that the sheet leaves."
    )


def _clearly_less(level: Score, left: Score) -> bool:
    gain = left.mean - level.mean
    return gain > max(WORTH_A_BOX, 2 * math.hypot(level.u_mean or 0.0, left.u_mean or 0.0))


def _instead(level: str, found: Score, left: Score) -> str:
    box = LEVEL_WORDS[level]
    return f"{box[0].lower()}{box[1:]} would leave {_tenths(found)} instead of {left.mean:.1f}"


def _tenths(score: Score) -> str:
    """Return a mean with one place; a level is computed patch by patch, and no box leaves nothing."""
    return f"{score.mean:.1f}" if score.mean >= 0.05 else "less than 0.1"


def previous_words(monitor: MonitorMatch) -> str:
    """Return what the visit before promised and what came of it; empty where there was none, or nothing to gain.

    The words do not say who left a monitor alone, or why: it may have been good enough.
    """
    before, now = monitor.previous, monitor.difference
    if before is None or now is None or before.was.mean - before.expected.mean < WORTH_SETTING:
        return ""
    was, promised, reached = before.was.mean, before.expected.mean, now.mean
    day = f"the visit before ({day_words(before.measured)})"
    if before.followed:
        return f"{day} promised {promised:.1f}, {reached:.1f} was reached; before it was {was:.1f}"
    return (
        f"{day} found {was:.1f} and proposed settings for {promised:.1f}; it is {reached:.1f} now: "
        "it was not set so, or has moved back"
    )


def keeping_words(monitor: MonitorMatch) -> str:
    """Return what keeping the projector's primaries costs a display without limits; empty outside ``appearance``."""
    kept, ideal = monitor.ideal_keeping, monitor.ideal
    if kept is None or ideal is None:
        return ""
    cost = kept.expected.mean - ideal.expected.mean
    return (
        f"An unlimited display would leave {ideal.expected.mean:.2f} with the best primaries and "
        f"{kept.expected.mean:.2f} with the projector's: keeping them costs {max(cost, 0.0):.2f}."
    )


def rounding_words(losses: list[float]) -> str:
    """Return what rounding costs at most; empty where nothing is set."""
    if not losses:
        return ""
    most = max(losses)
    if most < 0.005:
        return "Rounding adds less than 0.01 to any monitor's mean difference."
    return f"Rounding costs at most {most:.2f} of mean difference."
