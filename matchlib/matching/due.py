"""Which monitors are due for a visit, why, and how much each needs one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

from matchlib.facility.rooms import Monitor, Tolerances
from matchlib.matching.ageing import day_after
from matchlib.matching.history import DisplayHistory, Outlook
from matchlib.matching.reference import Reference
from matchlib.matching.result import MonitorMatch
from matchlib.perception.difference import CIEDE2000, ciede2000, score, uv
from matchlib.readings.checks.finding import WARN
from matchlib.readings.lamps import is_another

OUT, DOUBT, MOVED, NEW, SOON, OLD = (
    "out of tolerance",
    "readings not believed",
    "target changed",
    "never measured",
    "expected to leave",
    "overdue",
)
# What a reason weighs in a monitor's need. Common practice in its order, no source: what is wrong now comes before
# what may be, and what may be before what is merely old
WEIGHTS = {OUT: 100.0, DOUBT: 90.0, MOVED: 80.0, NEW: 70.0, SOON: 60.0, OLD: 30.0}
FURTHER = 0.1  # of the weights of a monitor's other reasons that adds to the largest
DAY_HOURS = 24.0  # nothing is used longer than that a day: hours that say so are a slip
LIKELY = 0.5  # probability from which on leaving the limits is expected


@dataclass(frozen=True, slots=True)
class Rules:
    """What makes a visit due.

    Attributes:
        next_days: Until the next round; a quarter (common practice, no source).
        overdue_days: Since the last session or adjustment (common practice, no source).
        overdue_hours: Of use since then (common practice, no source).
    """

    next_days: int = 90
    overdue_days: int = 180
    overdue_hours: float = 1000.0


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a monitor is due: its kind, in words with the numbers, and its weight."""

    kind: str
    words: str
    weight: float


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """All that is known of a monitor on the day of the round.

    Attributes:
        match: Its result; None where its room cannot be judged.
        outlook: When it leaves its limits; None where it was not measured or its room cannot be judged.
        refused: Why its newest session is refused, in words; empty where it is not.
        moved: How its target changed since it was last seen, in words.
        hours_since: Of use since it was last seen; None where that is not known.
    """

    row: Monitor
    on: date
    rules: Rules
    history: DisplayHistory
    match: MonitorMatch | None = None
    outlook: Outlook | None = None
    refused: str = ""
    moved: tuple[str, ...] = ()

    @property
    def seen(self) -> date | None:
        """Day of the last session or adjustment; None where neither is known."""
        days = [self.history.visits[-1].day] if self.history.visits else []
        days += [date.fromisoformat(self.row.adjusted)] if self.row.adjusted else []
        return max((day for day in days if day <= self.on), default=None)


def reasons_of(standing: Standing) -> tuple[Reason, ...]:
    """Return why a monitor is due, the weightiest first; empty where nothing asks for a visit."""
    found = [reason for look in _LOOKS if (reason := look(standing)) is not None]
    return tuple(sorted(found, key=lambda reason: -reason.weight))


def need_of(reasons: Sequence[Reason]) -> float:
    """Return how much a visit is needed: the largest weight, and a tenth of each other."""
    weights = sorted((reason.weight for reason in reasons), reverse=True)
    return weights[0] + FURTHER * sum(weights[1:]) if weights else 0.0


def screen_moved(then: Reference, now: Reference, tolerances: Tolerances) -> tuple[str, ...]:
    """Return how far what a room asks for moved between two sessions of its projector, where beyond a tolerance.

    The target follows what is asked for, so that it changed by as much wherever the panel reaches it.
    """
    aim, was = now.wanted, then.wanted
    mean = score(CIEDE2000, ciede2000(aim.xyz, was.xyz, aim.white), now.patches.labels).mean
    changes = {
        "mean_difference": (mean, f"{mean:.1f} CIEDE2000 in the mean"),
        "white": (distance := float(np.hypot(*(uv(aim.white) - uv(was.white)))), f"white by {distance:.4f} u′v′"),
        "luminance": (share := float(aim.white[1] / was.white[1] - 1), f"peak by {100 * share:+.0f} %"),
        "gamma": (step := now.response.gamma - then.response.gamma, f"gamma by {step:+.2f}"),
    }
    return tuple(words for name, (value, words) in changes.items() if abs(value) > getattr(tolerances, name))


def hours_since(history: DisplayHistory, row: Monitor, seen: date | None, on: date) -> float | None:
    """Return the hours of use since a monitor was last seen; None where hours do not tell.

    Hours of its sessions since its panel was changed, and of the inventory, make the hours a day.
    """
    first = max((place for place, kind in history.changes if kind == "panel"), default=0)
    known = {visit.day: visit.hours for visit in history.visits[first:] if visit.hours is not None}
    if row.hours is not None and row.hours_date and (day := date.fromisoformat(row.hours_date)) <= on:
        known.setdefault(day, row.hours)
    points = sorted(known.items())
    if seen is None or len(points) < 2:
        return None
    (start, low), (end, high) = points[0], points[-1]
    if high < low or any(later[1] < former[1] for former, later in pairwise(points)):
        return None
    rate = (high - low) / (end - start).days
    if rate > DAY_HOURS:
        return None
    days = [day.toordinal() for day, _ in points]
    at = float(np.interp(seen.toordinal(), days, [hours for _, hours in points]))
    at += rate * (max((seen - end).days, 0) - max((start - seen).days, 0))
    return float(max(high + rate * max((on - end).days, 0) - at, 0.0))


def _out(standing: Standing) -> Reason | None:
    match = standing.match
    if match is None or match.verdict.result != "no match":
        return None
    failed = [check for check in match.verdict.checks if check.result == "fail" and check.value is not None]
    worst = max(((check.value or 0.0) / check.limit for check in failed if check.limit > 0), default=1.0)
    words = ", ".join(_SAID[check.name].format(check.value, check.limit) for check in failed)
    return Reason(OUT, f"out of tolerance: {words}", WEIGHTS[OUT] + 10 * min(worst - 1, 5.0))


def _doubt(standing: Standing) -> Reason | None:
    if standing.refused:
        return Reason(DOUBT, f"readings not believed: {standing.refused}", WEIGHTS[DOUBT])
    if gone := _panel_gone(standing):
        return Reason(DOUBT, f"readings not believed: {gone}", WEIGHTS[DOUBT])
    warned = [found for found in standing.match.findings if found.severity == WARN] if standing.match else []
    if not warned:
        return None
    told = "; ".join(f"{found.check}: {found.evidence}" for found in warned)
    return Reason(DOUBT, f"readings not believed: {told}", WEIGHTS[DOUBT])


def _panel_gone(standing: Standing) -> str:
    """Return in words that the newest session is of a panel that was replaced; empty where hours do not tell so."""
    row, visits = standing.row, standing.history.visits
    if row.hours is None or not row.hours_date or not visits or visits[-1].hours is None:
        return ""
    day = date.fromisoformat(row.hours_date)
    if not visits[-1].day < day <= standing.on or not is_another(visits[-1].hours, row.hours):
        return ""
    return (
        f"monitors.csv has {row.hours:g} h on {day}, less than the {visits[-1].hours:g} h of the session before it: "
        "that was another panel"
    )


def _moved(standing: Standing) -> Reason | None:
    if not standing.moved:
        return None
    return Reason(MOVED, f"target changed, for the screen moved: {', '.join(standing.moved)}", WEIGHTS[MOVED])


def _new(standing: Standing) -> Reason | None:
    if standing.history.visits or standing.refused:
        return None
    return Reason(NEW, "never measured: no complete calibrated session", WEIGHTS[NEW])


def _soon(standing: Standing) -> Reason | None:
    outlook = standing.outlook
    if outlook is None or outlook.first is None or (standing.match and standing.match.verdict.result == "no match"):
        return None
    horizon = day_after(standing.on, standing.rules.next_days) or standing.on
    probability = outlook.within((horizon - outlook.start).days)
    if probability < LIKELY:
        return None
    words = f"expected to leave its limit before {horizon}: {outlook_words(outlook)}"
    return Reason(SOON, words, WEIGHTS[SOON] * probability)


def _old(standing: Standing) -> Reason | None:
    seen, rules = standing.seen, standing.rules
    if seen is None:
        return None
    days = (standing.on - seen).days
    hours = hours_since(standing.history, standing.row, seen, standing.on)
    told, times = [], 0.0
    if days > rules.overdue_days:
        told.append(f"{days} days (allowed {rules.overdue_days})")
        times = days / rules.overdue_days
    if hours is not None and hours > rules.overdue_hours:
        told.append(f"about {hours:.0f} hours of use (allowed {rules.overdue_hours:g})")
        times = max(times, hours / rules.overdue_hours)
    if not told:
        return None
    return Reason(
        OLD, f"overdue: last measured or adjusted on {seen}, {' and '.join(told)}", WEIGHTS[OLD] * min(times, 2.0)
    )


_LOOKS: tuple[Callable[[Standing], Reason | None], ...] = (_out, _doubt, _moved, _new, _soon, _old)
_SAID = {
    "mean_difference": "mean difference {:.1f} (limit {:g})",
    "p95_difference": "95 % of colours within {:.1f} (limit {:g})",
    "white": "white off by {:.4f} u′v′ (limit {:g})",
    "luminance": "peak off by {:.0%} (limit {:.0%})",
    "gamma": "gamma off by {:.2f} (limit {:g})",
}
_NAMES = {
    "mean_difference": "mean difference",
    "p95_difference": "95 % of colours within",
    "white": "white",
    "luminance": "peak",
    "gamma": "gamma",
}


def outlook_words(outlook: Outlook | None) -> str:
    """Return in words which limit is left first, when, and how sure that is."""
    if outlook is None or not outlook.leaving:
        return "not enough sessions to tell"
    if outlook.first is None:
        return "no limit within three years"
    leaving = outlook.leaving[outlook.first]
    expected, early, late = (
        day_after(outlook.start, days) for days in (leaving.expected, leaving.earliest, leaving.latest)
    )
    if leaving.latest == 0:
        return f"{_NAMES[outlook.first]} was out already on {outlook.start}"
    if leaving.expected == 0:
        return f"{_NAMES[outlook.first]} was probably out already on {outlook.start} (95 %: {_by(late)})"
    end = f"and {late}" if late is not None else "and no day that can be told"
    return f"{_NAMES[outlook.first]} about {expected} (95 %: between {early} {end})"


def _by(late: date | None) -> str:
    return "by no day that can be told" if late is None else f"by {late}"
