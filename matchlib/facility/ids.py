"""Identifiers: names that are safe as folder names and in spreadsheets, in any script."""

import unicodedata
from collections.abc import Iterable

_RESERVED = (
    {"con", "prn", "aux", "nul"} | {f"com{n}" for n in range(1, 10)} | {f"lpt{n}" for n in range(1, 10)}
)
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
    if len(text) > 64:
        return f"has {len(text)} characters"
    if not (unicodedata.category(text[0])[0] == "L" or unicodedata.category(text[0]) == "Nd"):
        return f"begins with {text[0]!r}"
    bad = next((char for char in text if not _allowed(char)), "")
    if bad:
        return f"contains {bad!r}"
    if text[-1] in " .":
        return f"ends in {text[-1]!r}"
    if unicodedata.normalize("NFC", text) != text:
        return "is not in Unicode normal form C"
    if text.split(".")[0].strip().lower() in _RESERVED:
        return "is a device name that some systems reserve"
    return ""


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
