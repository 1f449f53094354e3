"""The key lines of a session file: ``# key: value`` above the header row, to a :class:`Header`."""

import re
from datetime import datetime

from matchlib.encoding import STANDARD, Encoding
from matchlib.errors import InputError, Problem, nearest
from matchlib.facility import ids
from matchlib.facility.formats import KEYS
from matchlib.facility.rooms import Facility
from matchlib.readings.session import Header
from matchlib.text import number

CD_M2_PER_FL = 3.4262591  # 1 fL = 1/π cd/ft² (NIST SP 811, appendix B.8)
RADIANCE_UNITS = ("", "W/sr/m2/nm", "W/sr/m2")  # none declared; per nm; per band of one step
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
    """What a file says of itself before its table: ``# key: value`` lines, or what stands for them.

    Args:
        file: Path relative to the facility folder.
        form: How a key is written in this kind of file, with ``{key}`` or ``{KEY}``; for messages.
        where: Where it is written.

    Attributes:
        values: Value and line of each key; no line where the key does not stand in the file.
        problems: Keys that stand twice.
        empty: Whether the file holds nothing at all.
    """

    def __init__(
        self, file: str, form: str = "line '# {key}: …'", where: str = "above the header row", *, empty: bool = False
    ) -> None:
        self.file, self.where, self.empty = file, where, empty
        self._form = form
        self.values: dict[str, tuple[str, int | None]] = {}
        self.problems: list[Problem] = []

    def copy(self) -> "Keys":
        """Return the same keys, whose further problems are their own."""
        twin = Keys(self.file, self._form, self.where, empty=self.empty)
        twin.values, twin.problems = dict(self.values), list(self.problems)
        return twin

    def form(self, key: str) -> str:
        """Return how a key is written in this kind of file."""
        return self._form.format(key=key, KEY=key.upper())

    def take(self, key: str, value: str, line: int | None) -> None:
        """Take one key; a second time is a problem."""
        if key not in self.values:
            self.values[key] = (value, line)
            return
        what = f"key {key!r} stands on line {self.values[key][1]} too"
        do = "one file holds one session of one display" if key == "display" else "keep one of them"
        self.problems.append(Problem(what, do, self.file, line, key))
        if key == "display" and value != self.values[key][0]:
            self.values[key] = ("", line)  # which display it is cannot be told

    def get(self, key: str, default: str = "") -> str:
        """Return the value of a key."""
        return self.values.get(key, (default, None))[0]

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
        radiance_unit=_radiance_unit(keys),
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
    tried = Keys(keys.file)
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
                Problem(f"key {key!r} is missing", f"add a {keys.form(key)} {keys.where}", keys.file)
            )
        elif not keys.get(key) and not any(problem.column == key for problem in keys.problems):
            keys.fault(
                key,
                f"key {key!r} is empty",
                "write its value after the colon" if "#" in keys.form(key) else "write its value",
            )


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


def _radiance_unit(keys: Keys) -> str:
    value = keys.get("radiance_unit").replace("²", "2")
    if value not in RADIANCE_UNITS:
        what = f"{value!r} is no unit of spectral radiance that is known"
        keys.fault("radiance_unit", what, "write W/sr/m2/nm (per nm) or W/sr/m2 (per band of one step)")
    return value


def _encoding(keys: Keys) -> Encoding | None:
    name = keys.get("encoding")
    if not name:
        return None
    if name not in STANDARD:
        keys.fault("encoding", f"{name!r} is no encoding that is known", nearest(name, STANDARD))
    return STANDARD.get(name)
