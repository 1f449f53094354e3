"""``.xlsx``: the rows of a session file on the first sheet. The line of a reading is its row there."""

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from datetime import datetime
from functools import partial
from typing import Any

from matchlib.errors import InputError, Problem
from matchlib.facility.formats import KEYS
from matchlib.readings.formats.keys import Keys
from matchlib.readings.formats.table import Source, Table
from matchlib.text import Row

ZIP = b"PK\x03\x04"
_MOST_BYTES = 64_000_000  # declared, unpacked: ten thousand patches with full spectra
_MOST_FILES = 1000
_MOST_ROWS = 100_000
_MOST_CELLS = 2_000_000
_CELL = re.compile(rb"<(?:[a-z0-9]+:)?c[\s/>]")
_MERGED = re.compile(rb'mergeCell\s[^>]*\bref="([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})"')
_SAVE = "save the sheet as .xlsx again, or as a session CSV"


def open_workbook(data: bytes, file: str) -> Source:
    """Return the keys of a workbook's first sheet, and its table once that is asked for.

    Raises:
        InputError: No workbook, larger than a session can be, or a first sheet that cannot be read.
    """
    _check_size(data, file)
    rows = list(_rows(data, file))
    keys = Keys(file, "row '# {key}: …'", "above the header row", empty=not rows)
    for place, (line, cells) in enumerate(rows):
        key, value = _key(cells)
        if key is None:
            return Source(keys, partial(_table, rows[place:], data, file))
        if key:
            keys.take(key, value, line)
    return Source(keys, partial(_table, [], data, file), bare=True)


def _check_size(data: bytes, file: str) -> None:
    """Refuse by the unpacked size that the archive declares what would fill the memory."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            names = {member.filename for member in members}
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        raise InputError(Problem(f"a damaged .xlsx file: {error}", _SAVE, file)) from None
    size = sum(member.file_size for member in members)
    if size > _MOST_BYTES or len(members) > _MOST_FILES:
        what = f"unpacked, the file has {size:,} bytes in {len(members)} parts: more than any session"
        raise InputError(Problem(what, "keep the readings alone on its first sheet", file))
    cells = _count_cells(data, file)
    if cells > _MOST_CELLS:
        raise InputError(Problem(f"{cells:,} cells are more than any session has", _SAVE, file))
    if "[Content_Types].xml" not in names:
        raise InputError(Problem("this is a zip file, but no .xlsx", "unpack it, or set it aside", file))


def _count_cells(data: bytes, file: str) -> int:
    """Return how many cells the sheets begin, counted without building them."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
            return sum(len(_CELL.findall(archive.read(name))) for name in sheets)
    except Exception as error:  # noqa: BLE001 - the same as of damaged XML below
        raise InputError(Problem(f"a damaged .xlsx file: {error}", _SAVE, file)) from None


def _load(data: bytes, file: str, *, values: bool) -> Any:
    """Return the first sheet: the values of its formulas, or the formulas."""
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions that hold no reading
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=values)
        return book.worksheets[0]
    except Exception as error:  # noqa: BLE001 - damaged XML raises whatever the parser meets first
        raise InputError(Problem(f"a damaged .xlsx file ({type(error).__name__})", _SAVE, file)) from None


def _rows(data: bytes, file: str) -> Iterator[tuple[int, list[str]]]:
    """Yield number and cells of every row that is not blank, cells as text."""
    sheet = _load(data, file, values=True)
    line, count = 0, 0
    try:
        sheet.reset_dimensions()  # what a file declares of its size may be wrong
        for line, row in enumerate(sheet.iter_rows(), start=1):
            count += len(row)
            if line > _MOST_ROWS or count > _MOST_CELLS:
                raise InputError(Problem("the first sheet is larger than any session", _SAVE, file, line))  # noqa: TRY301
            cells = [_text(cell) for cell in row]
            while cells and not cells[-1].strip():
                cells.pop()
            if cells:
                yield line, cells
    except InputError:
        raise
    except Exception as error:  # noqa: BLE001 - the same
        what = f"a damaged .xlsx file: the first sheet cannot be read ({type(error).__name__})"
        raise InputError(Problem(what, _SAVE, file, line + 1)) from None


def _text(cell: Any) -> str:
    """Return a cell as a session file would have it."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, datetime):
        shows_time = "h" in str(cell.number_format).lower()
        return value.isoformat() if shows_time or value.time() != value.min.time() else value.date().isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _key(cells: list[str]) -> tuple[str | None, str]:
    """Return key and value of a row above the header row; no key for a comment; None for the header row."""
    first, second = cells[0].strip(), cells[1].strip() if len(cells) > 1 else ""
    key, colon, value = first.removeprefix("#").partition(":")
    key, value = key.strip(), value.strip()
    if not first.startswith("#") and (key not in KEYS or value):
        return None, ""
    if value or (colon and not second):
        return key, value
    return (key, second) if second else ("", "")


def _table(rows: list[tuple[int, list[str]]], data: bytes, file: str) -> Table:
    if not rows:
        do = "a session begins with '# display: …'; its table with a header row"
        raise InputError(Problem("no header row follows the key rows of the first sheet", do, file))
    line, header = rows[0]
    names = tuple(cell.strip() for cell in header)
    width = len(names)
    filled = [Row(number, tuple(cells + [""] * (width - len(cells)))) for number, cells in rows[1:]]
    return Table(names, names, line, filled, cell=partial(_cell, dict(rows[1:]), data, file))


def _cell(texts: dict[int, list[str]], data: bytes, file: str, line: int, place: int) -> str:
    """Return the address of a cell at fault, and why it may be empty."""
    from openpyxl.utils import get_column_letter

    address = f"{get_column_letter(place + 1)}{line}"
    cells = texts.get(line, [])
    if place < len(cells) and cells[place].strip():
        return f"cell {address}: "
    sheet = _load(data, file, values=False)
    if merged := _merged_area(data, getattr(sheet, "_worksheet_path", ""), line, place + 1):
        return f"cell {address} is one of the merged cells {merged}: "
    row = next(sheet.iter_rows(min_row=line, max_row=line), ())
    if place < len(row) and row[place].data_type == "f":
        return f"cell {address} holds a formula whose value was never stored: "
    return f"cell {address}: "


def _merged_area(data: bytes, sheet: str, line: int, column: int) -> str:
    """Return the merged cells that a cell is part of; empty for none."""
    from openpyxl.worksheet.cell_range import CellRange

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        text = archive.read(sheet) if sheet in archive.namelist() else b""
    for match in _MERGED.finditer(text):
        area = CellRange(match[1].decode())
        if area.min_row <= line <= area.max_row and area.min_col <= column <= area.max_col:
            return str(area.coord)
    return ""
