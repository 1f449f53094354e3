"""Text files at the door: bytes to rows, every row with its line number."""

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

from matchlib.errors import InputError, Problem

_NUMBER = re.compile(r"[0-9+\-.eE]+")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f]")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: its cells, and the line on which it begins, from 1."""

    line: int
    cells: tuple[str, ...]


def decode(data: bytes, file: str, encoding: str = "utf-8") -> str:
    """Return the text of a file's bytes, byte-order mark removed, line ends as LF.

    Raises:
        InputError: Not in that encoding, or control characters that no text file has; names line and column.
    """
    try:
        text = data.decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = _line_ends(data[: error.start].decode(encoding, "replace")).count("\n") + 1
        what = f"byte 0x{data[error.start]:02x} is not {encoding.upper()} text"
        do = "save the file as UTF-8, or set it aside if it is no text"
        if encoding != "utf-8":
            do = "correct text_encoding in its [[formats]] entry, or set the file aside"
        raise InputError(Problem(what, do, file, line)) from None
    text = _line_ends(text)
    found = _CONTROL.search(text)
    if found:
        bad = found.start()
        what = f"control character U+{ord(text[bad]):04X}: this is no text file"
        line, column = text.count("\n", 0, bad) + 1, bad - text.rfind("\n", 0, bad)
        raise InputError(Problem(what, "export it again, or set it aside with a reason", file, line, str(column)))
    return text


def _line_ends(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def rows(lines: list[str], first_line: int, file: str, separator: str = ",") -> Iterator[Row]:
    """Yield the rows of RFC 4180 text, blank lines skipped.

    Args:
        lines: Lines without their ends.
        first_line: Line number of the first of them.
        file: Named in errors.
        separator: Between cells.

    Raises:
        InputError: Quotes that do not pair, or text after a closing quote.
    """
    reader = csv.reader((line + "\n" for line in lines), delimiter=separator, strict=True)
    before = 0
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            what = f"not RFC 4180: {error}"
            do = 'double a quote inside quotes ("") and close every quoted cell'
            raise InputError(Problem(what, do, file, first_line + before)) from None
        line, before = first_line + before, reader.line_num
        if cells and not (len(cells) == 1 and not cells[0].strip()):
            yield Row(line, tuple(cells))


def number(cell: str, decimal: str = ".") -> float:
    """Return the finite number in a cell.

    Raises:
        ValueError: Not a plain decimal number; its text says what is wrong and what to do.

    >>> number("1.5e-3")
    0.0015
    """
    text = cell.strip()
    if not text:
        raise ValueError("the cell is empty; write the reading, or remove the row")
    if decimal == "," and "," in text and "." not in text:
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text):
        hint = "; write decimals with a point" if "," in text else "; write a plain decimal number"
        raise ValueError(f"{cell!r} is not a number{hint}")
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{cell!r} is not a number; write a plain decimal number") from None
    if abs(value) > 1e300:
        raise ValueError(f"{cell!r} is not a finite number; write the reading as it was")
    return value
