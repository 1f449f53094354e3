"""A lamp change in plain English."""

import math
from collections.abc import Mapping
from datetime import tzinfo

from matchlib.matching.lamp import ALREADY_OUT, GROUPS, IN_DOUBT, NEWLY_OUT, UNREAD, LampChange, LampMonitor, LampRoom
from matchlib.matching.lamp_drift import FEWEST, Course, Drift, Limits
from matchlib.matching.lamp_moved import COLOURS, Moved, ScreenChange
from matchlib.matching.result import Target
from matchlib.readings.session import Session
from matchlib.reporting import words
from matchlib.reporting.dates import day_words
from matchlib.reporting.sheet import note as sheet_note

_NAMES = {"luminance": "luminance", "gamma": "gamma", "tone": "tone of the greys", "contrast": "contrast"}
_NAMES |= {"white": "white"} | {name: f"full {name}" for name in COLOURS[1:]}
_FIRST = "measure it first, set nothing before"
REAL, NOISE = "real", "within the readings' uncertainty"
_PLACES = {"luminance": 1, "white": 4, "gamma": 2, "red": 4, "green": 4, "blue": 4}  # that menus take


def headline(change: LampChange) -> str:
    """Return the answer: ``The new lamp puts 1 of 6 monitors out``, and what it leaves open."""
    monitors = [monitor for room in change.rooms for monitor in room.monitors]
    return "; ".join([_answer(change, monitors), *_open(change, monitors)])


def _answer(change: LampChange, monitors: list[LampMonitor]) -> str:
    out = [monitor for monitor in monitors if monitor.group == NEWLY_OUT]
    judged = [monitor for monitor in monitors if monitor.group != UNREAD]
    if not judged:
        return "No monitor can be judged" if monitors or unjudged(change) else "The new lamp serves no monitor"
    if out:
        return f"The new lamp puts {len(out)} of {_count(len(monitors), 'monitor')} out"
    if not any(moved.real for moved in change.screens[0].moved):
        return "Nothing moved that the readings can tell"
    return "The new lamp puts no monitor out"


def _open(change: LampChange, monitors: list[LampMonitor]) -> list[str]:
    """Return what an answer leaves open: rooms not judged, monitors not measured, not believed, not decided."""
    rooms, unread = unjudged(change), sum(monitor.group == UNREAD for monitor in monitors)
    doubted = sum(bool(monitor.doubts) for monitor in monitors)
    unsure = sum(monitor.group == IN_DOUBT and not monitor.doubts for monitor in monitors)
    counted = ((unread, "not measured"), (doubted, "not believed"), (unsure, "not decided"))
    found = [f"{words.join(rooms)} not judged"] if 0 < len(rooms) < 3 else []
    found += [f"{len(rooms)} rooms not judged"] if len(rooms) >= 3 else []
    return found + [f"{number} {what}" for number, what in counted if number]


def unjudged(change: LampChange) -> list[str]:
    """Return the rooms that the machine serves and that could not be judged."""
    return [room for room in change.plan.facility.rooms if room in change.plan.faults]


def nobody(change: LampChange) -> str:
    """Return what is said where nobody has to be visited."""
    monitors = [monitor for room in change.rooms for monitor in room.monitors]
    known = monitors and not unjudged(change) and all(monitor.group != UNREAD for monitor in monitors)
    return "Nobody has to be visited" if known else "Of what could be judged, nobody has to be visited"


def lead(change: LampChange) -> str:
    """Return what happened to the screen, in two or three sentences."""
    screen = change.screens[0]
    one, other = screen.before, screen.after
    text = (
        f"{screen.entry} was read on {_day(change, 0)}{_hours(one)} and, after the lamp change, on "
        f"{_day(change, 1)}{_hours(other)}. {light_words(screen)} {white_words(screen)}"
    )
    others = [moved for moved in screen.moved if moved.name not in ("luminance", "white")]
    still, more = ([_NAMES[moved.name] for moved in others if moved.real is real] for real in (False, True))
    if more:
        text += f" Also moved: {words.join(more)}."
    if still:
        text += f" No change that the readings can tell: {words.join(still)}."
    return text


def light_words(screen: ScreenChange) -> str:
    """Return how the luminance changed."""
    before, after = (figures.luminance for figures in screen.figures)
    moved = screen.of("luminance")
    if moved is None or not moved.real:
        sure = "" if moved is None else f", within the readings' ± {100 * moved.uncertainty:.1f} %"
        return f"It gives {after:.1f} cd/m² after {before:.1f}{sure}."
    more = "more" if moved.change > 0 else "less"
    return (
        f"It gives {100 * abs(moved.change):.0f} % {more} light: {after:.1f} cd/m² instead of {before:.1f} "
        f"(± {100 * moved.uncertainty:.1f} %)."
    )


def white_words(screen: ScreenChange) -> str:
    """Return how the white moved."""
    moved = screen.of("white")
    before, after = (figures.white_xy for figures in screen.figures)
    if moved is None or not moved.real:
        return "Its white did not move by more than the readings can tell."
    return (
        f"Its white moved towards {words.tint(after, before)}, from x {before[0]:.4f}, y {before[1]:.4f} to "
        f"x {after[0]:.4f}, y {after[1]:.4f} ({moved.change:.4f} u′v′; the readings alone may make "
        f"{moved.uncertainty:.4f})."
    )


def _day(change: LampChange, side: int) -> str:
    return day_words(change.plan.changed[side].isoformat())


def _hours(session: Session) -> str:
    return "" if session.header.hours is None else f" at {session.header.hours:,.0f} lamp hours"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def moved_row(moved: Moved) -> list[str]:
    """Return a figure's cells: what, before, after, change, U, real or noise."""
    places = {"luminance": 2, "gamma": 3, "contrast": 0}.get(moved.name, 4)
    ends = [
        "–" if values is None else "\u00a0".join(f"{value:.{places}f}" for value in values)
        for values in (moved.before, moved.after)
    ]
    if moved.unit == "relative":
        change = [f"{100 * moved.change:+.1f} %".replace("-", "\u2212"), f"{100 * moved.uncertainty:.1f} %"]
    else:
        unit = f" {moved.unit}" if moved.unit else ""
        exact = {"Δu′v′": 4, "": 3}.get(moved.unit, 2)
        sign = "+" if moved.name == "gamma" else ""
        change = [
            f"{moved.change:{sign}.{exact}f}{unit}".replace("-", "\u2212"),
            f"{moved.uncertainty:.{exact}f}{unit}",
        ]
    return [_NAMES[moved.name], *ends, *change, REAL if moved.real else NOISE]


def menu(target: Target) -> dict[str, tuple[float, ...] | None]:
    """Return a target's figures as menus take them."""
    found: dict[str, tuple[float, ...] | None] = {}
    for name, places in _PLACES.items():
        value = getattr(target, f"{name}_xy" if name in COLOURS else name)
        values = value if isinstance(value, tuple) else (value,)
        found[name] = None if value is None else tuple(round(part, places) for part in values)
    return found


def in_order(figures: Mapping[str, tuple[float, ...] | None]) -> list[tuple[str, tuple[float, ...] | None]]:
    """Return figures of :func:`menu` or :func:`to_change` in the order of a sheet, None where there is none."""
    return [(name, figures.get(name)) for name in _PLACES]


def places_of(name: str) -> int:
    """Return to how many places menus take a figure."""
    return _PLACES[name]


def to_change(before: Target, after: Target) -> dict[str, tuple[float, ...]]:
    """Return what of a target changes, as menus take it: the new figures less the old, each rounded."""
    old, new = menu(before), menu(after)
    found = {}
    for name, places in _PLACES.items():
        one, other = old[name], new[name]
        if one is not None and other is not None:
            step = tuple(round(b - a, places) + 0.0 for a, b in zip(one, other, strict=True))
            if any(step):
                found[name] = step
    return found


def change_lines(monitor: LampMonitor) -> list[str]:
    """Return what changes in a monitor's target, a line a figure: ``+8.5 cd/m²``, ``W −0.0003 +0.0030``."""
    before, after = monitor.before.set_to, monitor.target
    if before is None or after is None:
        return ["–"]
    steps, told = to_change(before, after), []
    for name in ("luminance", "gamma", *COLOURS):
        if name in steps:
            shown = " ".join(f"{value:+.{_PLACES[name]}f}".replace("-", "\u2212") for value in steps[name])
            others = {"luminance": f"{shown} cd/m²", "gamma": f"gamma {shown}"}
            told.append(others.get(name, f"{name[0].upper()} {shown}"))
    return told or ["nothing"]


def set_words(target: Target | None) -> str:
    """Return the figures that are set first: peak, gamma, white."""
    if target is None:
        return "–"
    gamma = "" if target.gamma is None else f"gamma {target.gamma:.2f}, "
    x, y = target.white_xy
    return f"peak {target.luminance:.1f} cd/m², {gamma}white x\u00a0{x:.4f} y\u00a0{y:.4f}"


def why(monitor: LampMonitor) -> str:
    """Return why a monitor is visited, or not: its group, and what is wrong with it now."""
    if monitor.doubts:
        return f"readings not believed: {'; '.join(found.evidence for found in monitor.doubts)}"
    wrong = words.faults(monitor.after)
    if monitor.after.verdict.result == "undecided" and (unsure := words.undecided_checks(monitor.after)):
        wrong = [f"too near its limit: {unsure[0]}"]
    return monitor.group + (f": {words.join(wrong)}" if wrong else "")


def action(monitor: LampMonitor) -> str:
    """Return what happens with a monitor."""
    if monitor.doubts:
        return f"{_FIRST}: {'; '.join(found.evidence for found in monitor.doubts)}"
    return words.next_step(monitor.after, "to the new target")


def note(monitor: LampMonitor) -> str:
    """Return what a technician must know beside the numbers."""
    return _FIRST if monitor.doubts else sheet_note(monitor.after, page=False)


def put_out(room: LampRoom) -> str:
    """Return the monitors that a room lost by the change."""
    lost = [words.name_of(monitor.after) for monitor in room.monitors if monitor.group == NEWLY_OUT]
    return words.join(lost) or "none"


def room_line(room: LampRoom) -> str:
    """Return the one line of a room on the command line."""
    pairs = [(monitor.before.verdict.result, monitor.after.verdict.result) for monitor in room.monitors]
    then, now = (sum(1 for pair in pairs if pair[side] == "match") for side in (0, 1))
    parts = [f"{then} of {len(pairs)} matched, {now} {'matches' if now == 1 else 'match'} now"]
    for group in GROUPS:
        inside = [monitor for monitor in room.monitors if monitor.group == group]
        if inside:
            parts.append(f"{group}: {', '.join(_brief(monitor) for monitor in inside)}")
    return " · ".join(parts)


def _brief(monitor: LampMonitor) -> str:
    before, after = monitor.before.difference, monitor.after.difference
    name = words.name_of(monitor.after)
    return name if before is None or after is None else f"{name} ({before.mean:.1f} → {after.mean:.1f})"


def screen_line(change: LampChange) -> str:
    """Return the one line of the screen on the command line."""
    screen = change.screens[0]
    told = []
    for name in ("luminance", "white"):
        moved = screen.of(name)
        if moved is not None:
            told.append(f"{name} {moved_row(moved)[3]}" + ("" if moved.real else f" ({NOISE})"))
    return ", ".join(told)


def drift_words(drift: Drift, limits: Limits) -> list[str]:
    """Return how long the new light lasts, and its white."""
    if drift.fade is None or drift.uncertainty is None:
        return [f"How long the new light lasts is not known: {drift.missing}."]
    lamps = "earlier lamp" if drift.lamps == 1 else f"{drift.lamps} earlier lamps"
    text = (
        f"The {lamps} {_fade(drift.fade)} ± {100 * drift.uncertainty:.1f} % of luminance in 1,000 h "
        f"({drift.sessions} sessions{_lamps_differ(drift)})"
    )
    return [f"{text}{_fade_words(drift, limits.luminance)}", *_white_drift_words(drift, lamps, limits.white)]


def _fade(fade: float) -> str:
    """Return a fade in words; what rounds to nothing has no sign."""
    size = f"{100 * abs(fade):.1f} %"
    return f"gained {size}" if fade < 0 and size != "0.0 %" else f"lost {size}"


def _lamps_differ(drift: Drift) -> str:
    if drift.lamps >= FEWEST:
        return ", differences from lamp to lamp included"
    return f"; how lamps differ is not known from {drift.lamps}, and a new one may do otherwise"


def _fade_words(drift: Drift, limit: float | None) -> str:
    if drift.missing:
        return f": {drift.missing}, so no time can be told."
    parts = []
    if drift.to_limit is not None and limit is not None:
        parts.append(f"by {100 * limit:g} %, the narrowest limit of luminance here, {_course_words(drift.to_limit)}")
    if drift.to_before is not None:
        parts.append(f"to where it was before the change {_course_words(drift.to_before)}")
    return f". If the new one fades alike, its light will have fallen {'; '.join(parts)}." if parts else "."


def _white_drift_words(drift: Drift, lamps: str, limit: float | None) -> list[str]:
    if drift.white is None or drift.white_scatter is None:
        return []
    of = f"The white of the {lamps}"
    if not drift.white_moves:
        return [f"{of} did not drift by more than the readings scatter."]
    size = math.hypot(*drift.white)
    text = (
        f"{of} drifted towards {words.hue(*drift.white)}, by {size:.4f} u′v′ in 1,000 h (scatter alone may make "
        f"{drift.white_scatter:.4f})"
    )
    if drift.white_to_limit is None:
        return [f"{text}."]
    return [
        f"{text}. If the new one goes that way, its white will have moved by {limit:g}, the narrowest limit of white "
        f"here, {_course_words(drift.white_to_limit)}."
    ]


def _course_words(course: Course) -> str:
    end = "never" if course.latest is None else f"{course.latest:,.0f} h"
    days = "" if course.days is None else f", some {course.days:.0f} days at the pace until now"
    return f"after another {course.hours:,.0f} h (between {course.soonest:,.0f} h and {end}{days})"


def staying(change: LampChange) -> list[str]:
    """Return what may stay as it is, a line a group, and why where it does not match."""
    monitors = [m for room in change.rooms for m in room.monitors if not m.visit]
    lines = []
    for group in GROUPS:
        inside = [monitor for monitor in monitors if monitor.group == group]
        if not inside or group == UNREAD:
            continue
        if group in (*GROUPS[:2], ALREADY_OUT):
            lines += [f"{words.name_of(m.after)}, {group}: {action(m)}" for m in inside]
        else:
            lines.append(f"{group}: {', '.join(_brief(monitor) for monitor in inside)}")
    return lines


def read_words(screen: ScreenChange, zone: tzinfo) -> str:
    """Return who read the screen, when in the facility's time zone, with what."""
    ends = [
        f"{session.header.measured.astimezone(zone):%Y-%m-%d %H:%M}{_hours(session)} with "
        f"{session.header.instrument} ({session.file})"
        for session in (screen.before, screen.after)
    ]
    return f"Before: {ends[0]}. After: {ends[1]}."
