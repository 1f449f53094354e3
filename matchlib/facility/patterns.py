"""Patterns of file paths whose braces give header keys: ``readings/export/{display}_{mode}.csv``."""

import re
import unicodedata

_PARTS = re.compile(r"\{([^{}]*)\}|(\*\*/)|(\*)|([^{}*]+|[{}])")
_VALUES = {"mode": "calibrated|native", "veil": "included|excluded"}  # few enough to tell where they begin


def braces(pattern: str) -> list[str]:
    """Return the keys between braces, in order.

    >>> braces("readings/{display}_{mode}.csv")
    ['display', 'mode']
    """
    return [match[1] for match in _PARTS.finditer(pattern) if match[1] is not None]


def match_path(pattern: str, path: str) -> list[dict[str, str]]:
    """Return every way found in which a path fits: key → text; empty where it does not fit.

    ``*`` stands for any part of one name, ``**/`` for folders of any depth, a key for one character or more
    of one name. Where keys could share the text in two ways, the values that a key may have decide.

    >>> match_path("readings/{display}_{mode}.csv", "readings/A_1_native.csv")
    [{'display': 'A_1', 'mode': 'native'}]
    """
    path, pattern = (unicodedata.normalize("NFC", text) for text in (path, pattern))
    ways: list[dict[str, str]] = []
    for values in ({}, _VALUES):
        matches = [re.fullmatch(_expression(pattern, values, lazy), path) for lazy in ("", "?")]
        if matches[0] is None or matches[1] is None:
            break
        greedy, lazy = matches[0].groupdict(), matches[1].groupdict()
        ways = [greedy] if greedy == lazy else [greedy, lazy]
        if len(ways) == 1:
            break
    return ways


def _expression(pattern: str, values: dict[str, str], lazy: str) -> str:
    parts = []
    for match in _PARTS.finditer(pattern):
        key, folders, star, plain = match.groups()
        if key is not None:
            parts.append(f"(?P<{key}>{values.get(key, f'[^/]+{lazy}')})")
        else:
            parts.append(f"(?:[^/]+/)*{lazy}" if folders else f"[^/]*{lazy}" if star else re.escape(plain))
    return "".join(parts)
