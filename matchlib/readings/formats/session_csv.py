"""The session file of this house: key lines, then RFC 4180 CSV."""

from matchlib.encoding import Encoding
from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Facility
from matchlib.readings.formats.door import read_source
from matchlib.readings.formats.keys import Keys
from matchlib.readings.formats.table import Source, Table
from matchlib.readings.session import Session
from matchlib.text import decode, rows


def read_session(data: bytes, file: str, facility: Facility, display_encoding: Encoding) -> Session:
    """Return a checked session from the bytes of a session CSV.

    Args:
        data: The whole file.
        file: Its path relative to the facility folder.
        facility: For the instrument's floor and the time zone.
        display_encoding: What the display is fed where the file does not say.

    Raises:
        InputError: Every problem found, each with line and column.
    """
    return read_source(open_session_csv(data, file), data, facility, display_encoding)


def open_session_csv(data: bytes, file: str) -> Source:
    """Return the keys of a session CSV, and its table once that is asked for."""
    lines = decode(data, file).split("\n")
    keys, place = read_key_lines(lines, file)
    return Source(keys, lambda: _table(lines[place:], place + 1, keys), bare=place == len(lines))


def read_key_lines(lines: list[str], file: str) -> tuple[Keys, int]:
    """Return the ``# key: value`` lines, and how many lines stand before the header row."""
    end = next((place for place, line in enumerate(lines) if line.strip() and line[0] != "#"), len(lines))
    keys = Keys(file, empty=not any(line.strip() for line in lines))
    for place, line in enumerate(lines[:end]):
        key, colon, value = line[1:].partition(":")
        if colon and line[0] == "#":
            keys.take(key.strip(), value.strip(), place + 1)
    return keys, end


def _table(lines: list[str], first_line: int, keys: Keys) -> Table:
    if not lines:
        what = "the file is empty" if not keys.values else "no header row follows the key lines"
        raise InputError(
            Problem(what, "a session begins with '# display: …'; its table with a header row", keys.file)
        )
    table = rows(lines, first_line, keys.file)
    header_row = next(table, None)
    if header_row is None:
        what = "no header row: it needs the columns r, g, b and X, Y, Z (or x, y, Y)"
        raise InputError(Problem(what, "write it above the readings", keys.file, first_line))
    names = tuple(cell.strip() for cell in header_row.cells)
    return Table(names, names, header_row.line, table)
