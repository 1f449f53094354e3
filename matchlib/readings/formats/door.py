"""The door every reading goes through: keys, rows and spectra of any format to one checked session."""

import math
from hashlib import sha256

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.encoding import Encoding, fraction_to_signal, peak_code, tristimulus_to_signal
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.formats import COLUMNS
from matchlib.facility.rooms import Facility
from matchlib.readings.formats.keys import read_header
from matchlib.readings.formats.spectra import read_spectra, to_tristimulus
from matchlib.readings.formats.table import Cells, Source, Table, read_cells
from matchlib.readings.session import Header, Session, Spectra

_MOST_LIGHT = 1e6  # cd/m²
_LEAST_Y = 1e-4  # the spectrum locus comes no nearer to y = 0 (CIE 1931, 380 nm: .005)
_DISAGREES = 0.01  # of the largest of X, Y, Z: half of the 2 % that a good meter is good for. The 4 nm spectra of a
# measured LCD give its meter's own values to 0.17 % (tests/reference/wide_gamut_lcd). No source
_SEVERAL = 20  # so many problems of one kind are listed; more would hide them


def read_source(source: Source, data: bytes, facility: Facility, display_encoding: Encoding) -> Session:
    """Return a checked session.

    Args:
        source: What a reader recognised.
        data: The whole file, for its digest.
        facility: For the instrument's floor and the time zone.
        display_encoding: What the display is fed where the file does not say.

    Raises:
        InputError: Every problem found, each with line and column.
    """
    if source.bare:
        source.table()
    header, warnings = read_header(source.keys.copy(), facility)
    table, file = source.table(), header.file
    warnings += [*table.warnings, *_check_columns(table, file)]
    spectral = tuple(name for _, name in table.spectral())
    values = _value_columns(table.names)
    cells = read_cells(table, ("r", "g", "b", *values, *spectral), file)
    warnings += _left_out(cells, file)
    codes = cells.values[:, :3]
    spectra = None
    if spectral:
        spectra, notes = read_spectra(table, cells.values[:, 3 + len(values) :], header)
        warnings += notes
    xyz = _tristimulus(cells, table, header, spectra)
    if values and spectra is not None:
        warnings += _disagreement(xyz, spectra, table, cells.lines, header, facility)
    columns = _columns_of_xyz(table, spectral)
    _check_floor(xyz, columns, facility.instruments[header.instrument].floor, cells.lines, file)
    warnings += _check_codes(codes, header, table, cells.lines)
    line = source.keys.values["encoding"][1] if header.encoding else None
    encoding, notes = _meaning(header, display_encoding, line)
    warnings += notes
    warnings += _check_peak(codes, header, encoding, table, cells.lines)
    signal = _signal(codes, header, encoding)
    _check_labels(cells.labels, codes, table, cells.lines, file)
    return Session(
        header,
        sha256(data).hexdigest(),
        encoding,
        cells.labels,
        read_only(signal),
        read_only(xyz),
        np.all((signal >= 0) & (signal <= 1), axis=1),
        tuple(warnings),
        spectra,
    )


def _is_tristimulus(header: Header, encoding: Encoding) -> bool:
    return (header.encoding or encoding).tristimulus


def _meaning(header: Header, display: Encoding, line: int | None) -> tuple[Encoding, list[Problem]]:
    """Return what the signals of the session mean, and a warning where the file's word for it is a guess.

    A file names a standard encoding. X′, Y′, Z′ codes become signals of the display's own encoding; under PQ
    they are X″, Y″, Z″ in PQ.

    Args:
        header: Of the file.
        display: What the display is fed.
        line: Where the file names its encoding.
    """
    named = header.encoding
    if named is None or named == display or display.eotf != "PQ":
        return (named if named is not None and not named.tristimulus else display), []
    if not named.tristimulus:
        what = f"the file says {named.name}, the display is fed {display.name}: read as {named.name}, not as PQ"
        do = "take the encoding line out if these are codes of the display's encoding"
        return named, [Problem(what, do, header.file, line, "encoding")]
    if display.tristimulus:
        return display, []
    what = f"the display is fed {display.name}: its X, Y, Z codes are taken as PQ, not as those of ST 428-1"
    do = 'say so in facility.toml with base = "XYZ" if they are, else measure in the display\'s own encoding'
    return display, [Problem(what, do, header.file, line, "encoding")]


def _signal(codes: Array, header: Header, encoding: Encoding) -> Array:
    """Return r, g, b signals of codes, shape (n, 3), 1 being full signal."""
    fraction = (codes - header.signal_min) / (header.signal_max - header.signal_min)
    if _is_tristimulus(header, encoding):
        return tristimulus_to_signal(fraction, encoding, header.step / 2)
    return fraction_to_signal(fraction, encoding, header.step)


def _check_peak(codes: Array, header: Header, encoding: Encoding, table: Table, lines: list[int]) -> list[Problem]:
    """Return a warning of PQ codes that ask for more than the declared peak."""
    if encoding.eotf != "PQ":
        return []
    peak = header.signal_min + peak_code(encoding) * (header.signal_max - header.signal_min)
    columns = [1] if _is_tristimulus(header, encoding) else [0, 1, 2]  # Y is what a peak is told in
    above = np.argwhere(_above_peak(codes[:, columns], header, encoding))
    if not len(above):
        return []
    row, column = above[0, 0], columns[above[0, 1]]
    count = len(set(above[:, 0].tolist()))
    code = f"{peak:.1f}" if header.step else f"{peak:.4f}"
    what = (
        f"code {codes[row, column]:g} is above {code}, in PQ the declared peak of {encoding.luminance:g} cd/m²: "
        f"{count} such row{'s' if count > 1 else ''} read, not fitted"
    )
    do = "correct luminance in facility.toml if the display is meant to show more"
    return [Problem(what, do, header.file, lines[row], table.title("rgb"[column]))]


def _above_peak(codes: Array, header: Header, encoding: Encoding) -> Array:
    fraction = (codes - header.signal_min) / (header.signal_max - header.signal_min)
    return np.asarray(fraction_to_signal(fraction, encoding, header.step) > 1)


def _value_columns(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the columns that hold X, Y, Z or x, y, Y; none where only spectra tell."""
    triples = (("X", "Y", "Z"), ("x", "y", "Y"))
    return next((triple for triple in triples if set(triple) <= set(names)), ())


def _columns_of_xyz(table: Table, spectral: tuple[str, ...]) -> list[str]:
    """Return the column to name where X, Y or Z is wrong."""
    values = _value_columns(table.names)
    if not values:
        return [table.title(spectral[0])] * 3
    names = "XYZ" if values[0] == "X" else "xYy"  # a negative Z comes of x + y above 1
    return [table.title(name) for name in names]


def _check_columns(table: Table, file: str) -> list[Problem]:
    """Return a warning for every unknown column; refuse a table without what is needed."""
    names, line = table.names, table.line
    problems = [
        Problem(f"column {name!r} stands twice", "keep one of them", file, line, name)
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    values, spectral = _value_columns(names), [name for _, name in table.spectral()]
    needed = ["r", "g", "b"] + ([] if values or spectral else ["X", "Y", "Z"])
    if not set(COLUMNS) & {*names, *(name.lower() for name in names)}:
        what = "no header row: it needs the columns r, g, b and X, Y, Z (or x, y, Y)"
        do = "write it above the readings"
        mark = next((mark for mark in (";", "\t") if any(mark in name for name in names)), "")
        if mark:
            what = f"the cells are separated by {mark!r}, a session file's by commas"
            do = "export it with commas and decimal points, or describe such files under [[formats]]"
        raise InputError(Problem(what, do, file, line))
    problems += [
        Problem(f"column {name!r} is missing", "a session needs r, g, b and X, Y, Z or x, y, Y", file, line, name)
        for name in needed
        if name not in names
    ]
    if problems:
        raise InputError(problems)
    used = {"patch", "r", "g", "b", *values, *spectral}
    return [
        Problem(f"column {title!r} is not used", nearest(title, COLUMNS, "used"), file, line, title)
        for name, title in zip(names, table.titles, strict=True)
        if name not in used and not table.mapped
    ]


def _left_out(cells: Cells, file: str) -> list[Problem]:
    if not cells.left_out:
        return []
    count = len(cells.left_out)
    lines = ", ".join(map(str, cells.left_out[:_SEVERAL])) + (", …" if count > _SEVERAL else "")
    what = f"{count} row{'s' if count > 1 else ''} with a cell that means 'not read' left out (line {lines})"
    return [Problem(what, "measure these patches again if they matter", file, cells.left_out[0])]


def _tristimulus(cells: Cells, table: Table, header: Header, spectra: Spectra | None) -> Array:
    """Return X, Y, Z in cd/m², as the file has them, else from its spectra."""
    count = len(_value_columns(table.names))
    if count:
        return _to_xyz(cells.values[:, 3 : 3 + count], table, cells.lines, header.file) * header.scale
    if spectra is None:
        raise ValueError("a table has X, Y, Z, or x, y, Y, or spectra: its columns were checked")
    xyz = to_tristimulus(spectra)
    bad = np.flatnonzero(np.abs(xyz).max(axis=1) > _MOST_LIGHT)
    if len(bad):
        what = f"the spectrum has {np.abs(xyz[bad[0]]).max():.6g} cd/m²: more light than any display has"
        do = "correct the readings or radiance_unit"
        raise InputError(Problem(what, do, header.file, cells.lines[bad[0]], table.title(table.spectral()[0][1])))
    return xyz


def _disagreement(
    xyz: Array, spectra: Spectra, table: Table, lines: list[int], header: Header, facility: Facility
) -> list[Problem]:
    """Return a warning where a file's X, Y, Z are not those of its spectra; below the floor both are noise."""
    own = to_tristimulus(spectra)
    size = np.maximum(np.abs(xyz).max(axis=1), np.abs(own).max(axis=1))
    off = np.abs(xyz - own).max(axis=1)
    bad = np.flatnonzero((off > _DISAGREES * size) & (off > facility.instruments[header.instrument].floor))
    if not len(bad):
        return []
    worst = int(bad[(off[bad] / size[bad]).argmax()])
    axis = int(np.abs(xyz[worst] - own[worst]).argmax())
    what = (
        f"{len(bad)} of {len(xyz)} readings are beyond {100 * _DISAGREES:g} % of what their spectra give, this one "
        f"most: {'XYZ'[axis]} is {xyz[worst, axis]:.4g}, by its spectrum {own[worst, axis]:.4g}"
    )
    do = "check radiance_unit, luminance_unit and whether both are of one reading; X, Y, Z as given are used"
    return [Problem(what, do, header.file, lines[worst], _columns_of_xyz(table, ())[axis])]


def _to_xyz(values: Array, table: Table, lines: list[int], file: str) -> Array:
    """Return X, Y, Z of the three value columns; refuse more light than any display has."""
    columns = _value_columns(table.names)
    if columns[0] == "x":
        _check_chromaticities(values, table, lines, file)
    huge = np.argwhere(np.abs(values) > _MOST_LIGHT)
    if len(huge):
        row, column = huge[0]
        what = f"{values[row, column]:.6g} is more light than any display has"
        raise InputError(
            Problem(what, "correct the reading or the unit", file, lines[row], table.title(columns[column]))
        )
    if columns[0] == "X":
        return values
    x, y, luminance = values.T
    scale = np.divide(luminance, y, out=np.zeros_like(y), where=y > 0)
    return np.stack([x * scale, luminance, (1 - x - y) * scale], axis=1)


def _check_chromaticities(values: Array, table: Table, lines: list[int], file: str) -> None:
    """Refuse x, y that no light has: y near 0, or x + y above 1 by more than rounding."""
    x, y, luminance = values.T
    bad = np.flatnonzero((luminance != 0) & ((y < _LEAST_Y) | (x + y > 1.001) | (x < 0)))
    if len(bad):
        what = f"x {x[bad[0]]:g}, y {y[bad[0]]:g}: no light has that chromaticity"
        do = "give X, Y, Z, or the chromaticity that was read"
        raise InputError(Problem(what, do, file, lines[bad[0]], table.title("y")))


def _check_floor(xyz: Array, columns: list[str], floor: float, lines: list[int], file: str) -> None:
    """Refuse readings more negative than the instrument's floor; slightly negative darks are real."""
    bad = np.argwhere(xyz < -floor)
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


def _check_codes(codes: Array, header: Header, table: Table, lines: list[int]) -> list[Problem]:
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
            table.title("rgb"[column]),
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
            table.title("rgb"[column]),
        )
    ]


def _check_labels(labels: tuple[str, ...], codes: Array, table: Table, lines: list[int], file: str) -> None:
    """Refuse one label with two signals."""
    seen: dict[str, int] = {}
    for place, label in enumerate(labels):
        first = seen.setdefault(label, place)
        if not np.array_equal(codes[first], codes[place]):
            what = f"label {label!r} has another signal on line {lines[first]}"
            raise InputError(
                Problem(what, "give each signal its own label", file, lines[place], table.title("patch"))
            )
