"""The session file of this house: ``# key: value`` lines, then RFC 4180 CSV."""

import math
import re
from datetime import datetime
from hashlib import sha256

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.encoding import STANDARD, Encoding, tristimulus_to_signal
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.rooms import Facility
from matchlib.readings.session import Header, Session
from matchlib.text import Row, decode, number, rows

CD_M2_PER_FL = 3.4262591  # 1 fL = 1/π cd/ft² (NIST SP 811, appendix B.8)
KEYS = (
    "display",
    "measured",
    "signal_max",
    "instrument",
    "signal_min",
    "mode",
    "preset",
    "encoding",
    "hours",
    "luminance_unit",
    "position",
    "window",
    "veil",
    "note",
)
COLUMNS = ("patch", "r", "g", "b", "X", "Y", "Z", "x", "y")
_EDGES = ("top", "bottom"), ("left", "right")
POSITIONS = (
    "centre",
    *(name for edge in _EDGES for name in edge),
    *(f"{first} {second}" for first in _EDGES[0] for second in _EDGES[1]),
)
_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)?")
_SPECTRAL = re.compile(r"nm\d+(\.\d+)?")
_SEVERAL = 20  # so many problems of one kind are listed; more would hide them


class Keys:
    """The ``# key: value`` lines of a file, and where its table begins.

    Attributes:
        values: Value and line of each key.
        table: The lines from the header row on; ``table_line``: the number of the first of them.
        problems: Keys that stand twice.
    """

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.values: dict[str, tuple[str, int]] = {}
        self.problems: list[Problem] = []
        lines = text.split("\n")
        place = 0
        for place, line in enumerate(lines):
            if line.strip() and not line.startswith("#"):
                break
            self._take(line, place + 1)
        else:
            place = len(lines)
        self.table, self.table_line = lines[place:], place + 1

    def _take(self, line: str, number_: int) -> None:
        key, colon, value = line[1:].partition(":")
        key, value = key.strip(), value.strip()
        if not colon or not line.startswith("#"):
            return
        if key in self.values:
            what = f"key {key!r} stands on line {self.values[key][1]} too"
            do = "one file holds one session of one display" if key == "display" else "keep one of them"
            self.problems.append(Problem(what, do, self.file, number_, key))
            if key == "display" and value != self.values[key][0]:
                self.values[key] = ("", number_)  # which display it is cannot be told
            return
        self.values[key] = (value, number_)

    def get(self, key: str, default: str = "") -> str:
        """Return the value of a key."""
        return self.values.get(key, (default, 0))[0]

    def fault(self, key: str, what: str, do: str) -> None:
        """Note a problem with a key."""
        line = self.values[key][1] if key in self.values else None
        self.problems.append(Problem(what, do, self.file, line, key))


def read_header(keys: Keys, facility: Facility) -> tuple[Header, list[Problem]]:
    """Return what a session file says of itself, and warnings.

    Raises:
        InputError: Every problem of the header lines.
    """
    _check_required(keys)
    measured = _measured(keys, facility)
    signal_max, signal_min = _signal_range(keys)
    instrument = facility.instruments.get(keys.get("instrument"))
    if keys.get("instrument") and instrument is None:
        do = f"{nearest(keys.get('instrument'), facility.instruments)} Declare it under [instruments]"
        keys.fault("instrument", f"no instrument {keys.get('instrument')!r}", do)
    if wrong := ids.fault(keys.get("preset")) if keys.get("preset") else "":
        keys.fault("preset", f"{keys.get('preset')!r} is no id: it {wrong}", ids.RULE)
    contact = instrument is not None and instrument.contact
    veil = _choice(keys, "veil", ("included", "excluded"), "excluded" if contact else "included")
    header = Header(
        file=keys.file,
        display=keys.get("display"),
        measured=measured,
        instrument=keys.get("instrument"),
        signal_max=signal_max,
        signal_min=signal_min,
        mode=_choice(keys, "mode", ("calibrated", "native"), "calibrated"),
        preset=keys.get("preset"),
        encoding=_encoding(keys),
        hours=_plain_number(keys, "hours"),
        scale=CD_M2_PER_FL if _unit(keys) == "fL" else 1.0,
        position=_choice(keys, "position", POSITIONS, "centre"),
        window=keys.get("window"),
        veil_included=veil == "included",
        note=keys.get("note"),
    )
    if keys.problems:
        raise InputError(keys.problems)
    unknown = [
        Problem(f"key {key!r} is not known and not used", nearest(key, KEYS), keys.file, line, key)
        for key, (_, line) in keys.values.items()
        if key not in KEYS
    ]
    return header, unknown


def _check_required(keys: Keys) -> None:
    for key in ("display", "measured", "signal_max", "instrument"):
        if key not in keys.values:
            keys.problems.append(
                Problem(f"key {key!r} is missing", f"add a line '# {key}: …' above the header row", keys.file)
            )
        elif not keys.get(key) and not any(problem.column == key for problem in keys.problems):
            keys.fault(key, f"key {key!r} is empty", "write its value after the colon")


def _measured(keys: Keys, facility: Facility) -> datetime:
    """Return the instant of the session; a time without offset is in the facility's time zone."""
    text = keys.get("measured")
    try:
        when = datetime.fromisoformat(text.upper()) if _RFC_3339.fullmatch(text) else None
    except ValueError:  # the form is right, the day or the hour is none
        when = None
    if when is None:
        if text:
            do = "write date and time as 2026-10-02T09:40:00+01:00 (RFC 3339)"
            keys.fault("measured", f"{text!r} is no date and time", do)
        return datetime(1, 1, 1, tzinfo=facility.time_zone)
    return when if when.tzinfo else when.replace(tzinfo=facility.time_zone)


def _signal_range(keys: Keys) -> tuple[float, float]:
    top = _plain_number(keys, "signal_max")
    bottom = _plain_number(keys, "signal_min") or 0.0
    if top is None:
        return 1.0, 0.0
    if top < 1:
        keys.fault("signal_max", f"{top:g} is no code of full signal", "write 1, 255, 1023, 4095, 65535 or 940")
        return 1.0, 0.0
    if not 0 <= bottom < top:
        keys.fault(
            "signal_min",
            f"{bottom:g} is not between 0 and signal_max {top:g}",
            "write the code of zero signal",
        )
        return top, 0.0
    return top, bottom


def _plain_number(keys: Keys, key: str) -> float | None:
    if not keys.get(key):
        if key in keys.values and key != "signal_max":
            keys.fault(key, f"key {key!r} is empty", "write a number, or take the line out")
        return None
    try:
        return number(keys.get(key))
    except ValueError:
        keys.fault(key, f"{keys.get(key)!r} is not a number", "write a plain decimal number alone on the line")
        return None


def _choice(keys: Keys, key: str, options: tuple[str, ...], default: str) -> str:
    value = keys.get(key, default)
    if value not in options:
        keys.fault(key, f"{value!r} is not a value of {key!r}", nearest(value, options))
    return value


def _unit(keys: Keys) -> str:
    value = keys.get("luminance_unit", "cd/m2").replace("²", "2")
    if value not in ("cd/m2", "fL"):
        keys.fault("luminance_unit", f"{value!r} is no luminance unit that is known", "write cd/m2 or fL")
    return value


def _encoding(keys: Keys) -> Encoding | None:
    name = keys.get("encoding")
    if not name:
        return None
    if name not in STANDARD:
        keys.fault("encoding", f"{name!r} is no encoding that is known", nearest(name, STANDARD))
    return STANDARD.get(name)


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
    header_row = next(table)
    names = [cell.strip() for cell in header_row.cells]
    warnings += _check_columns(names, file, header_row.line)
    labels, cells, lines = _cells(table, names, file)
    codes = cells[:, :3]
    xyz = _to_xyz(cells[:, 3:], names, lines, file) * header.scale
    _check_floor(xyz, facility.instruments[header.instrument].floor, lines, file)
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
    if not set(needed) & set(names):
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
    """Return X, Y, Z of the three value columns."""
    if _value_columns(names)[0] == "X":
        return values
    x, y, luminance = values.T
    bad = np.flatnonzero((y <= 0) & (luminance != 0))
    if len(bad):
        what = f"y is {y[bad[0]]:g}: no light has that chromaticity"
        do = "give X, Y, Z, or the chromaticity that was read"
        raise InputError(Problem(what, do, file, lines[bad[0]], "y"))
    scale = np.divide(luminance, y, out=np.zeros_like(y), where=y > 0)
    return np.stack([x * scale, luminance, (1 - x - y) * scale], axis=1)


def _check_floor(xyz: Array, floor: float, lines: list[int], file: str) -> None:
    """Refuse readings more negative than the instrument's floor; slightly negative darks are real."""
    bad = np.argwhere(xyz < -floor)
    if len(bad):
        raise InputError(
            Problem(
                f"{xyz[row, column]:.6g} is negative beyond the instrument's floor of {floor:g} cd/m²",
                "measure again, correct the floor of the instrument, or set the file aside",
                file,
                lines[row],
                "XYZ"[column],
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
