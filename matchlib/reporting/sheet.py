"""The technician's sheet as CSV: numbers rounded to what menus take."""

import csv
from io import StringIO

from matchlib.facility.rooms import Instrument
from matchlib.matching.ideal import PQ
from matchlib.matching.result import MonitorMatch, RoomMatch, Target
from matchlib.matching.settings import NAMED_TONES
from matchlib.reporting import words

COLUMNS = (
    "monitor",
    "preset",
    "location",
    "result",
    "luminance",
    "white_x",
    "white_y",
    "gamma",
    "red_x",
    "red_y",
    "green_x",
    "green_y",
    "blue_x",
    "blue_y",
    "now_mean",
    "expected_mean",
    "instrument",
    "light",
    "note",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def targets_csv(room: RoomMatch) -> str:
    """Return ``targets.csv`` of a room, one row a monitor in inventory order."""
    return table([row(room, monitor) for monitor in room.monitors])


def table(rows: list[list[str]]) -> str:
    """Return rows under the header as RFC 4180 CSV with LF."""
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows)
    return stream.getvalue()


def safe(cell: str) -> str:
    """Return a text cell that no spreadsheet runs as a formula.

    >>> safe("=1+1")
    "'=1+1"
    """
    return f"'{cell}" if cell.startswith(_FORMULA) else cell


def row(room: RoomMatch, monitor: MonitorMatch) -> list[str]:
    """Return a monitor's cells in the order of the columns."""
    location = monitor.row.location if monitor.row else ""
    target, now = monitor.set_to, monitor.difference
    if target is None or now is None:
        numbers = [""] * 10
        scores = ["", ""]
    else:
        numbers = _numbers(target)
        scores = [f"{now.mean:.2f}", f"{target.expected.mean:.2f}"]
    cells = [monitor.monitor, monitor.preset, location, monitor.verdict.result]
    instrument = monitor.instrument or ""
    tail = [instrument, light_needed(room, monitor), note(monitor)]
    return [*map(safe, cells), *numbers, *scores, *map(safe, tail)]


def _numbers(target: Target) -> list[str]:
    pairs = (target.red_xy, target.green_xy, target.blue_xy)
    gamma = "" if target.gamma is None else f"{target.gamma:.2f}"
    return [
        f"{target.luminance:.1f}",
        *(f"{value:.4f}" for value in target.white_xy),
        gamma,
        *(f"{value:.4f}" for pair in pairs for value in pair),
    ]


def light_needed(room: RoomMatch, monitor: MonitorMatch) -> str:
    """Return in which light the monitor is to be measured with its instrument."""
    instrument: Instrument | None = (room.instruments or {}).get(monitor.instrument or "")
    if instrument is None:
        return ""
    return "as it is: touches the screen" if instrument.contact else "dark: all lights off"


def note(monitor: MonitorMatch, *, page: bool = True) -> str:
    """Return what a technician must know beside the numbers; ``page``: whether the monitor has one to point to."""
    target = monitor.set_to
    if target is None:
        return "measure it first"
    if monitor.verdict.result == "match":
        return "within tolerance: leave it"
    if monitor.verdict.result == "undecided" and monitor.deciding:
        return f"undecided: {monitor.deciding}"
    if not monitor.adjust:
        return words.leave_it(monitor)
    parts = []
    fixed = words.not_taken(monitor)
    if target.tone in (*NAMED_TONES, PQ) and "gamma" not in fixed:
        parts.append(f"choose the tone {target.tone}")
    if fixed:
        parts.append(f"its menu does not take {words.join(fixed)}: those figures are what it shows now")
    if monitor.row and monitor.row.dims == "backlight":
        parts.append(f"turn the backlight down, black should read {target.black:.3f} cd/m²")
    if not words.will_match(monitor):
        where = ": see its page" if page else ""
        parts.append(f"{target.expected.mean:.1f} will remain, {words.why_it_remains(monitor)}{where}")
    return "; ".join(parts)
