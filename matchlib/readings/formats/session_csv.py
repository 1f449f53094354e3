"""The session file of this house: key lines, then RFC 4180 CSV."""

import math
import re
from hashlib import sha256

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.encoding import Encoding, tristimulus_to_signal
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.rooms import Facility
from matchlib.readings.formats.keys import Keys, read_header
from matchlib.readings.session import Header, Session
from matchlib.text import Row, decode, number, rows

COLUMNS = ("patch", "r", "g", "b", "X", "Y", "Z", "x", "y")
_SPECTRAL = re.compile(r"nm\d+(\.\d+)?")
_MOST_LIGHT = 1e6  # cd/m²
_LEAST_Y = 1e-4  # the spectrum locus comes no nearer to y = 0 (CIE 1931, 380 nm: .005)
_SEVERAL = 20  # so many problems of one kind are listed; more would hide them


def read_session(data: bytes, file: str, facility: Facility, display_encoding: Encoding) -> Session:
    """Return a checked session from the bytes of its file.

    Args:
        data: The whole file.
        file: Its path relative to the facility folder.
        facility: For the instrument's floor and the time zone.
        display_encoding: What the display is fed where the file does not say.

    Raises:
        InputError: Every problem found, each with line and column.
    """
    keys = Keys(decode(data, file), file)
    if not keys.table:
        what = "the file is empty" if not keys.values else "no header row follows the key lines"
        raise InputError(Problem(what, "a session begins with '# display: …'; its table with a header row", file))
    header, warnings = read_header(keys, facility)
    table = rows(keys.table, keys.table_line, file)
    header_row = next(table, None)
    if header_row is None:
        what = "no header row: it needs the columns r, g, b and X, Y, Z (or x, y, Y)"
        raise InputError(Problem(what, "write it above the readings", file, keys.table_line))
    names = [cell.strip() for cell in header_row.cells]
    warnings += _check_columns(names, file, header_row.line)
    labels, cells, lines = _cells(table, names, file)
    codes = cells[:, :3]
    xyz = _to_xyz(cells[:, 3:], names, lines, file) * header.scale
    _check_floor(xyz, names, facility.instruments[header.instrument].floor, lines, file)
    warnings += _check_codes(codes, header, lines)
    signal = (codes - header.signal_min) / (header.signal_max - header.signal_min)
    encoding = header.encoding or display_encoding
    if encoding.tristimulus:
        encoding = display_encoding
        signal = tristimulus_to_signal(signal, encoding, header.step / 2)
    in_range = np.all((signal >= 0) & (signal <= 1), axis=1)
    _check_labels(labels, codes, lines, file)
    return Session(
        header,
        sha256(data).hexdigest(),
        encoding,
        labels,
        read_only(signal),
        read_only(xyz),
        in_range,
        tuple(warnings),
    )


def _check_columns(names: list[str], file: str, line: int) -> list[Problem]:
    """Return a warning for every unknown column; refuse a table without what is needed."""
    if any(_SPECTRAL.fullmatch(name) for name in names):
        name = next(name for name in names if _SPECTRAL.fullmatch(name))
        what = "spectra are not read by this version yet"
        raise InputError(Problem(what, "give X, Y, Z columns, or set the file aside", file, line, name))
    problems = [
        Problem(f"column {name!r} stands twice", "keep one of them", file, line, name)
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    tristimulus = {"X", "Y", "Z"} <= set(names)
    needed = ["r", "g", "b"] + ([] if {"x", "y", "Y"} <= set(names) or tristimulus else ["X", "Y", "Z"])
    if not set(COLUMNS) & {name.lower() for name in names} | set(COLUMNS) & set(names):
        what = "no header row: it needs the columns r, g, b and X, Y, Z (or x, y, Y)"
        raise InputError(Problem(what, "write it above the readings", file, line))
    problems += [
        Problem(f"column {name!r} is missing", "a session needs r, g, b and X, Y, Z or x, y, Y", file, line, name)
        for name in needed
        if name not in names
    ]
    if problems:
        raise InputError(problems)
    unused = [name for name in names if name not in COLUMNS or (tristimulus and name in ("x", "y"))]
    return [
        Problem(f"column {name!r} is not used", nearest(name, COLUMNS, "used"), file, line, name) for name in unused
    ]


def _value_columns(names: list[str]) -> tuple[str, ...]:
    return ("X", "Y", "Z") if {"X", "Y", "Z"} <= set(names) else ("x", "y", "Y")


def _cells(table: object, names: list[str], file: str) -> tuple[tuple[str, ...], Array, list[int]]:
    """Return labels, the numbers of the six columns wanted, and the line of each row."""
    wanted = [names.index(name) for name in ("r", "g", "b", *_value_columns(names))]
    patch = names.index("patch") if "patch" in names else None
    labels, values, lines = [], [], []
    problems: list[Problem] = []
    for row in table:  # type: ignore[attr-defined]
        if len(problems) >= _SEVERAL:
            problems.append(Problem("and more of the kind may follow", "", file, row.line))
            break
        if len(row.cells) != len(names):
            problems.append(_wrong_length(row, names, file))
            continue
        found = [_cell(row, place, names, file, problems) for place in wanted]
        if patch is not None:
            labels.append(row.cells[patch].strip())
            if not labels[-1]:
                problems.append(Problem("the cell is empty", "name the patch", file, row.line, "patch"))
        values.append(found)
        lines.append(row.line)
    if problems:
        raise InputError(problems)
    if not values:
        raise InputError(Problem("no readings follow the header row", "export the session again", file))
    return tuple(labels), np.array(values), lines


def _wrong_length(row: Row, names: list[str], file: str) -> Problem:
    count = f"{len(row.cells)} cell" + ("s" if len(row.cells) != 1 else "")
    do = "give the row one cell a column"
    if row.cells[0].startswith("#"):
        do = "key lines and comments stand above the header row"
    return Problem(f"{count} under {len(names)} columns", do, file, row.line)


def _cell(row: Row, place: int, names: list[str], file: str, problems: list[Problem]) -> float:
    try:
        return number(row.cells[place])
    except ValueError as error:
        problems.append(Problem(str(error), "", file, row.line, names[place]))
        return math.nan


def _to_xyz(values: Array, names: list[str], lines: list[int], file: str) -> Array:
    """Return X, Y, Z of the three value columns; refuse more light than any display has."""
    columns = _value_columns(names)
    if columns[0] == "x":
        _check_chromaticities(values, lines, file)
    huge = np.argwhere(np.abs(values) > _MOST_LIGHT)
    if len(huge):
        row, column = huge[0]
        what = f"{values[row, column]:.6g} is more light than any display has"
        raise InputError(Problem(what, "correct the reading or the unit", file, lines[row], columns[column]))
    if columns[0] == "X":
        return values
    x, y, luminance = values.T
    scale = np.divide(luminance, y, out=np.zeros_like(y), where=y > 0)
    return np.stack([x * scale, luminance, (1 - x - y) * scale], axis=1)


def _check_chromaticities(values: Array, lines: list[int], file: str) -> None:
    """Refuse x, y that no light has: y near 0, or x + y above 1 by more than rounding."""
    x, y, luminance = values.T
    bad = np.flatnonzero((luminance != 0) & ((y < _LEAST_Y) | (x + y > 1.001) | (x < 0)))
    if len(bad):
        what = f"x {x[bad[0]]:g}, y {y[bad[0]]:g}: no light has that chromaticity"
        do = "give X, Y, Z, or the chromaticity that was read"
        raise InputError(Problem(what, do, file, lines[bad[0]], "y"))


def _check_floor(xyz: Array, names: list[str], floor: float, lines: list[int], file: str) -> None:
    """Refuse readings more negative than the instrument's floor; slightly negative darks are real."""
    bad = np.argwhere(xyz < -floor)
    columns = "XYZ" if _value_columns(names)[0] == "X" else "xYy"  # a negative Z comes of x + y above 1
    if len(bad):
        raise InputError(
            Problem(
                f"{xyz[row, column]:.6g} is negative beyond the instrument's floor of {floor:g} cd/m²",
                "measure again, correct the floor of the instrument, or set the file aside",
                file,
                lines[row],
                columns[column],
            )
            for row, column in bad[:_SEVERAL]
        )


def _check_codes(codes: Array, header: Header, lines: list[int]) -> list[Problem]:
    """Refuse codes that the declared range cannot hold; warn of those outside black to white.

    A range that leaves foot- and headroom (64 to 940) holds codes beyond it; a full range (0 to 255) does
    not. Plain fractions may go a tenth beyond.
    """
    if header.signal_max <= 1:
        low, high = -0.1, 1.1
    else:
        low, high = 0.0, 2.0 ** math.ceil(math.log2(header.signal_max + 1)) - 1
    problems = [
        Problem(
            f"code {codes[row, column]:g} is {'above' if codes[row, column] > high else 'below'} what "
            f"signal_max {header.signal_max:g} allows",
            "correct signal_max (1, 255, 1023, 4095, …) or the code",
            header.file,
            lines[row],
            "rgb"[column],
        )
        for row, column in np.argwhere((codes < low) | (codes > high))[:_SEVERAL]
    ]
    if problems:
        raise InputError(problems)
    outside = np.argwhere((codes < header.signal_min) | (codes > header.signal_max))
    if not len(outside):
        return []
    row, column = outside[0]
    count = len(set(outside[:, 0].tolist()))
    what = (
        f"code {codes[row, column]:g} is outside {header.signal_min:g} to {header.signal_max:g}: "
        f"{count} such row{'s' if count > 1 else ''} read, not fitted"
    )
    return [
        Problem(
            what,
            "check signal_min and signal_max if that is not meant",
            header.file,
            lines[row],
            "rgb"[column],
        )
    ]


def _check_labels(labels: tuple[str, ...], codes: Array, lines: list[int], file: str) -> None:
    """Refuse one label with two signals."""
    seen: dict[str, int] = {}
    for place, label in enumerate(labels):
        first = seen.setdefault(label, place)
        if not np.array_equal(codes[first], codes[place]):
            what = f"label {label!r} has another signal on line {lines[first]}"
            raise InputError(Problem(what, "give each signal its own label", file, lines[place], "patch"))
