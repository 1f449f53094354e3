"""Reading TOML tables with every fault kept: dotted key, line, what is wrong, what to do."""

import re
import tomllib
from collections.abc import Iterable, Mapping
from typing import Any

from matchlib.encoding import Pair
from matchlib.errors import InputError, Problem, nearest

_SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_NAME = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")


def parse(text: str, file: str) -> dict[str, Any]:
    """Return the tables of TOML text.

    Raises:
        InputError: A syntax error, with line and column.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = _SYNTAX_PLACE.search(str(error))
        line = int(place[1]) if place and place[1] else text.count("\n") + 1
        column = place[2] if place and place[2] else "1"
        what = "not TOML: " + _SYNTAX_PLACE.sub("", str(error))
        raise InputError(Problem(what, "mend the syntax at this place", file, line, column)) from None
    except (ValueError, RecursionError) as error:
        what = f"not TOML that can be read: {str(error).partition(';')[0]}"
        raise InputError(Problem(what, "write plain tables, short lists and short numbers", file, 1)) from None


def key_lines(text: str) -> dict[str, int]:
    """Return the line of each dotted key and table, as far as it can be told line by line.

    Entries of ``[[tables]]`` are numbered from 0: ``set_aside.0.file``.
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    table: list[str] = []
    for place, line in enumerate(text.split("\n"), start=1):
        stripped = line.strip()
        if stripped.startswith("[["):
            name = ".".join(_dotted(stripped[2:]))
            counts[name] = counts.get(name, -1) + 1
            table = [name, str(counts[name])]
            lines.setdefault(name, place)
            lines.setdefault(".".join(table), place)
        elif stripped.startswith("["):
            table = _dotted(stripped[1:])
            for depth in range(1, len(table) + 1):
                lines.setdefault(".".join(table[:depth]), place)
        elif "=" in stripped and not stripped.startswith("#"):
            key = [*table, *_dotted(stripped)]
            lines.setdefault(".".join(key), place)
    return lines


def _dotted(text: str) -> list[str]:
    """Return the parts of the dotted key at the beginning of ``text``."""
    parts: list[str] = []
    place = 0
    while match := _NAME.match(text, place):
        parts.append(next(group for group in match.groups() if group is not None))
        place = match.end()
        if text[place : place + 1] != ".":
            break
        place += 1
    return parts


class Section:
    """One TOML table on its way through the door.

    Each getter takes a key, checks its value and returns it, or notes a problem and returns the default.
    :meth:`close` reports the keys that nobody asked for.
    """

    def __init__(
        self, values: Any, path: str, *, file: str, lines: Mapping[str, int], problems: list[Problem]
    ) -> None:
        self.path = path
        self._file, self._lines, self._problems = file, lines, problems
        self._asked: list[str] = []
        self.values: Mapping[str, Any] = values if isinstance(values, dict) else {}
        if not isinstance(values, dict):
            self.fault("", f"{values!r} is not a table", "write it as a [table]")

    def fault(self, key: str, what: str, do: str = "") -> None:
        """Note a problem with a key of this section."""
        dotted = self._dotted(key) if key else self.path
        line, place = None, dotted
        while line is None and place:
            line = self._lines.get(place)
            place = place.rpartition(".")[0]
        self._problems.append(Problem(f"{dotted}: {what}", do, self._file, line))

    def _dotted(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def section(self, key: str) -> "Section":
        """Return the table below ``key``; empty where it is absent."""
        self._asked.append(key)
        return Section(
            self.values.get(key, {}), self._dotted(key), file=self._file, lines=self._lines, problems=self._problems
        )

    def entries(self, key: str) -> list["Section"]:
        """Return the tables of ``[[key]]``."""
        listed = self.get(key, [])
        if not isinstance(listed, list):
            self.fault(key, "is not a list of tables", f"write it as [[{key}]]")
            return []
        return [
            Section(entry, f"{key}.{place}", file=self._file, lines=self._lines, problems=self._problems)
            for place, entry in enumerate(listed)
        ]

    def get(self, key: str, default: Any = None) -> Any:
        """Return a raw value."""
        self._asked.append(key)
        return self.values.get(key, default)

    def text(self, key: str, default: str = "") -> str:
        """Return a string."""
        value = self.get(key, default)
        if isinstance(value, str):
            return value
        self.fault(key, f"{value!r} is not text", 'write it in quotes: "…"')
        return default

    def required_text(self, key: str) -> str:
        """Return a string that must be there and not be empty."""
        if key not in self.values:
            self._asked.append(key)
            self.fault(key, "is missing", f'add {key} = "…"')
            return ""
        value = self.text(key)
        if not value.strip() and isinstance(self.values[key], str):
            self.fault(key, "is empty", "write it out")
        return value

    def choice(self, key: str, options: Iterable[str], default: str) -> str:
        """Return one of the words in ``options``."""
        value = self.text(key, default)
        if value in (options := tuple(options)):
            return value
        self.fault(key, f"{value!r} is not a value of this key", nearest(value, options))
        return default

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """Return a number from ``low`` to ``high``."""
        value = self.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(key, f"{value!r} is not a number", "write it without quotes")
            return default
        if not low <= value <= high:
            self.fault(key, f"{value!r} is out of range", f"it lies between {low:g} and {high:g}")
            return default
        return float(value)

    def boolean(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self.get(key, default)
        if isinstance(value, bool):
            return value
        self.fault(key, f"{value!r} is neither true nor false", "write it without quotes")
        return default

    def pair(self, key: str, default: Pair) -> Pair:
        """Return two numbers between 0 and 1, a chromaticity that some light can have."""
        value = self.get(key, list(default))
        good = isinstance(value, list) and len(value) == 2
        if good and all(isinstance(part, int | float) and not isinstance(part, bool) for part in value):
            first, second = (float(part) for part in value)
            if 0 < first < 1 and 0 < second < 1 and first + second <= 1.0:
                return first, second
        self.fault(key, f"{value!r} is not a chromaticity", "write two numbers between 0 and 1: [0.3127, 0.3290]")
        return default

    def close(self) -> None:
        """Report every key that nobody asked for, with the nearest one that is known."""
        for key in self.values:
            if key not in self._asked:
                self.fault(key, "is not a key that is known here", nearest(key, self._asked))
