"""Identifiers: names that are safe as folder names and in spreadsheets, in any script."""

import unicodedata
from collections.abc import Iterable

_RESERVED = {"con", "prn", "aux", "nul"} | {f"com{n}" for n in range(1, 10)} | {f"lpt{n}" for n in range(1, 10)}
RULE = (
    "use 1 to 64 letters, marks, digits, space, '.', '_' or '-', beginning with a letter or digit and not "
    "ending in space or '.'"
)


def fault(text: str) -> str:
    """Return what keeps ``text`` from being an id, or an empty string.

    >>> fault("studio-2"), fault("../../x")
    ('', "begins with '.'")
    """
    if not text:
        return "is empty"
    bad = next((char for char in text if not _allowed(char)), "")
    rules = (
        (len(text) <= 64, f"has {len(text)} characters"),
        (_begins(text[0]), f"begins with {text[0]!r}"),
        (not bad, f"contains {bad!r}"),
        (text[-1] not in " .", f"ends in {text[-1]!r}"),
        (unicodedata.normalize("NFC", text) == text, "is not in Unicode normal form C"),
        (text.partition(".")[0].strip().lower() not in _RESERVED, "is a device name that some systems reserve"),
    )
    return next((wrong for kept, wrong in rules if not kept), "")


def _begins(char: str) -> bool:
    category = unicodedata.category(char)
    return category[0] == "L" or category == "Nd"


def _allowed(char: str) -> bool:
    category = unicodedata.category(char)
    return category[0] in "LM" or category == "Nd" or char in " ._-"


def same_but_for_case(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return the pairs of different names that differ by case only."""
    seen: dict[str, str] = {}
    pairs = []
    for name in names:
        first = seen.setdefault(name.casefold(), name)
        if first != name:
            pairs.append((first, name))
    return pairs
