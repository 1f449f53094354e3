"""A lamp change as the data that its template sets: strings only, nothing left to compute."""

from typing import Any

from matchlib.matching.lamp import LampChange, LampMonitor, LampRoom, narrowest
from matchlib.matching.result import Target
from matchlib.package import versions
from matchlib.reporting import lamp_words, words
from matchlib.reporting.cautions import CAUTIONS
from matchlib.reporting.drawing import Drawing

_FIRST_PAGE = 8  # visits that stand there; all stand in the rooms' tables
_METHOD = (
    "The screen's two sessions are fitted alike. What moved is held against what the errors of both readings make "
    "of no change: 256 seeded draws (JCGM 101:2008) of the instruments' stated errors, the scatter of repeats and "
    "the drift within each session. Where one instrument read both, its luminance scale cancels, and of its x, y "
    "the share common_xy. How far figures come back on another day, the instrument set up anew, is added for each "
    "session: 0.5 % of luminance, 0.0003 of u′ and of v′, 0.01 of gamma, 2 % of black (common practice, no "
    "source). A change is called real where it is larger than its U: k = 2 for luminance, gamma and contrast; for "
    "distances in u′v′ and for the greatest step of a grey, what the errors alone reach in 95 % of readings. In "
    "contrast, half the instrument's floor stands for its zero in each session.",
    "No monitor was measured again. Each monitor's session that counts today is judged against the screen with "
    "the old lamp and against the screen as it was last read with the new one, by the same sums as in the rooms' "
    "own reports: mean CIEDE2000 over the standard list, the room's tolerances, its rule. The change of a target "
    "is the new target less the old one, both rounded as menus take them; changes of a few units in the last "
    "place follow the readings' scatter.",
    "'Newly out' means: matched, or could not be decided, beside the old lamp, and does not match beside the new "
    "one. A monitor is visited where it does not surely match and a setting gains more than the uncertainty of "
    "that gain.",
    "The fade of earlier lamps is a straight line through the logarithm of luminance over lamp hours, a level for "
    "each lamp and instrument; its interval is Student's t at 95.45 %. From three lamps on each has a slope of "
    "its own, and the interval is that of one more lamp of their kind; with fewer, one slope serves all, and the "
    "interval holds the readings' scatter alone. Hours are counted from the session after the change that what "
    "moved is told from. The drift of white is a straight line through u′ and one through v′ in the same way; it "
    "is told where scatter alone would make no drift look so in less than 5 % of histories (Hotelling's T²). That "
    "the new lamp goes the way of earlier ones is supposed.",
)


def lamp_data(change: LampChange, files: dict[tuple[str, str], tuple[str, Drawing]]) -> dict[str, Any]:
    """Return everything that stands in the report.

    Args:
        change: The lamp change.
        files: File name and drawing by name and subject of the drawing.
    """
    plan, visits = change.plan, change.visits()
    year, month, day = (int(part) for part in plan.day.split("-"))
    return {
        "title": f"Lamp change of {plan.projector.id}: {lamp_words.headline(change)}",
        "facility": plan.facility.name,
        "projector": plan.projector.id,
        "light": plan.projector.light,
        "day": plan.day,
        "date": [year, month, day],
        "headline": lamp_words.headline(change),
        "lead": lamp_words.lead(change),
        "drift": lamp_words.drift_words(change.drift, narrowest(change.plan)),
        "version": change.version,
        "hash": plan.hash,
        "rooms": [
            *([room.after.room, lamp_words.put_out(room), lamp_words.room_line(room)] for room in change.rooms),
            *([room, "not known", f"not judged: {plan.faults[room][0]}"] for room in lamp_words.unjudged(change)),
        ],
        "nobody": lamp_words.nobody(change),
        "visits": [_visit(number, *entry) for number, entry in enumerate(visits[:_FIRST_PAGE], start=1)],
        "more": _more(len(visits)),
        "staying": lamp_words.staying(change),
        "notes": list(change.warnings),
        "screens": [
            {
                "entry": screen.entry,
                "read": lamp_words.read_words(screen, plan.facility.time_zone),
                "rows": [lamp_words.moved_row(moved) for moved in screen.moved],
                "drawing": _drawing(files, "lamp_moved", screen.entry),
            }
            for screen in change.screens
        ],
        "sections": [_section(room, files) for room in change.rooms],
        "method": list(_METHOD),
        "inputs": [[file, digest] for file, digest in plan.files.items()],
        "made_with": "Made with " + ", ".join(f"{name} {version}" for name, version in versions().items()) + ".",
        "cautions": list(CAUTIONS),
    }


def _more(count: int) -> str:
    left = count - _FIRST_PAGE
    return "" if left <= 0 else f"{left} more in visits.csv, attached to this PDF, and in the rooms' tables."


def _drawing(files: dict[tuple[str, str], tuple[str, Drawing]], name: str, subject: str) -> dict[str, str]:
    file, drawing = files[name, subject]
    return {"file": file, "alt": drawing.alt}


def _visit(number: int, room: LampRoom, monitor: LampMonitor) -> dict[str, str]:
    after = monitor.after
    location = after.row.location if after.row else ""
    return {
        "number": str(number),
        "name": words.name_of(after),
        "place": ", ".join(part for part in (room.after.room, location) if part),
        "why": lamp_words.why(monitor),
        "set": lamp_words.set_words(monitor.target),
        "means": " → ".join(_means(monitor)),
        "note": lamp_words.note(monitor),
    }


def _means(monitor: LampMonitor) -> list[str]:
    ends = [f"{m.difference.mean:.1f}" if m.difference else "–" for m in (monitor.before, monitor.after)]
    target = monitor.target
    return [*ends, f"{target.expected.mean:.1f}"] if monitor.visit and target is not None else ends


def _section(room: LampRoom, files: dict[tuple[str, str], tuple[str, Drawing]]) -> dict[str, Any]:
    rows = [
        {
            "number": str(number),
            "name": words.name_of(monitor.after),
            "verdict": f"{monitor.before.verdict.result} → {monitor.after.verdict.result}",
            "means": " → ".join(_means(monitor)),
            "old": _target(monitor.before.set_to),
            "new": _target(monitor.target),
            "change": lamp_words.change_lines(monitor),
            "next": lamp_words.action(monitor),
        }
        for number, monitor in enumerate(room.monitors, start=1)
    ]
    return {
        "room": room.after.room,
        "line": lamp_words.room_line(room),
        "drawing": _drawing(files, "lamp_overview", room.after.room),
        "rows": rows,
    }


def _target(target: Target | None) -> list[str]:
    """Return all figures of a target, a line each."""
    if target is None:
        return ["–"]
    lines = [f"{target.luminance:.1f} cd/m²", *([] if target.gamma is None else [f"gamma {target.gamma:.2f}"])]
    for letter, (x, y) in zip("WRGB", (target.white_xy, target.red_xy, target.green_xy, target.blue_xy), strict=True):
        lines.append(f"{letter} {x:.4f} {y:.4f}")
    return lines
