"""Patch lists to measure, written as session files that only lack their readings."""

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from types import MappingProxyType

from matchlib.displays.simulate import session_patches
from matchlib.errors import InputError, Problem
from matchlib.matching.steps import PRIMARIES, TABLES
from matchlib.patches import patch_label, standard_list
from matchlib.reporting.cautions import FLASHING
from matchlib.running.store import write

Signal = tuple[float, float, float]
Row = tuple[str, tuple[int, int, int]]
_BLACK, _WHITE, _GREY = (0.0, 0.0, 0.0), (1.0, 1.0, 1.0), (0.5, 0.5, 0.5)
_FULL = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_TRISTIMULUS_MAX = 4095  # RP 431-2:2011 prints its patches as 12-bit X′, Y′, Z′


@dataclass(frozen=True, slots=True)
class PatchSet:
    """A list to measure.

    Attributes:
        use: What it is for.
        rows: Labels and codes, in the order of reading, for a code of full signal.
        tristimulus: Whether the codes are X′, Y′, Z′ (ST 428-1).
    """

    use: str
    rows: Callable[[int], list[Row]]
    tristimulus: bool = False


def _coded(signals: list[Signal], full: int) -> list[Row]:
    """Return signals as rows: labels from the signal that the rounded code stands for, repeats side by side."""
    return [(patch_label(signal), tuple(round(part * full) for part in signal)) for signal in signals]  # type: ignore[misc]


def _session(full: int) -> list[Row]:
    """Return ramps, greys and mixed colours; white and grey again in the middle and at the end, to tell drift."""
    patches = [tuple(row) for row in session_patches(steps=16, repeats=3).signal.tolist()]
    middle = len(patches) // 2
    return _coded([*patches[:middle], _WHITE, _GREY, *patches[middle:], _WHITE, _GREY, _BLACK], full)


def _short(full: int) -> list[Row]:
    """Return the least that counts as a session, with black read often: it is what small instruments read worst."""
    greys: list[Signal] = [(step / 8,) * 3 for step in range(1, 8)]
    return _coded([_WHITE, *_FULL, *reversed(greys), _BLACK, _BLACK, _BLACK, _WHITE], full)


def _standard(full: int) -> list[Row]:
    return _coded([_WHITE, *map(tuple, standard_list().signal.tolist()), _WHITE, _BLACK], full)


def _steps(_: int) -> list[Row]:
    rows: list[Row] = [("black", (0, 0, 0))]
    for table in TABLES:
        rows += [(f"{table.name} {place}", code) for place, code in enumerate(table.codes, start=1)]
    return [*rows, *PRIMARIES.items(), ("black", (0, 0, 0))]


def _white(full: int) -> list[Row]:
    return _coded([_WHITE, _WHITE, _WHITE], full)


SETS: Mapping[str, PatchSet] = MappingProxyType(
    {
        "session": PatchSet("a session of a display: ramps, greys, mixed colours, repeats that tell drift", _session),
        "short": PatchSet("the least that counts as a session", _short),
        "standard": PatchSet("the 141 patches of every verdict", _standard),
        "steps": PatchSet(
            "the printed steps and primaries of RP 431-2:2011, for a projector", _steps, tristimulus=True
        ),
        "white": PatchSet("white alone, for the sides and corners of a screen (add 'position')", _white),
    }
)


def patch_list(name: str, full: int) -> str:
    """Return a patch list as text: a session file without its readings.

    Args:
        name: Of ``SETS``.
        full: Code of full signal; not used where the codes are printed ones.

    Raises:
        InputError: Two patches of the list have one code at so few codes.
    """
    chosen = SETS[name]
    rows = chosen.rows(full)
    _check_codes(rows, full)
    lines = [
        f"# matchlib patch list, {chosen.use.replace(':', ',')}",
        "# Add the readings as columns X,Y,Z or x,y,Y, and above the table the keys display, measured, instrument",
        f"# {FLASHING.replace(':', ',')}",
        f"# signal_max: {_TRISTIMULUS_MAX if chosen.tristimulus else full}",
        *(["# encoding: XYZ"] if chosen.tristimulus else []),
    ]
    stream = StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(("patch", "r", "g", "b"))
    writer.writerows((label, *codes) for label, codes in rows)
    return "\n".join(lines) + "\n" + stream.getvalue()


def _check_codes(rows: list[Row], full: int) -> None:
    """Refuse a range so coarse that two patches of different names become one code."""
    seen: dict[tuple[int, int, int], str] = {}
    for label, codes in rows:
        if seen.setdefault(codes, label) != label:
            what = f"{label!r} and {seen[codes]!r} have the same code in a range of {full}"
            raise InputError(Problem(what, "use a wider range, such as --signal-max 1023"))


def write_patches(name: str, full: int, out: Path, *, replace: bool = False) -> int:
    """Write a patch list whole or not at all, and return how many patches it has.

    Raises:
        InputError: The file is there already, or the range is too coarse; nothing was written.
    """
    if out.is_dir():
        raise InputError(Problem(f"{str(out)!r} is a folder", "name the file to write, such as patches.csv"))
    if out.exists() and not replace:
        raise InputError(Problem(f"{str(out)!r} is already there", "name another file, or pass --replace"))
    text = patch_list(name, full)
    write(out, text.encode())
    return len(text.splitlines()) - 1 - sum(line.startswith("#") for line in text.splitlines())
