"""The round of a day, told: a table for a spreadsheet, and pages to print and to tick off."""

import csv
from dataclasses import replace
from io import StringIO
from typing import Any

from matchlib import __version__
from matchlib.facility.rooms import ADJUSTABLE
from matchlib.matching.ageing import day_after
from matchlib.matching.due import DOUBT, FURTHER, LIKELY, SOON, WEIGHTS, outlook_words
from matchlib.matching.result import Target
from matchlib.matching.visiting import MOST_REPEATS, PLACE, SECONDS, SETTING, WALK, WARM_UP
from matchlib.matching.worklist import Call, RoomCalls, Worklist
from matchlib.reporting import words
from matchlib.reporting.cautions import CAUTIONS
from matchlib.reporting.pdf import Setting, set_pdf
from matchlib.reporting.sheet import safe

COLUMNS = (
    *("order", "room", "monitor", "preset", "location", "panel", "need", "reasons", "action"),
    *("luminance", "white_x", "white_y", "gamma", "red_x", "red_y", "green_x", "green_y", "blue_x", "blue_y"),
    *("now_mean", "expected_mean", "expected_result", "instrument", "light", "warm_up_minutes", "readings"),
    *("repeats", "minutes", "leaves_first", "leaves_expected", "leaves_earliest", "leaves_latest", "note"),
)
_TOLD = 4  # dark patches named
_SETTINGS = 10  # columns of settings


def worklist_csv(worklist: Worklist) -> str:
    """Return the round as RFC 4180 CSV with LF, a row a monitor; no text is run as a formula by a spreadsheet."""
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for order, (room, call) in enumerate(_in_order(worklist), start=1):
        writer.writerow(_row(order, room, call))
    return stream.getvalue()


def _in_order(worklist: Worklist) -> list[tuple[RoomCalls, Call]]:
    return [(room, call) for room in worklist.rooms for call in room.calls]


def _row(order: int, room: RoomCalls, call: Call) -> list[str]:
    row, reasons = call.standing.row, "; ".join(reason.words for reason in call.reasons)
    begin = [row.id, row.preset, row.location, row.panel]
    tool = "" if call.tool.instrument is None else call.tool.instrument.id
    now, after = _scores(call)
    return [
        str(order),
        *map(safe, [room.room.id, *begin]),
        f"{call.need:.0f}",
        *map(safe, [reasons, action(call)]),
        *_settings(call.target),
        *(now, after, expected(call)),
        *map(safe, [tool, call.light]),
        str(WARM_UP),
        "" if call.readings is None else str(call.readings.number),
        safe(repeats(call)),
        str(call.minutes),
        *_leaves(call),
        safe(note(call)),
    ]


def _settings(target: Target | None) -> list[str]:
    """Return peak, white, gamma and primaries, rounded to what menus take; empty cells without a target."""
    if target is None:
        return [""] * _SETTINGS
    primaries = [value for pair in (target.red_xy, target.green_xy, target.blue_xy) for value in pair]
    gamma = "" if target.gamma is None else f"{target.gamma:.2f}"
    white = [f"{value:.4f}" for value in target.white_xy]
    return [f"{target.luminance:.1f}", *white, gamma, *(f"{value:.4f}" for value in primaries)]


def _scores(call: Call) -> tuple[str, str]:
    """Return the mean difference now, and after the visit."""
    match, target = call.standing.match, call.target
    if match is None or match.difference is None or target is None:
        return "", ""
    now = match.difference.mean
    return f"{now:.2f}", f"{target.expected.mean if call.sets else now:.2f}"


def _leaves(call: Call) -> list[str]:
    """Return the limit that is left first, and its days."""
    outlook = call.standing.outlook
    if outlook is None or outlook.first is None:
        return [""] * 4
    leaving = outlook.leaving[outlook.first]
    days = (day_after(outlook.start, day) for day in (leaving.expected, leaving.earliest, leaving.latest))
    return [outlook.first, *("" if day is None else day.isoformat() for day in days)]


def action(call: Call) -> str:
    """Return what is done at a monitor."""
    match = call.standing.match
    if any(reason.kind == DOUBT for reason in call.reasons):
        return "measure again; set nothing before"
    if match is None or match.difference is None or call.target is None:
        return "measure"
    if call.sets:
        return "set, then measure"
    if match.verdict.result == "no match":
        return f"measure; {words.leave_it(match)}"
    return "measure; leave the settings"


def expected(call: Call) -> str:
    """Return what the next report should say of a monitor, once it is set where it is to be."""
    match = call.standing.match
    if match is None or call.target is None or any(reason.kind == DOUBT for reason in call.reasons):
        return "not known before it is measured"
    if not call.sets:
        return {"match": "match", "no match": "no match"}.get(match.verdict.result, "not decided")
    after = replace(match, target=call.target)
    return "match" if words.will_match(after) else f"{call.target.expected.mean:.1f} will remain"


def repeats(call: Call) -> str:
    """Return how often the dark patches are read."""
    if call.readings is None:
        return ""
    told = [f"{patch.name} {patch.needed} times" for patch in call.readings.repeats[:_TOLD]]
    if not told:
        return "once is enough"
    rest = [patch.needed for patch in call.readings.repeats[_TOLD:]]
    times = f"{min(rest)}" if len(set(rest)) == 1 else f"{min(rest)} to {max(rest)}" if rest else ""
    least = f"; {len(rest)} more {times} times" if rest else ""
    short = f" ({MOST_REPEATS} do not make all of them known to 5 %)" if call.readings.short else ""
    return f"{', '.join(told)}{least}{short}"


def note(call: Call) -> str:
    """Return what else a technician must know."""
    match, parts = call.standing.match, []
    if call.tool.fault:
        parts.append(call.tool.fault)
    if call.target is not None and any(reason.kind == DOUBT for reason in call.reasons):
        parts.append("the settings rest on readings that are not believed")
    if match is not None and match.verdict.result == "undecided" and match.deciding:
        parts.append(f"undecided: {match.deciding}")
    if call.sets and call.target is not None:
        parts += _on_setting(call, call.target)
    if call.standing.row.note:
        parts.append(call.standing.row.note)
    return "; ".join(parts)


def _on_setting(call: Call, target: Target) -> list[str]:
    """Return what to know while setting a monitor."""
    row = call.standing.row
    fixed = [word for word in ADJUSTABLE if word not in row.adjusts]
    parts = [f"its menu does not take {words.join(fixed)}: those figures are what it shows now"] if fixed else []
    if row.dims == "backlight":
        parts.append(f"turn the backlight down, black should read {target.black:.3f} cd/m²")
    return parts


def worklist_pdf(worklist: Worklist) -> bytes:
    """Return the round as PDF to print: a part a room, a box to tick a monitor, the rules, the cautions.

    Raises:
        ReportError: The template cannot be set.
    """
    table = worklist_csv(worklist)
    setting = Setting("worklist.typ", "the worklist", worklist.on.isoformat(), worklist.root)
    return set_pdf(setting, page_data(worklist), {"worklist.csv": table.encode()})


def page_data(worklist: Worklist) -> dict[str, Any]:
    """Return what the template says."""
    calls = worklist.calls
    count = f"{len(calls)} of {worklist.monitors} monitors to visit" if calls else "No monitor needs a visit"
    return {
        "title": f"Worklist of {worklist.on}",
        "facility": worklist.facility,
        "version": __version__,
        "day": worklist.on.isoformat(),
        "date": [worklist.on.year, worklist.on.month, worklist.on.day],
        "headline": count,
        "lead": f"about {duration(worklist.minutes)}, walking and warm-up included" if calls else "",
        "rooms": [_room(room) for room in worklist.rooms],
        "undecided": list(worklist.undecided),
        "rules": _rules(worklist),
        "cautions": list(CAUTIONS),
    }


def _room(room: RoomCalls) -> dict[str, Any]:
    return {
        "name": room.room.id,
        "screen": room.room.projector,
        "fault": room.fault,
        "doubts": list(room.doubts),
        "minutes": duration(room.minutes),
        "calls": [_call(call) for call in room.calls],
    }


def _call(call: Call) -> dict[str, Any]:
    row, foretold = call.standing.row, any(reason.kind == SOON for reason in call.reasons)
    now, after = _scores(call)
    cells = _settings(call.target)
    tool = "none" if call.tool.instrument is None else call.tool.instrument.id
    return {
        "name": f"{row.id} · {row.preset}" if row.preset else row.id,
        "location": row.location,
        "panel": row.panel,
        "need": f"{call.need:.0f}",
        "reasons": [reason.words for reason in call.reasons],
        "action": action(call),
        "sets": call.sets,
        "settings": cells if call.target is not None else [],
        "now": now,
        "after": after,
        "expected": expected(call),
        "tool": f"{tool} ({call.tool.why})" if call.tool.why else tool,
        "light": call.light,
        "readings": "" if call.readings is None else str(call.readings.number),
        "repeats": repeats(call),
        "minutes": duration(call.minutes),
        "outlook": "" if foretold else outlook_words(call.standing.outlook),
        "note": note(call),
    }


def _rules(worklist: Worklist) -> list[str]:
    rules = worklist.rules
    weights = ", ".join(f"{kind} {weight:g}" for kind, weight in WEIGHTS.items())
    seconds = "; ".join(f"{kind}: {bright:g} s, dark patches {dark:g} s" for kind, (bright, dark) in SECONDS.items())
    return [
        f"A visit is due where a monitor is out of tolerance; is expected (probability of {100 * LIKELY:.0f} % or "
        f"more) to leave its tolerance before the next round, in {rules.next_days} days; was never measured; was "
        f"last measured or adjusted more than {rules.overdue_days} days or {rules.overdue_hours:g} hours of use "
        "ago; has readings that are not believed; or where its target changed by more than a tolerance, for the "
        "screen moved.",
        f"Need: the largest weight of a monitor's reasons and {100 * FURTHER:.0f} % of each other. Weights: "
        f"{weights}. Out of tolerance adds 10 for each time the limit is exceeded once more, up to 50; expected "
        "is multiplied by its probability, overdue by how many times over it is, up to 2. Rooms stand in the "
        "order of the facility, monitors by need. Common practice, no source.",
        f"Minutes: {WALK} to reach a room, {WARM_UP} to warm up, all monitors of a room side by side (SMPTE "
        f"RP 431-2, section 5: 20 to 30), {PLACE} to place the instrument, {SETTING} to enter settings, and the "
        f"readings ({seconds}). Common practice but for the warm-up, no source.",
        "When a limit is left: a straight line through the sessions since the last adjustment or change of panel, "
        "three at least, by weighted least squares; the screen is taken to stay as it was last measured, and the "
        "rate to stay as it was. The interval holds the day in 95 of 100 cases if so; where ageing slows, the limit "
        "is left later, and where it quickens, earlier.",
    ]


def duration(minutes: int) -> str:
    """Return minutes as hours and minutes.

    >>> duration(95)
    '1 h 35 min'
    """
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def room_line(room: RoomCalls) -> str:
    """Return the one line of a room on the command line."""
    if not room.calls:
        return f"{room.room.id}   nothing can be said: {room.fault}"
    told = ", ".join(f"{call.standing.history.name}: {call.reasons[0].kind}" for call in room.calls)
    visits = "1 visit" if len(room.calls) == 1 else f"{len(room.calls)} visits"
    return f"{room.room.id}   {visits}, {duration(room.minutes)} · {told}"
