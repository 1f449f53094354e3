"""The key lines of a session file: ``# key: value`` above the header row, to a :class:`Header`."""

import re
from datetime import datetime

from matchlib.encoding import STANDARD, Encoding
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.rooms import Facility
from matchlib.readings.session import Header
from matchlib.text import number

CD_M2_PER_FL = 3.4262591  # 1 fL = 1/π cd/ft² (NIST SP 811, appendix B.8)
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
    "position",
    "window",
    "veil",
    "note",
)
_PLACING = ("measured", "mode", "preset", "position")
_EDGES = ("top", "bottom"), ("left", "right")
POSITIONS = (
    "centre",
    *(name for edge in _EDGES for name in edge),
    *(f"{first} {second}" for first in _EDGES[0] for second in _EDGES[1]),
)
_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)?")
_RFC_3339_OFFSET = re.compile(r"([Zz]|[+-]\d\d:\d\d)$")
_YEARS = range(1970, 2200)


class Keys:
    """The ``# key: value`` lines of a file, and where its table begins.

    Attributes:
        values: Value and line of each key.
        table: The lines from the header row on; ``table_line``: the number of the first of them.
        problems: Keys that stand twice.
    """

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self.values: dict[str, tuple[str, int]] = {}
        self.problems: list[Problem] = []
        lines = text.split("\n")
        place = 0
        for place, line in enumerate(lines):
            if line.strip() and not line.startswith("#"):
                break
            self._take(line, place + 1)
        else:
            place = len(lines)
        self.table, self.table_line = lines[place:], place + 1

    def _take(self, line: str, number_: int) -> None:
        key, colon, value = line[1:].partition(":")
        key, value = key.strip(), value.strip()
        if not colon or not line.startswith("#"):
            return
        if key in self.values:
            what = f"key {key!r} stands on line {self.values[key][1]} too"
            do = "one file holds one session of one display" if key == "display" else "keep one of them"
            self.problems.append(Problem(what, do, self.file, number_, key))
            if key == "display" and value != self.values[key][0]:
                self.values[key] = ("", number_)  # which display it is cannot be told
            return
        self.values[key] = (value, number_)

    def get(self, key: str, default: str = "") -> str:
        """Return the value of a key."""
        return self.values.get(key, (default, 0))[0]

    def fault(self, key: str, what: str, do: str) -> None:
        """Note a problem with a key."""
        line = self.values[key][1] if key in self.values else None
        self.problems.append(Problem(what, do, self.file, line, key))


def read_header(keys: Keys, facility: Facility) -> tuple[Header, list[Problem]]:
    """Return what a session file says of itself, and warnings.

    Raises:
        InputError: Every problem of the header lines.
    """
    _check_required(keys)
    measured = _measured(keys, facility)
    signal_max, signal_min = _signal_range(keys)
    instrument = facility.instruments.get(keys.get("instrument"))
    if keys.get("instrument") and instrument is None:
        do = f"{nearest(keys.get('instrument'), facility.instruments)}; declare it under [instruments] if it is new"
        keys.fault("instrument", f"no instrument {keys.get('instrument')!r}", do)
    if wrong := ids.fault(keys.get("preset")) if keys.get("preset") else "":
        keys.fault("preset", f"{keys.get('preset')!r} is no id: it {wrong}", ids.RULE)
    contact = instrument is not None and instrument.contact
    veil = _choice(keys, "veil", ("included", "excluded"), "excluded" if contact else "included")
    header = Header(
        file=keys.file,
        display=keys.get("display"),
        measured=measured,
        instrument=keys.get("instrument"),
        signal_max=signal_max,
        signal_min=signal_min,
        mode=_choice(keys, "mode", ("calibrated", "native"), "calibrated"),
        preset=keys.get("preset"),
        encoding=_encoding(keys),
        hours=_plain_number(keys, "hours"),
        scale=CD_M2_PER_FL if _unit(keys) == "fL" else 1.0,
        position=_choice(keys, "position", POSITIONS, "centre"),
        window=keys.get("window"),
        veil_included=veil == "included",
        note=keys.get("note"),
    )
    if keys.problems:
        raise InputError(keys.problems)
    warnings = [
        Problem(f"key {key!r} is not known and not used", nearest(key, KEYS), keys.file, line, key)
        for key, (_, line) in keys.values.items()
        if key not in KEYS
    ]
    if not _RFC_3339_OFFSET.search(keys.get("measured")) and _is_unsure(measured):
        what = "the clocks were changed at this hour, so the time without an offset is a guess"
        warnings.append(
            Problem(what, "write the offset, e.g. +01:00", keys.file, keys.values["measured"][1], "measured")
        )
    return header, warnings


def _is_unsure(when: datetime) -> bool:
    """Return whether a local time came twice, or never, when the clocks were changed."""
    return when.replace(fold=0).utcoffset() != when.replace(fold=1).utcoffset()


def rough_header(keys: Keys, facility: Facility) -> Header | None:
    """Return when a session was taken and what for, where other key lines are wrong; None where that is unsure."""
    tried = Keys("", keys.file)
    tried.values = {key: entry for key, entry in keys.values.items() if key in _PLACING}
    measured = _measured(tried, facility)
    mode = _choice(tried, "mode", ("calibrated", "native"), "calibrated")
    position = _choice(tried, "position", POSITIONS, "centre")
    doubled = any(problem.column in _PLACING for problem in keys.problems)
    if tried.problems or doubled or not keys.get("measured"):
        return None
    preset = keys.get("preset")
    return Header(keys.file, keys.get("display"), measured, "", 1.0, mode=mode, preset=preset, position=position)


def _check_required(keys: Keys) -> None:
    for key in ("display", "measured", "signal_max", "instrument"):
        if key not in keys.values:
            keys.problems.append(
                Problem(f"key {key!r} is missing", f"add a line '# {key}: …' above the header row", keys.file)
            )
        elif not keys.get(key) and not any(problem.column == key for problem in keys.problems):
            keys.fault(key, f"key {key!r} is empty", "write its value after the colon")


def _measured(keys: Keys, facility: Facility) -> datetime:
    """Return the instant of the session; a time without offset is in the facility's time zone."""
    text = keys.get("measured")
    try:
        when = datetime.fromisoformat(text.upper()) if _RFC_3339.fullmatch(text) else None
    except ValueError:  # the form is right, the day or the hour is none
        when = None
    if when is None or when.year not in _YEARS:
        if text:
            do = "write date and time as 2026-10-02T09:40:00+01:00 (RFC 3339)"
            keys.fault("measured", f"{text!r} is no date and time", do)
        return datetime(1, 1, 1, tzinfo=facility.time_zone)
    return when if when.tzinfo else when.replace(tzinfo=facility.time_zone)


def _signal_range(keys: Keys) -> tuple[float, float]:
    top = _plain_number(keys, "signal_max")
    bottom = _plain_number(keys, "signal_min") or 0.0
    if top is None:
        return 1.0, 0.0
    if top < 1:
        keys.fault("signal_max", f"{top:g} is no code of full signal", "write 1, 255, 1023, 4095, 65535 or 940")
        return 1.0, 0.0
    if not 0 <= bottom < top:
        keys.fault(
            "signal_min",
            f"{bottom:g} is not between 0 and signal_max {top:g}",
            "write the code of zero signal",
        )
        return top, 0.0
    return top, bottom


def _plain_number(keys: Keys, key: str) -> float | None:
    if not keys.get(key):
        if key in keys.values and key != "signal_max":
            keys.fault(key, f"key {key!r} is empty", "write a number, or take the line out")
        return None
    try:
        value = number(keys.get(key))
    except ValueError:
        keys.fault(key, f"{keys.get(key)!r} is not a number", "write a plain decimal number alone on the line")
        return None
    if key == "hours" and value < 0:
        keys.fault(key, f"{value:g} hours are none", "write the lamp or panel hours")
    return value


def _choice(keys: Keys, key: str, options: tuple[str, ...], default: str) -> str:
    value = keys.get(key, default)
    if value not in options:
        keys.fault(key, f"{value!r} is not a value of {key!r}", nearest(value, options))
    return value


def _unit(keys: Keys) -> str:
    value = keys.get("luminance_unit", "cd/m2").replace("²", "2")
    if value not in ("cd/m2", "fL"):
        keys.fault("luminance_unit", f"{value!r} is no luminance unit that is known", "write cd/m2 or fL")
    return value


def _encoding(keys: Keys) -> Encoding | None:
    name = keys.get("encoding")
    if not name:
        return None
    if name not in STANDARD:
        keys.fault("encoding", f"{name!r} is no encoding that is known", nearest(name, STANDARD))
    return STANDARD.get(name)
