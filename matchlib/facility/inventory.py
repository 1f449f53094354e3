"""``monitors.csv``: the inventory that people keep in a spreadsheet, to :class:`Monitor` rows."""

from collections.abc import Callable
from datetime import date
from typing import Any

from matchlib.encoding import STANDARD
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.rooms import ADJUSTABLE, Monitor, NativeLimits
from matchlib.text import decode, number, rows

_NATIVE = (
    "peak_luminance",
    "black",
    "red_x",
    "red_y",
    "green_x",
    "green_y",
    "blue_x",
    "blue_y",
)
REQUIRED = ("monitor", "room", "panel")
OPTIONAL = (
    "preset",
    "encoding",
    "adjusts",
    "dims",
    "dims_min",
    "hours",
    "hours_date",
    "location",
    "serial",
    "adjusted",
    "note",
    *_NATIVE,
)
_DIMS = ("signal", "backlight")


def read_inventory(data: bytes, file: str) -> tuple[tuple[Monitor, ...], list[Problem]]:
    """Return the rows of the inventory, and a warning for every column that nobody knows.

    Commas with a decimal point, or ``;`` or tabs with a decimal comma: told from the header row.

    Raises:
        InputError: Every problem found, with line and column.
    """
    text = decode(data, file)
    first = next((line for line in text.split("\n") if line.strip()), "")
    if not first:
        raise InputError(Problem("the file is empty", f"write the header row: {','.join(REQUIRED)}", file))
    separator = next((mark for mark in (";", "\t") if mark in first), ",")
    decimal = "." if separator == "," else ","
    table = rows(text.split("\n"), 1, file, separator)
    header_row = next(table, None)
    if header_row is None:
        do = f"write the header row: {','.join(REQUIRED)}"
        raise InputError(Problem("column 'monitor' is missing: there is no header row", do, file, 1, "monitor"))
    header = [cell.strip() for cell in header_row.cells]
    while header and not header[-1]:  # a spreadsheet's trailing empty columns
        header.pop()
    _check_header(header, file, header_row.line)
    warnings = [
        Problem(
            f"column {name!r} is not known and not used",
            nearest(name, REQUIRED + OPTIONAL),
            file,
            header_row.line,
            name,
        )
        for name in header
        if name not in REQUIRED + OPTIONAL
    ]
    problems: list[Problem] = []
    found: list[tuple[int, Monitor]] = []
    for row in table:
        cells = list(row.cells)
        while len(cells) > len(header) and not cells[-1].strip():
            cells.pop()
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            what = f"{len(cells)} cells under {len(header)} columns"
            problems.append(Problem(what, "give the row one cell a column", file, row.line))
            continue
        named = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        found.append((row.line, _Door(named, file, row.line, decimal, problems).monitor()))
    problems += _doubles(found, file)
    if not found and not problems:
        problems.append(Problem("no monitor is listed", "add a row a monitor", file, 2))
    if problems:
        raise InputError(problems)
    return tuple(monitor for _, monitor in found), warnings


def _check_header(header: list[str], file: str, line: int) -> None:
    missing = [name for name in REQUIRED if name not in header]
    doubles = sorted({name for name in header if name and header.count(name) > 1})
    problems = [
        Problem(f"column {name!r} is missing", "add it to the header row", file, line, name) for name in missing
    ]
    problems += [Problem(f"column {name!r} stands twice", "keep one", file, line, name) for name in doubles]
    if problems:
        raise InputError(problems)


def _doubles(found: list[tuple[int, Monitor]], file: str) -> list[Problem]:
    """Return rows that name one monitor and preset twice, and ids that differ by case only."""
    problems = []
    seen: dict[tuple[str, str], tuple[int, Monitor]] = {}
    for line, monitor in found:
        key = (monitor.id, monitor.preset)
        if key not in seen:
            seen[key] = (line, monitor)
            continue
        first_line, first = seen[key]
        which = f"{monitor.id!r}" + (f" preset {monitor.preset!r}" if monitor.preset else "")
        what = f"{which} stands on line {first_line} too"
        if first.room != monitor.room:
            what += f", in room {first.room!r}; one preset stands in one room"
        problems.append(Problem(what, "keep one row, or name another preset", file, line, "monitor"))
    for first_name, second in ids.same_but_for_case(monitor.id for _, monitor in found):
        what = f"{second!r} differs from {first_name!r} by case only"
        line = next(line for line, monitor in found if monitor.id == second)
        problems.append(Problem(what, "write it in one way, or rename one", file, line, "monitor"))
    return problems


def _day(cell: str) -> str:
    """Return a day written as YYYY-MM-DD; ``fromisoformat`` alone takes other forms too."""
    if date.fromisoformat(cell).isoformat() != cell:
        raise ValueError(cell)
    return cell


class _Door:
    """One row on its way in: each getter checks a cell, notes a problem, and returns what can be used."""

    def __init__(self, cells: dict[str, str], file: str, line: int, decimal: str, problems: list[Problem]) -> None:
        self._cells, self._file, self._line = cells, file, line
        self._decimal, self._problems = decimal, problems

    def monitor(self) -> Monitor:
        name = self._cells.get("encoding", "")
        encoding = self._checked("encoding", STANDARD.__getitem__, None, nearest(name, STANDARD))
        return Monitor(
            id=self._id("monitor"),
            room=self._id("room"),
            panel=self._required("panel"),
            preset=self._id("preset") if self._cells.get("preset") else "",
            encoding=encoding,
            adjusts=self._adjusts(),
            dims=self._choice("dims", _DIMS, "signal"),
            dims_min=self._number("dims_min", 0.1, 0.001, 1.0),
            hours=self._number("hours", None, 0, 1e6),
            hours_date=self._date("hours_date"),
            location=self._cells.get("location", ""),
            serial=self._cells.get("serial", ""),
            adjusted=self._date("adjusted"),
            note=self._cells.get("note", ""),
            native=self._native(),
            line=self._line,
        )

    def _fault(self, column: str, what: str, do: str = "") -> None:
        self._problems.append(Problem(what, do, self._file, self._line, column))

    def _checked(self, column: str, convert: Callable[[str], Any], default: Any, do: str) -> Any:
        cell = self._cells.get(column, "")
        if not cell:
            return default
        try:
            return convert(cell)
        except (KeyError, ValueError):
            self._fault(column, f"{cell!r} cannot be read", do)
            return default

    def _required(self, column: str) -> str:
        cell = self._cells.get(column, "")
        if not cell:
            self._fault(column, "the cell is empty", "write it out")
        return cell

    def _id(self, column: str) -> str:
        cell = self._required(column)
        wrong = ids.fault(cell) if cell else ""
        if wrong:
            self._fault(column, f"{cell!r} is no id: it {wrong}", ids.RULE)
        return cell

    def _number(self, column: str, default: float | None, low: float, high: float) -> Any:
        cell = self._cells.get(column, "")
        if not cell:
            return default
        try:
            value = number(cell, self._decimal)
        except ValueError as error:
            self._fault(column, str(error))
            return default
        if not low <= value <= high:
            self._fault(column, f"{cell} is out of range", f"it lies between {low:g} and {high:g}")
        return value

    def _date(self, column: str) -> str:
        do = "write it as YYYY-MM-DD"
        return str(self._checked(column, _day, "", do))

    def _choice(self, column: str, options: tuple[str, ...], default: str) -> str:
        cell = self._cells.get(column, "") or default
        if cell not in options:
            self._fault(column, f"{cell!r} is not a value of this column", nearest(cell, options))
            return default
        return cell

    def _adjusts(self) -> tuple[str, ...]:
        words = self._cells.get("adjusts", "").replace(",", " ").split()
        for word in words:
            if word not in ADJUSTABLE:
                self._fault("adjusts", f"{word!r} is nothing a menu takes", nearest(word, ADJUSTABLE))
        return tuple(word for word in ADJUSTABLE if word in words) if words else ADJUSTABLE

    def _native(self) -> NativeLimits | None:
        given = [column for column in _NATIVE if self._cells.get(column)]
        if not given:
            return None
        missing = [column for column in _NATIVE if column not in given]
        if missing:
            self._fault(missing[0], "native limits are given in part", f"add {', '.join(missing)}, or none")
            return None
        peak = self._number("peak_luminance", 0.0, 0.1, 1e5)
        black = self._number("black", 0.0, 0.0, 1e3)
        xy = [self._number(column, 0.3, 0.0001, 0.9) for column in _NATIVE[2:]]
        if not black < peak:
            self._fault("black", f"{black:g} is not below peak_luminance {peak:g}", "swap or correct them")
        return NativeLimits(peak, black, (xy[0], xy[1]), (xy[2], xy[3]), (xy[4], xy[5]))
