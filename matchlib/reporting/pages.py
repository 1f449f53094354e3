"""A room's result as the data that the report's template sets: strings only, nothing left to compute."""

from datetime import datetime
from typing import Any

from matchlib.matching.conformity import reached_grade
from matchlib.matching.result import Expanded, Figures, MonitorMatch, ProjectorMatch, RoomMatch, Target
from matchlib.matching.uniformity import CORNERS, LUMINANCE_AT, SIDES
from matchlib.readings.checks.finding import Finding
from matchlib.readings.quality import CHECKS
from matchlib.reporting import words
from matchlib.reporting.cautions import CAUTIONS
from matchlib.reporting.drawing import Drawing
from matchlib.reporting.method import method
from matchlib.reporting.repeats import repeats_advice
from matchlib.reporting.sheet import COLUMNS, light_needed, note, row

_MARKS = {"match": "●", "no match": "○", "undecided": "◐", "not measured": "–"}
_MONTHS = (  # not the locale's: a report has the same bytes everywhere
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_CONFORMS = {"pass": "within", "fail": "outside", "undecided": "undecided"}
CAPTIONS = {
    "chromaticity": "Colours it can make, against the screen's",
    "tone": "Tone: how light the greys are",
    "patches": "Difference by patch, worst first",
    "greys": "Tint of the greys against the screen's",
}


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
        "lead": _lead(room),
        "version": room.matchlib,
        "hash": room.hash,
        "projector": {
            "id": room.projector.id,
            "light": room.projector.row.light if room.projector.row else "",
        },
        "monitors": [_line(number, monitor) for number, monitor in enumerate(room.monitors, start=1)],
        "overview": None if overview is None else {"file": overview[0], "alt": overview[1].alt},
        "page_one_notes": page_one_notes(room),
        "measured": _measured(room),
        "sheet": [_sheet_row(room, monitor) for monitor in room.monitors],
        "pages": [_page(room, monitor, files) for monitor in measured],
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
    return _cleaned(data)  # type: ignore[no-any-return]


def _cleaned(value: Any) -> Any:
    if isinstance(value, str):
        return words.clean(value)
    if isinstance(value, dict):
        return {key: _cleaned(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [_cleaned(entry) for entry in value]
    return value


def _lead(room: RoomMatch) -> str:
    response = room.projector.response
    wrong = [m for m in room.monitors if m.verdict.result == "no match"]
    wrong_screen = words.outside(room.projector.conformity or ())
    text = "" if not wrong_screen else f"The screen itself is outside its standard: {words.join(wrong_screen)}. "
    text += (
        f"The screen shows {response.luminance:.1f} cd/m² with white at x {response.white_xy[0]:.4f}, "
        f"y {response.white_xy[1]:.4f}."
    )
    if unsure := [m for m in room.monitors if m.verdict.result == "undecided"]:
        names = words.join([words.name_of(m) for m in unsure])
        text += (
            f" The readings of {names} leave it open whether {'it matches' if len(unsure) == 1 else 'they match'}."
        )
    if not wrong:
        return text
    fixable = [words.name_of(m) for m in wrong if "should then match" in words.next_step(m)]
    if len(fixable) == len(wrong):
        return f"{text} Every monitor that does not match can be set so that it should."
    if fixable:
        return f"{text} {words.join(fixable)} can be set so that it should match; the rest can only come nearer."
    it, comes = ("it", "it") if len(wrong) == 1 else ("the others", "they")
    return f"{text} No setting makes {it} match fully; how near {comes} can come is told below."


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
            "when": "not measured" if when is None else _moment(when),
            "instrument": f"{instrument} ({kinds.get(instrument, '')})" if instrument else "–",
        }
        for display, when, instrument in rows
    ]


def _moment(text: str) -> str:
    """Return an instant as people write it: ``2 October 2026, 09:40 (UTC+01:00)``."""
    when = datetime.fromisoformat(text)
    return f"{when.day} {_MONTHS[when.month - 1]} {when:%Y, %H:%M} (UTC{text[-6:] if when.utcoffset() else ''})"


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
    return numbers | {
        "name": words.name_of(monitor),
        "location": monitor.row.location if monitor.row else "",
        "action": action,
        "now": cells[14] or "–",
        "after": cells[15] or "–",
        "tool": tool,
        "note": note(monitor),
    }


def _page(
    room: RoomMatch, monitor: MonitorMatch, files: dict[tuple[str, str], tuple[str, Drawing]]
) -> dict[str, Any]:
    subject = words.name_of(monitor)
    drawings = []
    for name, caption in CAPTIONS.items():
        file, drawing = files[name, subject]
        drawings.append({"file": file, "alt": drawing.alt, "caption": caption})
    return {
        "name": subject,
        "result": words.RESULTS[monitor.verdict.result],
        "summary": words.summary(monitor),
        "figures": _figures(room, monitor),
        "drawings": drawings,
        "checks": [
            [
                words.check_words(check.name),
                _check_value(check.value, check.unit),
                "–" if check.uncertainty is None else f"± {_check_value(check.uncertainty, check.unit)}",
                _check_value(check.limit, check.unit),
                {"pass": "within", "fail": "beyond", "undecided": "undecided"}[check.result],
            ]
            for check in monitor.verdict.checks
        ],
        "repeats": repeats_advice(room, monitor),
        "limits": list(monitor.limits),
        "warnings": list(monitor.warnings),
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


def _check_value(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    if unit == "relative":
        return f"{100 * value:.1f} %"
    return f"{value:.4f} u′v′" if unit == "Δu′v′" else f"{value:.2f}"


def _figures(room: RoomMatch, monitor: MonitorMatch) -> list[list[str]]:
    """Return the table of a monitor's page: a row a figure; screen, now, target, ideal."""
    columns: tuple[Figures | Target | None, ...] = (
        room.projector.response,
        monitor.response,
        monitor.target,
        monitor.ideal,
    )
    # What is typed in is exact; the uncertainty of what is followed stands beside the ideal.
    sure = [None if c is None or c is monitor.target else c.uncertainty for c in columns]
    rows = [
        [name, *(_sure_figure(c, s, key, places) for c, s in zip(columns, sure, strict=True))]
        for name, key, places in (
            ("peak, cd/m²", "luminance", 1),
            ("black, cd/m²", "black", 4),
            ("gamma", "gamma", 2),
        )
    ]
    for name in ("white", "red", "green", "blue"):
        pairs = [getattr(c, f"{name}_xy") if c else None for c in columns]
        rows.append([f"{name} x, y", *("–" if p is None else f"{p[0]:.4f}\u00a0{p[1]:.4f}" for p in pairs)])
    rows.append(["white ± x, y (k = 2)", *(_sure_pair(s) for s in sure)])
    scores = (
        None,
        monitor.difference,
        monitor.target.expected if monitor.target else None,
        monitor.ideal.expected if monitor.ideal else None,
    )
    rows.append(
        ["difference: mean", *("–" if s is None else f"{s.mean:.2f}{words.plus_minus(s.u_mean)}" for s in scores)]
    )
    rows.append(
        [
            "difference: 95 %, worst",
            *("–" if s is None else f"{s.p95:.2f},\u00a0{s.worst:.1f}" for s in scores),
        ]
    )
    return rows


def _sure_figure(column: Figures | Target | None, sure: Expanded | None, key: str, places: int) -> str:
    """Return a figure with its expanded uncertainty, which has a place more where it would be lost else."""
    value = None if column is None else getattr(column, key)
    if value is None:
        return "not read" if key == "black" else "–"
    expanded = None if sure is None else getattr(sure, key)
    if expanded is None:
        return f"{value:.{places}f}"
    return f"{value:.{places}f}\u00a0±\u00a0{expanded:.{places + (expanded < 0.5 * 10**-places)}f}"


def _sure_pair(sure: Expanded | None) -> str:
    if sure is None or sure.white_xy is None:
        return "–"
    return "\u00a0".join(f"{value:.4f}" for value in sure.white_xy)
