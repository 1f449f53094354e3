"""What every reader hands over: header keys, a header row, and rows with their line numbers."""

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.errors import InputError, Problem
from matchlib.readings.formats.keys import Keys
from matchlib.text import Row, number

_SPECTRAL = re.compile(r"nm(\d{1,5}(?:\.\d{1,6})?)")
_SEVERAL = 20  # so many problems of one kind are listed; more would hide them


def _nowhere(_line: int, _place: int) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class Table:
    """The readings of a file, not yet checked.

    Attributes:
        names: What each column is: a column of a session (``r``, ``X``, ``nm380``, …), or the file's own title.
        titles: As the file writes them; for messages.
        line: Of the header row.
        rows: A cell a column.
        decimal: Mark of the cells' numbers.
        missing: Cells that mean "not read".
        mapped: Whether a column map names what counts, so that other columns are no surprise.
        cell: Words on a cell by line and place, for formats whose cells have addresses.
        warnings: What the reader passed over.
    """

    names: tuple[str, ...]
    titles: tuple[str, ...]
    line: int
    rows: Iterable[Row]
    decimal: str = "."
    missing: tuple[str, ...] = ()
    mapped: bool = False
    cell: Callable[[int, int], str] = _nowhere
    warnings: tuple[Problem, ...] = ()

    def title(self, name: str) -> str:
        """Return how the file names a column."""
        return self.titles[self.names.index(name)]

    def spectral(self) -> list[tuple[float, str]]:
        """Return wavelength and name of the spectral columns, shortest wave first."""
        return sorted((float(match[1]), match[0]) for name in self.names if (match := _SPECTRAL.fullmatch(name)))


@dataclass(frozen=True, slots=True)
class Source:
    """A file that a reader has recognised: its keys, and its table once that is asked for.

    Attributes:
        bare: Whether it has no table at all, so that asking for it says more than its keys do.
    """

    keys: Keys
    table: Callable[[], Table]
    bare: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The numbers of the wanted columns.

    Attributes:
        labels: A label a row; empty where the file has none.
        values: Shape (n, columns).
        lines: Of each row.
        left_out: Lines of rows that hold a cell that means "not read".
    """

    labels: tuple[str, ...]
    values: Array
    lines: list[int]
    left_out: list[int]


def read_cells(table: Table, wanted: tuple[str, ...], file: str) -> Cells:
    """Return labels and numbers of the wanted columns.

    Raises:
        InputError: Rows of another length, cells that are no numbers, empty labels, no readings.
    """
    reader = _Reader(table, wanted, file)
    for row in table.rows:
        if len(reader.problems) >= _SEVERAL:
            reader.problems.append(Problem("and more of the kind may follow", "", file, row.line))
            break
        reader.take(row)
    return reader.cells()


class _Reader:
    """Rows on their way to numbers."""

    def __init__(self, table: Table, wanted: tuple[str, ...], file: str) -> None:
        self._table, self._file = table, file
        self._places = [table.names.index(name) for name in wanted]
        self._patch = table.names.index("patch") if "patch" in table.names else None
        self._labels: list[str] = []
        self._values: list[list[float]] = []
        self._lines: list[int] = []
        self._left_out: list[int] = []
        self.problems: list[Problem] = []

    def take(self, row: Row) -> None:
        if len(row.cells) != len(self._table.names):
            self.problems.append(_wrong_length(row, len(self._table.names), self._file))
        elif self._table.missing and any(row.cells[place].strip() in self._table.missing for place in self._places):
            self._left_out.append(row.line)
        else:
            self._values.append([self._number(row, place) for place in self._places])
            self._lines.append(row.line)
            if self._patch is not None:
                self._labels.append(row.cells[self._patch].strip())
                if not self._labels[-1]:
                    self._fault(row, self._patch, "the cell is empty", "name the patch")

    def cells(self) -> Cells:
        if self.problems:
            raise InputError(self.problems)
        if not self._values:
            what, do = "no readings follow the header row", "export the session again"
            raise InputError(Problem(what, do, self._file, self._table.line))
        return Cells(tuple(self._labels), np.array(self._values), self._lines, self._left_out)

    def _number(self, row: Row, place: int) -> float:
        text = row.cells[place]
        try:
            if self._table.decimal == "," and "." in text:
                raise ValueError(f"{text!r} holds a point, though the decimal mark is a comma")  # noqa: TRY301
            return number(text, self._table.decimal)
        except ValueError as error:
            self._fault(row, place, str(error), "")
            return math.nan

    def _fault(self, row: Row, place: int, what: str, do: str) -> None:
        what = self._table.cell(row.line, place) + what
        self.problems.append(Problem(what, do, self._file, row.line, self._table.titles[place]))


def _wrong_length(row: Row, columns: int, file: str) -> Problem:
    count = f"{len(row.cells)} cell" + ("s" if len(row.cells) != 1 else "")
    do = "give the row one cell a column"
    if row.cells[0].startswith("#"):
        do = "key lines and comments stand above the header row"
    return Problem(f"{count} under {columns} columns", do, file, row.line)
