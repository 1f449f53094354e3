"""``index.html`` and ``index.csv`` of a facility's reports, made anew from the reports that stand."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from matchlib.errors import InputError
from matchlib.reporting.index import Entry, Shelf, entry_of, index_csv, index_html
from matchlib.running.store import Store, write

_REPORT = re.compile(r"\d{4}-\d\d-\d\d-[0-9a-f]{12}")
_OURS = ("_", ".")  # what a name begins with that is no room's


@dataclass(frozen=True, slots=True)
class Today:
    """What of a facility is true today.

    Attributes:
        reports: Folder of the report that each room's inputs ask for, there or not; None: they are at fault.
            In the order of the rooms.
    """

    facility: str
    reports: Mapping[str, Path | None]


def write_index(store: Store, today: Today) -> None:
    """Write both files, each whole or not at all; every report is read once."""
    shelves = shelves_of(store, today)
    write(store.root / "index.csv", index_csv(shelves).encode())
    write(store.root / "index.html", index_html(today.facility, shelves).encode())


def shelves_of(store: Store, today: Today) -> list[Shelf]:
    """Return the reports of every room; those of rooms that are no more come last."""
    there = {path.name: path for path in store.root.iterdir() if path.is_dir() and not path.name.startswith(_OURS)}
    gone = sorted(set(there) - set(today.reports))
    shelves = [_shelf(room, there.get(room), folder, _why(folder)) for room, folder in today.reports.items()]
    past = [_shelf(room, there[room], None, "not a room of the facility any more") for room in gone]
    return shelves + [shelf for shelf in past if shelf.entries or shelf.unread]


def _why(folder: Path | None) -> str:
    """Return what to say where a room has no report of today's inputs."""
    if folder is None:
        return "its inputs are at fault: run matchlib check"
    return "its inputs changed since: run matchlib report"


def _shelf(room: str, folder: Path | None, report: Path | None, otherwise: str) -> Shelf:
    entries: list[Entry] = []
    unread: list[str] = []
    made: dict[str, int] = {}
    for path in [] if folder is None else folder.iterdir():
        if _REPORT.fullmatch(path.name):
            place = f"{room}/{path.name}"
            try:
                file = path / "match.json"
                entries.append(entry_of(place, file.read_text(encoding="utf-8")))
                made[place] = file.stat().st_mtime_ns
            except (InputError, OSError, UnicodeDecodeError):
                unread.append(place)
    wanted = "" if report is None else f"{room}/{report.name}"
    entries.sort(key=lambda entry: (entry.day, entry.folder == wanted, made[entry.folder], entry.hash))
    current = bool(entries) and any(entry.folder == wanted for entry in entries)
    if current:  # with a newer session set aside, today's report is of an older day
        entries.sort(key=lambda entry: entry.folder == wanted)
    if not entries and report is not None:
        otherwise = "no report yet: run matchlib report"
    return Shelf(room, tuple(entries), current, "" if current else otherwise, tuple(sorted(unread)))
