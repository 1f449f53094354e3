"""ISO 28178 / CGATS.17 ASCII: keywords, and tables whose fields are named.

Grammar and names: ISO 28178:2022 as implemented by a general-purpose colour management library (Little CMS,
``cmscgats.c``); a data set stands on one line, so that a lost number cannot shift the others.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from matchlib.errors import InputError, Problem, nearest
from matchlib.facility.formats import KEYS
from matchlib.readings.formats.keys import Keys
from matchlib.readings.formats.table import Source, Table
from matchlib.text import Row, decode

_STANDARD = frozenset(
    {
        *("ORIGINATOR", "FILE_DESCRIPTOR", "CREATED", "DESCRIPTOR", "NUMBER_OF_FIELDS", "NUMBER_OF_SETS"),
        *("INSTRUMENTATION", "MEASUREMENT_SOURCE", "MEASUREMENT_GEOMETRY", "FILTER", "POLARIZATION", "SERIAL"),
        *("MANUFACTURER", "PROD_DATE", "MATERIAL", "PRINT_CONDITIONS", "SAMPLE_BACKING", "TARGET_TYPE"),
        *("COLORANT", "TABLE_NAME", "TABLE_DESCRIPTOR", "WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER"),
        *("CHISQ_DOF", "KEYWORD"),
    }
)
_FIELDS = {
    **{f"RGB_{channel}": channel.lower() for channel in "RGB"},
    **{f"XYZ_{axis}": axis for axis in "XYZ"},
    "XYY_X": "x",
    "XYY_Y": "y",
    "XYY_CAPY": "Y",
}
_BLOCKS = frozenset({"BEGIN_DATA_FORMAT", "BEGIN_DATA"})
_NAMES = ("SAMPLE_NAME", "NAME", "PATCH", "STRING", "SAMPLE_ID")  # the first that is there is the label
_SPECTRAL = re.compile(r"(?:SPECTRAL_)?NM_?(\d+(?:\.\d+)?)", re.IGNORECASE)
_IDENTIFIERS = (b"CGATS", b"ISO28178")
_WORD = b"BEGIN_DATA_FORMAT"
_MARK = re.compile(rb"^[ \t]*" + _WORD + rb"[ \t]*\r?$", re.MULTILINE)
_TOKEN = re.compile(r'\s*(?:"((?:[^"]|"")*)"(?=\s|$)|(#.*)|([^\s"#][^\s"]*)(?=\s|$))')


@dataclass(slots=True)
class _Section:
    """One table of the file: what its keywords say of its size, its fields and its data sets."""

    counts: dict[str, tuple[str, int]] = field(default_factory=dict)
    fields: list[str] = field(default_factory=list)
    fields_line: int = 0
    rows: list[Row] = field(default_factory=list)
    end_line: int = 0


def is_cgats(head: bytes) -> bool:
    """Return whether a file begins as CGATS.17 or ISO 28178, or declares a data format as they do."""
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith(_IDENTIFIERS):
        return True
    return _WORD in head and _MARK.search(head.replace(b"\r", b"\n")) is not None


def open_cgats(data: bytes, file: str) -> Source:
    """Return the keywords of a file that are header keys, and its table once that is asked for.

    Raises:
        InputError: The grammar is broken before the file says whose readings it holds.
    """
    parser = _Parser(decode(data, file), file)
    if parser.problem and not parser.keys.get("display"):
        raise parser.problem
    return Source(parser.keys, parser.table)


class _Parser:
    """A file on its way to one table; what is wrong with its data waits until the table is asked for."""

    def __init__(self, text: str, file: str) -> None:
        self.keys = Keys(file, "keyword {KEY}", "above the data")
        self._file = file
        self._declared: set[str] = set()
        self._sections: list[_Section] = [_Section()]
        self.problem: InputError | None = None
        lines = text.split("\n")
        self._first = next((place for place, line in enumerate(lines, start=1) if line.strip()), 0)
        try:
            self._parse(text)
        except InputError as error:
            self.problem = error

    def _parse(self, text: str) -> None:
        lines = self._lines(text)
        for number, tokens in lines:
            if number == self._first and tokens[0] not in _STANDARD | _BLOCKS and tokens[0].lower() not in KEYS:
                continue  # what kind of file it is
            if tokens[0] == "BEGIN_DATA_FORMAT":
                self._format(number, tokens, lines)
            elif tokens[0] == "BEGIN_DATA":
                self._data(number, tokens, lines)
            else:
                self._keyword(number, tokens)

    def _lines(self, text: str) -> Iterator[tuple[int, list[str]]]:
        for place, line in enumerate(text.split("\n"), start=1):
            if tokens := self._tokens(line, place):
                yield place, tokens

    def _tokens(self, line: str, number: int) -> list[str]:
        """Return the words of a line: quoted strings whole, comments left out."""
        tokens: list[str] = []
        place = 0
        while line[place:].strip():
            match = _TOKEN.match(line, place)
            if match is None:
                what = f"a quoted string does not end, or has no blank about it: {line.strip()[:40]!r}"
                raise self._refusal(what, 'write "…" with blanks before and after', number)
            quoted, comment, word = match.groups()
            if comment is None:
                tokens.append(word if quoted is None else quoted.replace('""', '"').strip())
            place = match.end()
        return tokens

    def _keyword(self, number: int, tokens: list[str]) -> None:
        name, value = tokens[0], " ".join(tokens[1:])
        if name == "KEYWORD":
            self._declared.add(value)
        elif name in ("NUMBER_OF_FIELDS", "NUMBER_OF_SETS"):
            self._open_section().counts[name] = (value, number)
        elif name.isupper() and name.lower() in KEYS:
            if len(self._sections) == 1 or self.keys.get(name.lower()) != value:  # later tables may repeat it
                self.keys.take(name.lower(), value, number)
        elif name not in _STANDARD | self._declared:
            self.keys.values.setdefault(name.lower() if name.isupper() else name, (value, number))  # told as unknown

    def _open_section(self) -> _Section:
        if self._sections[-1].end_line:
            self._sections.append(_Section())
        return self._sections[-1]

    def _block(
        self, number: int, tokens: list[str], lines: Iterator[tuple[int, list[str]]]
    ) -> Iterator[tuple[int, list[str]]]:
        """Yield the lines up to the end of a block."""
        end = tokens[0].replace("BEGIN", "END")
        if tokens[1:]:
            raise self._refusal(f"{tokens[0]} is followed by {tokens[1]!r}", "break the line there", number)
        for place, words in lines:
            if words == [end]:
                return
            if words[0].startswith(("BEGIN_DATA", "END_DATA")):
                raise self._refusal(f"{words[0]} before {end}", f"close the block with {end}", place)
            yield place, words
        raise self._refusal(f"{tokens[0]} without {end}: the file is cut short", "export it again", number)

    def _format(self, number: int, tokens: list[str], lines: Iterator[tuple[int, list[str]]]) -> None:
        section = self._open_section()
        if section.fields:
            raise self._refusal("a second BEGIN_DATA_FORMAT before the data", "keep one", number)
        section.fields_line = number + 1
        for _, words in self._block(number, tokens, lines):
            section.fields += words
        if not section.fields:
            raise self._refusal("BEGIN_DATA_FORMAT names no field", "name the fields of the data", number)

    def _data(self, number: int, tokens: list[str], lines: Iterator[tuple[int, list[str]]]) -> None:
        section = self._open_section()
        if not section.fields:
            raise self._refusal("BEGIN_DATA without a data format above it", "add BEGIN_DATA_FORMAT", number)
        section.rows = [Row(place, tuple(words)) for place, words in self._block(number, tokens, lines)]
        section.end_line = section.rows[-1].line + 1 if section.rows else number + 1

    def table(self) -> Table:
        """Return the one table that holds signals and readings."""
        if self.problem:
            raise self.problem
        warnings: list[Problem] = []
        found = [section for section in self._sections if _holds_readings(section.fields)]
        if not found:
            fields = [name for section in self._sections for name in section.fields]
            near = f"; it has {', '.join(fields[:12])}" if fields else ""
            what = "no table has RGB_R RGB_G RGB_B and XYZ_X XYZ_Y XYZ_Z (or XYY_X XYY_Y XYY_CAPY)" + near
            raise self._refusal(what, "export device values and readings in one table", self._sections[0].fields_line)
        for section in found:
            warnings += self._check_counts(section)
            if section.fields != found[0].fields:
                what = f"two tables hold readings, with other fields than those of line {found[0].fields_line}"
                raise self._refusal(what, "give each table a file of its own", section.fields_line)
        for section in self._sections:
            if section not in found and section.rows:
                what = f"the table with {section.fields[0]} … holds no signals with readings and is not used"
                warnings.append(Problem(what, "", self._file, section.fields_line))
        return self._session_table(found, warnings)

    def _session_table(self, found: list[_Section], warnings: list[Problem]) -> Table:
        fields, line = found[0].fields, found[0].fields_line
        rows = [row for section in found for row in section.rows]
        label = self._label(fields, rows, line, warnings)
        names = [_session_name(name, fields, label) for name in fields]
        known = [*_FIELDS, *_NAMES]
        for name, session_name in zip(fields, names, strict=True):
            if not session_name and name not in _NAMES:
                warnings.append(
                    Problem(f"field {name!r} is not used", nearest(name, known, "used"), self._file, line, name)
                )
            if fields.count(name) > 1:
                raise self._refusal(f"field {name!r} stands twice", "keep one of them", line)
        return Table(tuple(names), tuple(fields), line, rows, mapped=True, warnings=tuple(warnings))

    def _label(self, fields: list[str], rows: list[Row], line: int, warnings: list[Problem]) -> str:
        """Return the field that names the patches; running numbers name none, for they pair unlike patches."""
        label = next((name for name in _NAMES if name in fields), "")
        if label != "SAMPLE_ID":
            return label
        place = fields.index(label)
        if all(len(row.cells) > place and row.cells[place].isdecimal() for row in rows):
            what = "SAMPLE_ID holds numbers only: they name no patch, patches pair by their signals"
            warnings.append(Problem(what, "add a field SAMPLE_NAME to pair by name", self._file, line, label))
            return ""
        return label

    def _check_counts(self, section: _Section) -> list[Problem]:
        """Hold the declared numbers against what is there: fewer sets mean a file cut short."""
        warnings = []
        for key, there, line in (
            ("NUMBER_OF_FIELDS", len(section.fields), section.fields_line),
            ("NUMBER_OF_SETS", len(section.rows), section.end_line),
        ):
            if key not in section.counts:
                what = f"{key} is missing: whether the table is whole cannot be told"
                warnings.append(Problem(what, "", self._file, line, key))
            elif section.counts[key][0] != str(there):
                value, place = section.counts[key]
                what = f"{key} is {value}, but there are {there}"
                raise InputError(Problem(what, "export the file again, whole", self._file, place, key))
        return warnings

    def _refusal(self, what: str, do: str, line: int) -> InputError:
        return InputError(Problem(what, do, self._file, line or 1))


def _holds_readings(fields: list[str]) -> bool:
    readings = ({"XYZ_X", "XYZ_Y", "XYZ_Z"}, {"XYY_X", "XYY_Y", "XYY_CAPY"})
    spectral = any(_SPECTRAL.fullmatch(name) for name in fields)
    return {"RGB_R", "RGB_G", "RGB_B"} <= {*fields} and (spectral or any(triple <= {*fields} for triple in readings))


def _session_name(name: str, fields: list[str], label: str) -> str:
    """Return which column of a session a field is; empty for none."""
    if name == label:
        return "patch"
    if match := _SPECTRAL.fullmatch(name):
        return f"nm{match[1]}"
    whole = {"XYZ_X", "XYZ_Y", "XYZ_Z"} <= {*fields}
    if (name.startswith("XYY_") and whole) or (name.startswith("XYZ_") and not whole):
        return ""
    return _FIELDS.get(name, "")
