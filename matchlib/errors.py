"""The one error family: what is wrong, where it stands, and the way out.

Every message a user sees is made of :class:`Problem` entries: file, line, column, what is wrong, what to
do. Errors pickle, for they cross process pools.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, told so that its reader can mend it.

    Attributes:
        what: What is wrong, with the value at fault.
        do: What to do about it; empty where ``what`` says it.
        file: Path relative to the facility folder, with ``/``; empty where no file is at fault.
        line: Line in the file, from 1; None where there is none.
        column: Name of the column or key, or its number for text that has no names.
    """

    what: str
    do: str = ""
    file: str = ""
    line: int | None = None
    column: str = ""

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.file,
                f"line {self.line}" if self.line is not None else "",
                f"column {self.column}" if self.column else "",
            )
            if part
        )
        text = f"{place}: {self.what}" if place else self.what
        return f"{text}; {self.do}" if self.do else text


class MatchlibError(Exception):
    """The root of every error that matchlib raises on purpose."""


class InputError(MatchlibError, ValueError):
    """Something handed in is wrong; carries one problem or more.

    Attributes:
        problems: What is wrong, in file order.
    """

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type["InputError"], tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class ReportError(MatchlibError, RuntimeError):
    """A report could not be made though its inputs were in order; the message says what to do."""


def nearest(name: str, known: Iterable[str], what: str = "known") -> str:
    """Return advice that offers the nearest known name, or the known ones where none is near."""
    names = list(known)
    close = get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    if not names:
        return f"none is {what}"
    listed = ", ".join(repr(entry) for entry in names[:12]) + (", …" if len(names) > 12 else "")
    return f"{what}: {listed}"
