"""The index of a facility's reports: every room, every report of it, for any browser and any spreadsheet.

No script, no picture file, no server, nothing from outside: the page works from a memory stick. Whatever stands
in a report is escaped, and what is told by a mark is told by a word too.
"""

import csv
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from html import escape
from io import StringIO
from urllib.parse import quote

from matchlib.errors import InputError, Problem
from matchlib.reporting.sheet import safe
from matchlib.reporting.words import clean

RESULTS = ("match", "no match", "undecided", "not measured")
COLUMNS = (
    *("room", "date", "hash", "current", "match", "no_match", "undecided", "not_measured"),
    *("mean_difference", "worst_difference", "worst_monitor", "limit", "report"),
)
_MARKS = {"match": "●", "no match": "○", "undecided": "◐", "not measured": "–"}
_LINKS = (("match.pdf", "report"), ("targets.csv", "targets"), ("match.json", "figures"), ("match.ipynb", "notebook"))
_HEADS = ("Room", "Monitors", "Trend", "Mean", "Furthest off", "Newest readings", "Open")
_SHORT = 20  # characters
_WIDTH, _HEIGHT, _EDGE = 132, 30, 4  # of a trend, in CSS pixels


@dataclass(frozen=True, slots=True)
class Entry:
    """One report in the index.

    Attributes:
        folder: Relative to that of the index, ``ROOM/DATE-HASH``; ``day``: YYYY-MM-DD.
        results: Verdict of each monitor.
        mean: CIEDE2000, mean over the measured monitors of their means; None where none was measured.
        worst: The largest of those means, ``worst_monitor``: whose.
        limit: Tolerance of the mean; None where the report has none.
    """

    folder: str
    day: str
    hash: str
    results: tuple[str, ...]
    mean: float | None
    worst: float | None
    worst_monitor: str
    limit: float | None

    def count(self, result: str) -> int:
        """Return how many monitors have this result."""
        return self.results.count(result)


@dataclass(frozen=True, slots=True)
class Shelf:
    """All reports of one room.

    Attributes:
        entries: Oldest first; of one day the current one last.
        current: Whether the last entry is of today's inputs.
        state: What keeps the room from a current report, in words; empty where nothing does.
        unread: Folders that look like reports and cannot be read.
    """

    room: str
    entries: tuple[Entry, ...]
    current: bool
    state: str = ""
    unread: tuple[str, ...] = ()


def entry_of(folder: str, text: str) -> Entry:
    """Return the entry of a report from the text of its ``match.json``; only what the index shows is read.

    Raises:
        InputError: Not a ``match.json``.
    """
    try:
        found = json.loads(text)
        monitors = [_monitor(entry) for entry in found["monitors"]]
        measured = [(mean, name) for name, _, mean in monitors if mean is not None]
        worst, whose = max(measured, default=(None, ""))
        limit = None if found.get("tolerances") is None else float(found["tolerances"]["mean_difference"])
        return Entry(
            folder=folder,
            day=date.fromisoformat(found["date"]).isoformat(),
            hash=str(found["hash"]),
            results=tuple(result for _, result, _ in monitors),
            mean=sum(mean for mean, _ in measured) / len(measured) if measured else None,
            worst=worst,
            worst_monitor=whose,
            limit=limit,
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            Problem(f"{folder}/match.json is not a match.json: {error!r}", "make the report again")
        ) from None


def _monitor(found: dict[str, object]) -> tuple[str, str, float | None]:
    """Return name, result and mean difference of a monitor."""
    verdict, difference = found["verdict"], found["difference"]
    if not isinstance(verdict, dict) or verdict["result"] not in RESULTS:
        raise TypeError(verdict)
    name = f"{found['monitor']} · {found['preset']}" if found["preset"] else str(found["monitor"])
    return name, verdict["result"], float(difference["mean"]) if isinstance(difference, dict) else None


def index_csv(shelves: Iterable[Shelf]) -> str:
    """Return ``index.csv``: one row a report, rooms in order, oldest first."""
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for shelf in shelves:
        for entry in shelf.entries:
            current = "yes" if shelf.current and entry is shelf.entries[-1] else "no"
            numbers = [_number(entry.mean), _number(entry.worst)]
            counts = [str(entry.count(result)) for result in RESULTS]
            limit = "" if entry.limit is None else f"{entry.limit:g}"
            tail = [safe(entry.worst_monitor), limit, safe(f"{entry.folder}/match.pdf")]
            writer.writerow([safe(shelf.room), entry.day, safe(entry.hash), current, *counts, *numbers, *tail])
    return stream.getvalue()


def index_html(facility: str, shelves: Iterable[Shelf]) -> str:
    """Return ``index.html``: one row a room, its trend, and its earlier reports folded away.

    Args:
        facility: Its name.
        shelves: One a room, in the order of the page.
    """
    rows = list(shelves)
    title = f"{_text(facility)}: monitors against their screens"
    body = "\n".join(_row(shelf) for shelf in rows)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{_STYLE}</style>
</head>
<body>
<h1>{title}</h1>
<p>{_lead(rows)}</p>
<p class="key">Differences are CIEDE2000 against the room's screen, mean over the standard list. A trend shows
the mean of a room's monitors, report by report; the broken line is the room's limit for one monitor.
{" ".join(_joined(f"{_MARKS[result]} {result}") for result in RESULTS)}.</p>
<table>
<thead><tr>{"".join(f'<th scope="col">{name}</th>' for name in _HEADS)}</tr></thead>
<tbody>
{body}
</tbody>
</table>
</body>
</html>
"""


_STYLE = """
body { font: 15px/1.45 Georgia, serif; color: #111; background: #fff }
body { margin: 2.2em auto; max-width: 72em; padding: 0 1.2em }
h1 { font-size: 1.5em; font-weight: normal; margin: 0 0 .4em }
p { margin: 0 0 .6em } .key, .state, td small { color: #444; font-size: .87em }
table { border-collapse: collapse; width: 100%; margin-top: 1.2em }
th { text-align: left; font-weight: normal; font-style: italic; border-bottom: 2px solid #111 }
th, td { padding: .35em .9em .35em 0; vertical-align: top } td, .room { border-bottom: 1px solid #bbb }
.room { font-style: normal; font-weight: bold } .k { white-space: nowrap }
td.n { text-align: right; font-variant-numeric: tabular-nums } a { color: #111 }
details { margin-top: .3em } summary { cursor: pointer } ul { margin: .2em 0; padding-left: 1.1em }
svg { display: block } @media print { details { display: none } }
"""


def _text(text: str) -> str:
    """Return text that is no markup and has no character that hides or turns other text."""
    return escape(clean("".join("\ufffd" if char in _TURNING else char for char in text)))


_TURNING = "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _lead(shelves: list[Shelf]) -> str:
    last = [shelf.entries[-1] for shelf in shelves if shelf.entries and shelf.current]
    if not last:
        return "No room has a report of the newest readings and settings."
    whole = sum(entry.count("match") == len(entry.results) for entry in last)
    monitors = sum(len(entry.results) for entry in last)
    matching = sum(entry.count("match") for entry in last)
    old = sum(not shelf.current for shelf in shelves)
    rooms = f"{len(last)} room{'s have a report' if len(last) > 1 else ' has a report'}"
    more = f" {old} more without one of the newest readings and settings: not counted." if old else ""
    return f"{rooms}; in {whole} every monitor matches. {matching} of {monitors} monitors match their screen.{more}"


def _row(shelf: Shelf) -> str:
    name = f'<th scope="row" class="room{" k" if len(shelf.room) <= _SHORT else ""}">{_text(shelf.room)}</th>'
    state = f'<div class="state">{_text(shelf.state)}</div>' if shelf.state else ""
    lost = "".join(f'<div class="state">cannot be read: {_text(folder)}</div>' for folder in shelf.unread)
    if not shelf.entries:
        return f'<tr>{name}<td colspan="6">{state}{lost}</td></tr>'
    last = shelf.entries[-1]
    furthest = "" if last.worst is None else f"{_text(last.worst_monitor)}, {_number(last.worst)}"
    cells = [
        f"<td>{_counts(last)}{state}{lost}</td>",
        f"<td>{trend(shelf.entries)}</td>",
        f'<td class="n">{_number(last.mean)}</td>',
        f"<td{_whole(last.worst_monitor)}>{furthest}</td>",
        f"<td{_whole(last.day)}>{last.day}</td>",
        f"<td>{_links(last)}{_earlier(shelf.entries[:-1])}</td>",
    ]
    return f"<tr>{name}{''.join(cells)}</tr>"


def _counts(entry: Entry) -> str:
    told = [(result, entry.count(result)) for result in RESULTS if entry.count(result)]
    return ", ".join(_joined(f"{_MARKS[result]} {count} {result}") for result, count in told) or "no monitors"


def _joined(words: str) -> str:
    """Return words that stay on one line."""
    return f'<span class="k">{words}</span>'


def _whole(name: str) -> str:
    """Return the attribute that keeps a short name on one line; a long one may break."""
    return ' class="k"' if len(name) <= _SHORT else ""


def _links(entry: Entry) -> str:
    place = quote(entry.folder)
    return "\u00a0· ".join(f'<a href="./{place}/{name}">{word}</a>' for name, word in _LINKS)


def _earlier(entries: tuple[Entry, ...]) -> str:
    if not entries:
        return ""
    lines = [
        f"<li>{entry.day}: {_counts(entry)}; mean {_number(entry.mean) or 'not known'}; {_links(entry)} "
        f"<small>{_text(entry.hash)}</small></li>"
        for entry in reversed(entries)
    ]
    return f"<details><summary>{len(entries)} earlier</summary><ul>{''.join(lines)}</ul></details>"


def trend(entries: Iterable[Entry]) -> str:
    """Return mean differences over the days of their reports as inline SVG; of one day the last counts.

    The line begins at 0; its text names every point.
    """
    by_day = {entry.day: entry for entry in entries if entry.mean is not None}
    if not by_day:
        return ""
    points = [(date.fromisoformat(day).toordinal(), entry.mean or 0.0) for day, entry in sorted(by_day.items())]
    limit = list(by_day.values())[-1].limit
    top = 1.1 * max([mean for _, mean in points] + ([limit] if limit else []) + [0.1])
    first, span = points[0][0], max(points[-1][0] - points[0][0], 1)
    places = [
        (
            _WIDTH - _EDGE if len(points) == 1 else _EDGE + (_WIDTH - 2 * _EDGE) * (day - first) / span,
            _down(mean, top),
        )
        for day, mean in points
    ]
    line = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    told = ", ".join(f"{day} {_number(entry.mean)}" for day, entry in sorted(by_day.items()))
    alt = f"Mean difference: {told}" + (f"; limit {limit:g}" if limit else "")
    limits = ""
    if limit:
        y = _down(limit, top)
        limits = f'<path d="M0 {y:.1f}H{_WIDTH}" stroke="#777" stroke-dasharray="3 3" fill="none"/>'
    x, y = places[-1]
    return (
        f'<svg role="img" aria-label="{alt}" width="{_WIDTH}" height="{_HEIGHT}" viewBox="0 0 {_WIDTH} {_HEIGHT}">'
        f'<title>{alt}</title>{limits}<polyline points="{line}" stroke="#111" stroke-width="1.5" fill="none"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="#111"/></svg>'
    )


def _down(value: float, top: float) -> float:
    """Return the place of a value from the upper edge."""
    return _HEIGHT - _EDGE - (_HEIGHT - 2 * _EDGE) * value / top
