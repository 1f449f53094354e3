"""Any CSV that an entry of ``[[formats]]`` describes.

Keys come from the entry's ``keys``, from the braces of its ``files``, and from ``# key: value`` lines above
the header row; the entry is the stronger, and a key line that says otherwise is a warning.
"""

import re
from functools import partial

from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.formats import KEYS
from matchlib.facility.patterns import match_path
from matchlib.facility.rooms import Format
from matchlib.readings.formats.keys import Keys
from matchlib.readings.formats.session_csv import read_key_lines
from matchlib.readings.formats.table import Source, Table
from matchlib.text import Row, decode, rows

# In a file's name a time is written without colons, which some systems do not allow there.
_TIME_IN_NAME = re.compile(r"(\d{4})-?(\d\d)-?(\d\d)[Tt ](\d\d)[-.]?(\d\d)[-.]?(\d\d)([Zz]?)")


def open_mapped_csv(data: bytes, file: str, entry: Format) -> Source:
    """Return the keys of a file that an entry describes, and its table once that is asked for.

    Raises:
        InputError: Not text of the declared encoding; a name that the pattern splits in two ways.
    """
    lines = decode(data, file, entry.text_encoding).split("\n")
    while lines and not lines[-1].strip():
        lines.pop()
    keys, warnings = _keys(lines[: max(entry.header_row - 1, 0)], file, entry)
    keys.empty = not lines
    return Source(keys, partial(_table, lines, entry, file, warnings), bare=not lines)


def _keys(above: list[str], file: str, entry: Format) -> tuple[Keys, list[Problem]]:
    where = f"to keys of {entry.name} in facility.toml, or as braces to its files"
    keys = Keys(file, "key '{key}'", where)
    for key, value in {**entry.keys, **_keys_in_name(file, entry)}.items():
        keys.take(key, value, None)
    own, _ = read_key_lines(above, file)
    keys.problems += own.problems
    warnings = []
    for key, (value, line) in own.values.items():
        if key in KEYS and key not in keys.values:
            keys.take(key, value, line)
        elif key in KEYS and value != keys.get(key):
            what = f"the file says {key} {value!r}, {entry.name} says {keys.get(key)!r}, which is taken"
            warnings.append(Problem(what, "correct the entry if the file is right", file, line, key))
    return keys, warnings


def _keys_in_name(file: str, entry: Format) -> dict[str, str]:
    ways = match_path(entry.files, file)
    if len(ways) != 1:
        told = " or ".join(", ".join(f"{key} {value!r}" for key, value in way.items()) for way in ways)
        what = f"{entry.name}.files {entry.files!r} fits this name in two ways: {told}"
        raise InputError(Problem(what, "write the pattern or the file's name so that it fits in one", file))
    found = dict(ways[0])
    if match := _TIME_IN_NAME.fullmatch(found.get("measured", "")):
        year, month, day, hour, minute, second, zone = match.groups()
        found["measured"] = f"{year}-{month}-{day}T{hour}:{minute}:{second}{zone}"
    return found


def _table(lines: list[str], entry: Format, file: str, warnings: list[Problem]) -> Table:
    begin = max(entry.header_row, 1)
    if len(lines) < begin:
        what = f"{entry.name}.header_row is {entry.header_row}, but the file has {len(lines)} lines"
        raise InputError(Problem(what, "correct header_row, or export the file again", file))
    body = [row for row in rows(lines[begin - 1 :], begin, file, entry.separator) if any(map(str.strip, row.cells))]
    titles, line = _titles(body, entry, file, begin)
    names, used = _names(titles, entry, file, line)
    data = body[(1 if entry.header_row else 0) + entry.units_rows :]
    return Table(
        names,
        titles,
        line,
        [_fitted(row, len(titles), used) for row in data],
        decimal=entry.decimal,
        missing=entry.missing,
        mapped=True,
        warnings=tuple(warnings),
    )


def _titles(body: list[Row], entry: Format, file: str, begin: int) -> tuple[tuple[str, ...], int]:
    """Return the titles of the columns; their numbers where there is no header row."""
    if not entry.header_row:
        width = max((len(row.cells) for row in body[entry.units_rows :]), default=0)
        return tuple(f"column {place + 1}" for place in range(width)), begin
    if not body or body[0].line != begin:
        what = f"line {begin} is blank, but {entry.name}.header_row is {entry.header_row}"
        raise InputError(Problem(what, "count lines from 1, blank ones too", file, begin))
    titles = [" ".join(cell.split()) for cell in body[0].cells]
    while titles and not titles[-1]:  # trailing separators
        titles.pop()
    return tuple(titles), begin


def _names(titles: tuple[str, ...], entry: Format, file: str, line: int) -> tuple[tuple[str, ...], int]:
    """Return what each column is, and up to which place columns are used."""
    names = [""] * len(titles)
    problems = []
    for name, title in entry.columns.items():
        if name == "nm":
            _name_spectra(names, titles, str(title))
            continue
        places = _places(titles, title)
        if len(places) == 1 and not names[places[0]]:
            names[places[0]] = name
            continue
        what = f"column {title!r} ({entry.name}.columns.{name}) " + ("stands twice" if places else "is not there")
        do = "give its number in place of its title" if places else nearest(str(title), filter(None, titles), "there")
        problems.append(Problem(what, do, file, line, str(title)))
    if problems:
        raise InputError(problems)
    if "nm" in entry.columns and not any(name.startswith("nm") for name in names):
        what = f"no column is titled as {entry.columns['nm']!r} ({entry.name}.columns.nm)"
        raise InputError(Problem(what, "write the title with {} for the wavelength", file, line))
    return tuple(names), max((place + 1 for place, name in enumerate(names) if name), default=0)


def _places(titles: tuple[str, ...], title: str | int) -> list[int]:
    if isinstance(title, int):
        return [title - 1] if title <= len(titles) else []
    return [place for place, found in enumerate(titles) if found == " ".join(title.split())]


def _name_spectra(names: list[str], titles: tuple[str, ...], pattern: str) -> None:
    before, after = (re.escape(part) for part in " ".join(pattern.split()).split("{}"))
    for place, title in enumerate(titles):
        if match := re.fullmatch(rf"{before}(\d+(?:[.,]\d+)?){after}", title):
            names[place] = f"nm{match[1].replace(',', '.')}"


def _fitted(row: Row, width: int, used: int) -> Row:
    """Return a row without trailing empty cells, filled up where only unused columns are short."""
    cells = list(row.cells)
    while len(cells) > width and not cells[-1].strip():
        cells.pop()
    if used <= len(cells) < width:
        cells += [""] * (width - len(cells))
    return Row(row.line, tuple(cells))
