"""The report of a lamp change: a PDF of its own, its numbers, and a sheet in the order of the visits."""

import csv
import json
from collections.abc import Iterable
from io import StringIO
from pathlib import Path
from typing import Any

from matchlib.errors import ReportError
from matchlib.matching.lamp import LampChange, LampMonitor, LampRoom
from matchlib.matching.lamp_moved import COLOURS
from matchlib.matching.result import SCHEMA, MonitorMatch, plain
from matchlib.package import versions
from matchlib.reporting import lamp_words, words
from matchlib.reporting.drawing import Drawing
from matchlib.reporting.lamp_pages import lamp_data
from matchlib.reporting.pdf import Setting, attachments, set_pdf
from matchlib.reporting.sheet import safe

FILES = ("lamp.json", "visits.csv", "lamp.pdf")
_ATTACHED = (
    ("lamp.json", "source", "application/json", "Every figure of this report, for other programs"),
    ("visits.csv", "data", "text/csv", "What to set on each monitor, in the order of the visits"),
)
_FIGURES = ("luminance", "white_x", "white_y", "gamma", "red_x", "red_y", "green_x", "green_y", "blue_x", "blue_y")
COLUMNS = (
    *("visit", "room", "monitor", "preset", "location", "group", "result_before", "result"),
    *_FIGURES,
    *(f"{name}_change" for name in _FIGURES),
    *("before_mean", "now_mean", "expected_mean", "note"),
)


def write_lamp(change: LampChange, drawings: Iterable[Drawing], out: str | Path) -> None:
    """Write ``lamp.json``, ``visits.csv`` and ``lamp.pdf`` into a folder.

    Args:
        change: As :func:`matchlib.matching.lamp.lamp_change` returned it.
        drawings: ``lamp_moved`` of each screen, ``lamp_overview`` of each room.
        out: Folder; made where it is not there.

    Raises:
        ReportError: A drawing is missing, or the template cannot be set.
    """
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    numbers, visits = lamp_json(change).encode(), visits_csv(change).encode()
    pdf = lamp_pdf(change, drawings, numbers, visits)
    for name, content in zip(FILES, (numbers, visits, pdf), strict=True):
        (folder / name).write_bytes(content)


def lamp_pdf(change: LampChange, drawings: Iterable[Drawing], numbers: bytes, visits: bytes) -> bytes:
    """Return the report as PDF; arguments and errors as for :func:`write_lamp`, and the bytes of both files."""
    plan = change.plan
    named = {(drawing.name, drawing.subject): drawing for drawing in drawings}
    needed = {("lamp_moved", screen.entry) for screen in change.screens}
    needed |= {("lamp_overview", room.after.room) for room in change.rooms}
    if missing := sorted(needed - set(named)):
        listed = ", ".join(f"{name} of {subject}" for name, subject in missing)
        raise ReportError(f"drawings are missing: {listed}; make them with matchlib.reporting.plots.lamp")
    files = {key: (f"{place}.svg", named[key]) for place, key in enumerate(sorted(needed))}
    data = lamp_data(change, files)
    data["attachments"] = attachments(_ATTACHED)
    parts = {"lamp.json": numbers, "visits.csv": visits} | {file: drawing.svg for file, drawing in files.values()}
    setting = Setting("lamp.typ", f"the lamp change of {plan.projector.id}", plan.day, plan.facility.root)
    return set_pdf(setting, data, parts)


def visits_csv(change: LampChange) -> str:
    """Return one row a monitor: first the visits in their order, then those that may stay, in the rooms' order."""
    visits = change.visits()
    staying = [(room, m) for room in change.rooms for m in room.monitors if not m.visit]
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(_row(str(number), *entry) for number, entry in enumerate(visits, start=1))
    writer.writerows(_row("", *entry) for entry in staying)
    return stream.getvalue()


def _row(number: str, room: LampRoom, monitor: LampMonitor) -> list[str]:
    after = monitor.after
    location = after.row.location if after.row else ""
    cells = [room.after.room, after.monitor, after.preset, location, monitor.group]
    results = [monitor.before.verdict.result, after.verdict.result]
    return [
        number,
        *map(safe, cells),
        *results,
        *_numbers(monitor),
        *(_mean(entry) for entry in (monitor.before, after)),
        "" if monitor.target is None else f"{monitor.target.expected.mean:.2f}",
        safe(lamp_words.note(monitor)),
    ]


def _numbers(monitor: LampMonitor) -> list[str]:
    """Return the new target as menus take it, and what of it changes."""
    before, after = monitor.before.set_to, monitor.target
    if before is None or after is None:
        return [""] * 2 * len(_FIGURES)
    target, steps = lamp_words.menu(after), lamp_words.to_change(before, after)
    cells = []
    for found, sign in ((target, ""), (steps, "+")):
        for name, values in lamp_words.in_order(found):
            width = 2 if name in COLOURS else 1
            places = lamp_words.places_of(name)
            shown = [f"{value:{sign}.{places}f}" for value in values] if values else [""] * width
            cells += shown
    return cells


def _mean(monitor: MonitorMatch) -> str:
    return "" if monitor.difference is None else f"{monitor.difference.mean:.2f}"


def lamp_json(change: LampChange) -> str:
    """Return ``lamp.json``: 9 significant digits, LF."""
    plan = change.plan
    content = {
        "schema": SCHEMA,
        "facility": plan.facility.name,
        "projector": plan.projector.id,
        "unit": plan.projector.unit,
        "date": plan.day,
        "matchlib": change.version,
        "hash": plan.hash,
        "versions": versions(),
        "inputs": dict(plan.files),
        "line": lamp_words.screen_line(change),
        "screens": [
            {
                "id": screen.entry,
                "before": _session(screen.before),
                "after": _session(screen.after),
                "moved": list(screen.moved),
            }
            for screen in change.screens
        ],
        "drift": change.drift,
        "rooms": [
            {
                "room": room.after.room,
                "line": lamp_words.room_line(room),
                "monitors": [_monitor(monitor) for monitor in room.monitors],
            }
            for room in change.rooms
        ],
        "visits": [[room.after.room, words.name_of(monitor.after)] for room, monitor in change.visits()],
        "not_judged": {name: [str(problem) for problem in found] for name, found in plan.faults.items()},
        "warnings": list(change.warnings),
    }
    return json.dumps(plain(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _session(session: Any) -> dict[str, Any]:
    header = session.header
    keys = {"session": session.file, "measured": header.measured.isoformat()}
    return keys | {"hours": header.hours, "instrument": header.instrument}


def _monitor(monitor: LampMonitor) -> dict[str, Any]:
    before, after = monitor.before, monitor.after
    keys: dict[str, Any] = {"monitor": after.monitor, "preset": after.preset, "session": after.session}
    keys |= {"measured": after.measured, "group": monitor.group, "visit": monitor.visit, "adjust": after.adjust}
    keys["doubts"] = [found.evidence for found in monitor.doubts]
    for name, found in (("before", before), ("after", after)):
        keys[name] = {"difference": found.difference, "verdict": found.verdict, "target": found.set_to}
    steps = None
    if before.set_to is not None and monitor.target is not None:
        steps = {name: list(step) for name, step in lamp_words.to_change(before.set_to, monitor.target).items()}
    return keys | {"change": steps, "gain": after.gain}
