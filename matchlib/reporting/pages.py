"""A room's result as the data that the report's template sets: strings only, nothing left to compute."""

from typing import Any

from matchlib.matching.conformity import reached_grade
from matchlib.matching.result import MonitorMatch, ProjectorMatch, RoomMatch
from matchlib.matching.uniformity import CORNERS, LUMINANCE_AT, SIDES
from matchlib.readings.checks.finding import Finding
from matchlib.readings.quality import CHECKS
from matchlib.reporting import words
from matchlib.reporting.cautions import CAUTIONS
from matchlib.reporting.dates import moment_words
from matchlib.reporting.drawing import Drawing
from matchlib.reporting.lead import after_visit, lead
from matchlib.reporting.method import method
from matchlib.reporting.monitor_page import monitor_page
from matchlib.reporting.outlook import is_set, rounding_words
from matchlib.reporting.shared import against_each_other, gamma_or_tone, one_target
from matchlib.reporting.sheet import COLUMNS, light_needed, note, row

_MARKS = {"match": "●", "no match": "○", "undecided": "◐", "not measured": "–"}
_CONFORMS = {"pass": "within", "fail": "outside", "undecided": "undecided"}


def page_data(room: RoomMatch, files: dict[tuple[str, str], tuple[str, Drawing]]) -> dict[str, Any]:
    """Return everything that stands in the report.

    Args:
        room: The result.
        files: File name and drawing by name and subject of the drawing.
    """
    year, month, day = (int(part) for part in room.date.split("-"))
    overview = files.get(("overview", ""))
    measured = [monitor for monitor in room.monitors if monitor.detail is not None]
    data: dict[str, Any] = {
        "title": f"{room.room}: {words.answer(room)}",
        "facility": room.facility,
        "room": room.room,
        "day": room.date,
        "date": [year, month, day],
        "answer": words.answer(room),
        "headline": words.answer(room)[0].upper() + words.answer(room)[1:],
        "lead": lead(room),
        "version": room.matchlib,
        "hash": room.hash,
        "projector": {
            "id": room.projector.id,
            "light": room.projector.row.light if room.projector.row else "",
        },
        "monitors": [_line(number, monitor) for number, monitor in enumerate(room.monitors, start=1)],
        "overview": None if overview is None else {"file": overview[0], "alt": overview[1].alt},
        "after_visit": after_visit(room),
        "page_one_notes": page_one_notes(room),
        "measured": _measured(room),
        "sheet": [_sheet_row(room, monitor) for monitor in room.monitors],
        "rounding": rounding_words([m.rounding_loss for m in room.monitors if m.rounding_loss is not None]),
        "one_target": one_target(room),
        "against_each_other": against_each_other(room),
        "pages": [monitor_page(room, monitor, files) for monitor in measured],
        "conformity": _conformity(room.projector),
        "uneven": _evenness(room.projector),
        "grades": [
            f"{words.name_of(m)} is fed video: by EBU Tech 3320 v3.0 it reaches {reached_grade(m.conformity)}, "
            "as far as readings at the centre tell; each check stands in match.json."
            for m in room.monitors
            if m.conformity
        ],
        "method": method(room),
        "findings": [
            [name, found.file, words.SEVERITIES[found.severity], words.finding(found), found.advice]
            for name, found in findings_of(room)
        ],
        "no_findings": f"Nothing: {len(CHECKS)} checks looked at every session that counts.",
        "inputs": [[file, digest] for file, digest in room.inputs.items()],
        "set_aside": [f"{file}: {reason}" for file, reason in room.set_aside],
        "made_with": "Made with " + ", ".join(f"{name} {version}" for name, version in room.versions.items()) + ".",
        "cautions": list(CAUTIONS),
    }
    return data


def _line(number: int, monitor: MonitorMatch) -> dict[str, Any]:
    looks = "nothing is known"
    if monitor.difference is not None:
        mean = monitor.difference.mean
        looks = f"{words.size_word(mean)} ({mean:.1f}): {words.size_sentence(mean)}"
        wrong = words.faults(monitor)
        if wrong:
            looks += f"; {words.join(wrong)}"
    return {
        "number": number,
        "name": words.name_of(monitor),
        "location": monitor.row.location if monitor.row else "",
        "mark": _MARKS[monitor.verdict.result],
        "result": words.RESULTS[monitor.verdict.result],
        "looks": looks,
        "next": words.next_step(monitor),
    }


def page_one_notes(room: RoomMatch) -> list[str]:
    """Return what a supervisor should keep in mind: warnings, and of the findings those that warn."""
    notes = list(room.warnings)
    notes += [f"{words.name_of(monitor)}: {warning}" for monitor in room.monitors for warning in monitor.warnings]
    notes += [f"{name}: {words.finding(found)}" for name, found in findings_of(room) if found.severity == "warn"]
    return list(dict.fromkeys(notes))


def findings_of(room: RoomMatch) -> list[tuple[str, Finding]]:
    """Return the findings on the room's sessions with the name of each display."""
    found = [(f"screen {room.projector.id}", finding) for finding in room.projector.findings]
    return found + [(words.name_of(monitor), finding) for monitor in room.monitors for finding in monitor.findings]


def _measured(room: RoomMatch) -> list[dict[str, str]]:
    kinds = {name: instrument.kind for name, instrument in (room.instruments or {}).items()}
    rows = [
        (f"screen {room.projector.id}", room.projector.measured, room.projector.instrument),
        *((words.name_of(m), m.measured, m.instrument) for m in room.monitors),
    ]
    return [
        {
            "display": display,
            "when": "not measured" if when is None else moment_words(when),
            "instrument": f"{instrument} ({kinds.get(instrument, '')})" if instrument else "–",
        }
        for display, when, instrument in rows
    ]


def _sheet_row(room: RoomMatch, monitor: MonitorMatch) -> dict[str, str]:
    cells = row(room, monitor)
    numbers = dict(zip(COLUMNS[4:14], cells[4:14], strict=True))
    tool = ", ".join(part for part in (monitor.instrument or "", light_needed(room, monitor)) if part)
    if monitor.difference is None:
        action = "measure first"
    else:
        action = "set" if monitor.adjust and monitor.verdict.result == "no match" else "leave"
        if monitor.verdict.result == "undecided":
            action = "set, or read again" if monitor.adjust else "read again"
    if not numbers["gamma"] and monitor.set_to is not None:
        numbers["gamma"] = gamma_or_tone(monitor.set_to)
    return numbers | {
        "name": words.name_of(monitor),
        "location": monitor.row.location if monitor.row else "",
        "action": action,
        "now": cells[14] or "–",
        "after": cells[15] if is_set(monitor) else "",
        "tool": tool,
        "note": note(monitor),
    }


def _conformity(projector: ProjectorMatch) -> list[list[str]]:
    """Return the table of a reference's conformity: what, value, U, limit, result, in a theatre, source."""
    theatre = {check.name.split(", step")[0]: check.result for check in projector.in_theatre}
    return [
        [
            check.name,
            *(_plain_figure(value, check.unit) for value in (check.value, check.uncertainty, check.limit)),
            "" if check.unit == "relative" else check.unit,
            _CONFORMS[check.result],
            "" if check.result != "fail" else _CONFORMS.get(theatre.get(check.name.split(", step")[0], ""), "–"),
            check.source,
        ]
        for check in projector.conformity or ()
    ]


def _evenness(projector: ProjectorMatch) -> str:
    """Return what is missing of a projector's evenness, in words."""
    checks = projector.conformity or ()
    if projector.row is None or projector.row.kind != "projector":
        return ""
    read = [check.name.removeprefix(LUMINANCE_AT).strip() for check in checks if check.name.startswith(LUMINANCE_AT)]
    missing = [position for position in (*SIDES, *CORNERS) if position not in read]
    if not read:
        return "Not measured at the sides and corners: how even the screen is cannot be told."
    return f"Not measured at {words.join(missing)}." if missing else ""


def _plain_figure(value: float | None, unit: str) -> str:
    """Return a figure of a check with as many places as mean something."""
    if value is None:
        return "–"
    if unit == "relative":
        return f"{100 * value:.2f} %"
    return f"{value:.4f}" if unit in {"x", "y"} else f"{value:.4g}"
