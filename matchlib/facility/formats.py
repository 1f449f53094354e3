"""``[[formats]]`` of ``facility.toml``: how to read the tables that others wrote."""

from datetime import datetime
from typing import Any

from matchlib.errors import nearest
from matchlib.facility.patterns import braces
from matchlib.facility.rooms import Format
from matchlib.facility.toml import Section

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
    "radiance_unit",
    "position",
    "window",
    "veil",
    "note",
)
COLUMNS = ("patch", "r", "g", "b", "X", "Y", "Z", "x", "y")
_SEPARATORS = (",", ";", "\t", "|")
_ENCODINGS = (
    *("utf-8", "utf-16", "cp1252", "iso-8859-1", "iso-8859-15", "cp1250", "cp1251", "mac-roman"),
    *("shift_jis", "gb18030", "big5", "euc-kr"),
)
_MOST_ROWS = 10_000


def read_format(section: Section) -> Format:
    """Return one entry of ``[[formats]]``; whatever is wrong with it is noted in the section."""
    found = Format(
        name=section.path,
        files=_files(section),
        columns=_columns(section),
        keys=_keys(section),
        separator=section.choice("separator", _SEPARATORS, ","),
        decimal=section.choice("decimal", (".", ","), "."),
        text_encoding=section.choice("text_encoding", _ENCODINGS, "utf-8"),
        header_row=_count(section, "header_row", 1),
        units_rows=_count(section, "units_rows", 0),
        missing=_missing(section),
    )
    if found.separator == found.decimal:
        section.fault("decimal", "is the separator too", "set the one that the file really has")
    for key in {*braces(found.files)} & {*found.keys}:
        section.fault(f"keys.{key}", "is given by the braces of files too", "keep one of them")
    if not found.header_row and any(isinstance(title, str) for title in found.columns.values()):
        section.fault("header_row", "is 0, but columns are named by their titles", "give each column its number")
    section.close()
    return found


def _files(section: Section) -> str:
    pattern = section.required_text("files").replace("\\", "/")
    if pattern and not pattern.startswith("readings/"):
        section.fault("files", f"{pattern!r} is not below readings/", "begin it with readings/")
    keys = braces(pattern)
    for key in keys:
        if key not in KEYS:
            section.fault("files", f"{{{key}}} is no header key", nearest(key, KEYS))
        elif keys.count(key) > 1:
            section.fault("files", f"{{{key}}} stands twice", "keep one, write * for the other")
            return ""
    return pattern if set(keys) <= set(KEYS) else ""


def _columns(section: Section) -> dict[str, str | int]:
    if "columns" not in section.values:
        section.get("columns")
        section.fault("columns", "is missing", 'write e.g. {r = "Red", g = "Green", b = "Blue", X = "X", …}')
        return {}
    table = section.section("columns")
    found: dict[str, str | int] = {}
    for name, title in table.values.items():
        if name not in (*COLUMNS, "nm"):
            table.fault(name, "is no column of a session", nearest(name, (*COLUMNS, "nm")))
        elif name == "nm" and not (isinstance(title, str) and title.count("{}") == 1):
            table.fault(name, f"{title!r} is no title of spectra", 'write {} for the wavelength: "L {} nm"')
        elif not _is_title(title):
            table.fault(name, f"{title!r} is no column", "give its title in quotes, or its number from 1")
        else:
            found[name] = title
    if len(found) == len(table.values):
        _check_needed(table, found)
    return found


def _is_title(title: Any) -> bool:
    if isinstance(title, str):
        return bool(title.strip())
    return isinstance(title, int) and not isinstance(title, bool) and 0 < title <= _MOST_ROWS


def _check_needed(table: Section, found: dict[str, str | int]) -> None:
    for name in ("r", "g", "b"):
        if name not in found:
            table.fault(name, "is missing", "name the column of its code values")
    if not ({"X", "Y", "Z"} <= set(found) or {"x", "y", "Y"} <= set(found) or "nm" in found):
        table.fault("", "names no readings", "name X, Y, Z, or x, y, Y, or nm for spectra")
    for name, title in found.items():
        twin = next(other for other in found if found[other] == title)
        if twin != name:
            table.fault(name, f"is the same column as {twin}", "name the column of each")


def _keys(section: Section) -> dict[str, str]:
    table = section.section("keys")
    found = {}
    for key, value in table.values.items():
        if key not in KEYS:
            table.fault(key, "is no header key", nearest(key, KEYS))
        elif isinstance(value, datetime):
            found[key] = value.isoformat()
        elif isinstance(value, str | int | float) and not isinstance(value, bool):
            found[key] = str(value).strip()
        else:
            table.fault(key, f"{value!r} is no value of a header key", "write text in quotes, or a number")
    return found


def _count(section: Section, key: str, default: int) -> int:
    value = section.number(key, default, 0, _MOST_ROWS)
    if value != int(value):
        section.fault(key, f"{value:g} is no whole number", "count lines from 1")
    return int(value)


def _missing(section: Section) -> tuple[str, ...]:
    value = section.get("missing", [])
    if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
        section.fault("missing", f"{value!r} is no list of texts", 'write e.g. ["NA", "---"]')
        return ()
    return tuple(text.strip() for text in value)
