"""What is known of a room after matching: frozen types, to and from ``match.json``."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from matchlib.arrays import Array
from matchlib.displays.reach import Panel
from matchlib.displays.response import Response
from matchlib.encoding import Pair
from matchlib.facility.rooms import Instrument, Monitor, Projector, Room, Tolerances
from matchlib.perception.difference import Score
from matchlib.readings.checks.finding import Finding
from matchlib.readings.session import Patches, Session

SCHEMA = 1
_DIGITS = 9


@dataclass(frozen=True, slots=True)
class Expanded:
    """Expanded uncertainties of a display's figures, in their own units: not of a difference from another display.

    ``level`` is that of k = 2 for many degrees of freedom; for few k is Student's t (JCGM 100:2008, G.4). None:
    the figure has none, or is not known.
    """

    level: float
    luminance: float | None = None
    black: float | None = None
    contrast: float | None = None
    white_xy: Pair | None = None
    red_xy: Pair | None = None
    green_xy: Pair | None = None
    blue_xy: Pair | None = None
    gamma: float | None = None
    additivity_error: float | None = None


@dataclass(frozen=True, slots=True)
class Gain:
    """What the best setting gains in the mean difference, and the expanded uncertainty (k = 2) of that gain."""

    mean: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Figures:
    """A display's response in figures (design 4): cd/m², CIE 1931 x, y.

    ``black`` is None where it was not read, ``contrast`` where black is not above the instrument's floor.
    """

    luminance: float
    black: float | None
    contrast: float | None
    white_xy: Pair
    red_xy: Pair
    green_xy: Pair
    blue_xy: Pair
    gamma: float | None
    additivity_error: float
    fit_error: Score
    uncertainty: Expanded | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """What a display is set to, by the same definitions as :class:`Figures`, and what is expected of it.

    What is typed in is exact; ``uncertainty`` is how far peak, white and gamma of what is followed may be from it.
    """

    luminance: float
    black: float
    white_xy: Pair
    red_xy: Pair
    green_xy: Pair
    blue_xy: Pair
    gamma: float | None
    tone: str
    expected: Score
    uncertainty: Expanded | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One figure held against its limit.

    Attributes:
        result: ``pass``, ``fail`` or ``undecided``.
        source: Where the limit comes from.
    """

    name: str
    value: float | None
    limit: float
    uncertainty: float | None
    unit: str
    result: str
    source: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer for one monitor.

    Attributes:
        result: ``match``, ``no match``, ``undecided`` or ``not measured``.
        probability: That all limits are met at once; None under the rule ``simple``.
    """

    result: str
    probability: float | None
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Previous:
    """What the session before promised: computed from the readings as of its day, not from a report.

    Attributes:
        session: That session's file; ``measured``: its instant.
        was: The difference then.
        expected: What the target of that day was expected to leave; the difference now stands beside it.
        followed: Whether the figures now are nearer to that target than to those of that day.
    """

    session: str
    measured: str
    was: Score
    expected: Score
    target: Target
    followed: bool


@dataclass(frozen=True, slots=True)
class OneForAll:
    """What one target for the whole room means.

    Attributes:
        worst: The worst monitor's expected mean difference with it.
        monitors: Names of those that share it: fed the same encoding, and measured.
        holds_back: Name of the monitor that holds the room back; None where none does.
        without: The worst of the others, were it left out.
    """

    worst: float
    monitors: tuple[str, ...]
    holds_back: str | None
    without: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Detail:
    """What figures are drawn from, on the standard list; not part of ``match.json``.

    Attributes:
        labels: Of the n patches.
        wanted_xyz: What the monitor should show, shape (n, 3); ``now_xyz``: shows; ``after_xyz``: will show.
        now: CIEDE2000 now, shape (n,); ``after``: with the target.
        reference_white: Of the scores, shape (3,).
        white_covariance: Of u′, v′ of white less the projector's, shape (2, 2).
        target_primaries_xyz: Columns full red, green, blue of the target above black, shape (3, 3).
    """

    session: Session
    patches: Patches
    response: Response
    panel: Panel
    labels: tuple[str, ...]
    signal: Array
    wanted_xyz: Array
    now_xyz: Array
    after_xyz: Array
    now: Array
    after: Array
    reference_white: Array
    target_primaries_xyz: Array
    white_covariance: Array | None = None


@dataclass(frozen=True, slots=True)
class MonitorMatch:
    """One monitor against its projector; everything but ``monitor`` is None where it was not measured.

    Attributes:
        row: The row of the inventory.
        adjust: False where the sheet says to leave the monitor as it is.
        follows_room: Whether the sheet carries the common target.
        previous: What the visit before promised; None where there was none.
        limits: What the panel cannot reach, in words.
        findings: What the checks say of its sessions, calibrated and native.
        gain: Of the best setting, with its uncertainty.
        ideal_keeping: In the match mode ``appearance`` the ideal that keeps the projector's primaries; else None.
        rounding_loss: What the sheet's rounding adds to the mean difference of what is set; None where nothing is.
        deciding: What would decide an undecided monitor, in words; empty where nothing has to.
        conformity: Against EBU Tech 3320 where it is fed a video encoding, else None.
        detail: Not part of ``match.json``; None when read back from it.
    """

    monitor: str
    preset: str
    session: str | None
    measured: str | None
    response: Figures | None
    difference: Score | None
    as_read: Score | None
    other_metrics: tuple[Score, ...] | None
    ideal: Target | None
    target: Target | None
    common_target: Target | None
    levels: Mapping[str, Score | None]
    causes: tuple[Mapping[str, Any], ...] | None
    limits: tuple[str, ...]
    verdict: Verdict
    warnings: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    adjust: bool = False
    follows_room: bool = False
    previous: Previous | None = None
    gain: Gain | None = None
    ideal_keeping: Target | None = None
    rounding_loss: float | None = None
    deciding: str = ""
    conformity: tuple[Check, ...] | None = None
    instrument: str | None = None
    row: Monitor | None = None
    detail: Detail | None = None

    @property
    def set_to(self) -> Target | None:
        """What the sheet says to set: the common target where the room has one, else the monitor's own."""
        return self.common_target if self.follows_room and self.common_target is not None else self.target


@dataclass(frozen=True, slots=True)
class ProjectorMatch:
    """The room's reference as it was measured.

    Attributes:
        conformity: Against its standard, the limits those of a review room.
        in_theatre: The same with a theatre's limits; not part of ``match.json``.
    """

    id: str
    session: str
    measured: str
    response: Figures
    conformity: tuple[Check, ...] | None = None
    findings: tuple[Finding, ...] = ()
    instrument: str | None = None
    row: Projector | None = None
    fitted: Response | None = None
    in_theatre: tuple[Check, ...] = ()


@dataclass(frozen=True, slots=True)
class RoomMatch:
    """The answer for one room.

    Attributes:
        facility: Its name; ``room``: the id.
        hash: Of everything the result depends on, 12 hex digits.
        inputs: SHA-256 of each session file that belongs to the room's displays.
        date: Day of the newest session used, YYYY-MM-DD in the facility's time zone.
        mode: Match mode; ``luminance``: of the reference white, cd/m²; ``surround``: of the monitors.
        one_for_all: What ``room_target`` means for the room; None where it has none.
        root: The facility folder, for its fonts; not part of ``match.json``.
    """

    facility: str
    room: str
    matchlib: str
    hash: str
    versions: Mapping[str, str]
    inputs: Mapping[str, str]
    projector: ProjectorMatch
    mode: str
    luminance: float
    surround: str
    monitors: tuple[MonitorMatch, ...]
    room_target: Target | None
    warnings: tuple[str, ...]
    date: str = ""
    tolerances: Tolerances | None = None
    settings: Room | None = None
    instruments: Mapping[str, Instrument] | None = None
    set_aside: tuple[tuple[str, str], ...] = ()
    one_for_all: OneForAll | None = None
    root: Path | None = None

    def to_json(self) -> str:
        """Return ``match.json``: keys in the order of the design, 9 significant digits, LF."""
        content = {
            "schema": SCHEMA,
            "facility": self.facility,
            "room": self.room,
            "date": self.date,
            "matchlib": self.matchlib,
            "hash": self.hash,
            "versions": dict(self.versions),
            "inputs": dict(self.inputs),
            "projector": _public(self.projector),
            "match": {"mode": self.mode, "luminance": self.luminance, "surround": self.surround},
            "tolerances": None if self.tolerances is None else asdict(self.tolerances),
            "monitors": [_public(monitor) for monitor in self.monitors],
            "room_target": None if self.room_target is None else asdict(self.room_target),
            "one_for_all": None if self.one_for_all is None else asdict(self.one_for_all),
            "set_aside": [{"file": file, "reason": reason} for file, reason in self.set_aside],
            "warnings": list(self.warnings),
        }
        return json.dumps(plain(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> "RoomMatch":
        """Return the room of a ``match.json``, without what only figures need.

        Raises:
            InputError: Not a ``match.json`` of this schema.
        """
        from matchlib.matching.match_json import read_room

        return read_room(text)


_PRIVATE = ("row", "detail", "fitted", "in_theatre")


def _public(entry: MonitorMatch | ProjectorMatch) -> dict[str, Any]:
    """Return what of a display stands in ``match.json``."""
    values = {field.name: getattr(entry, field.name) for field in fields(entry)}
    return {name: value for name, value in values.items() if name not in _PRIVATE}


def plain(value: Any) -> Any:
    """Return a value as JSON has it: rounded, not finite as null."""
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}") + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if hasattr(value, "__dataclass_fields__"):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    return value
