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
from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Instrument, Monitor, Projector, Room
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
        limits: What the panel cannot reach, in words.
        findings: What the checks say of its sessions, calibrated and native.
        gain: Of the best setting, with its uncertainty.
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
    gain: Gain | None = None
    deciding: str = ""
    conformity: tuple[Check, ...] | None = None
    instrument: str | None = None
    row: Monitor | None = None
    detail: Detail | None = None


@dataclass(frozen=True, slots=True)
class ProjectorMatch:
    """The room's reference as it was measured."""

    id: str
    session: str
    measured: str
    response: Figures
    conformity: tuple[Check, ...] | None = None
    findings: tuple[Finding, ...] = ()
    instrument: str | None = None
    row: Projector | None = None
    fitted: Response | None = None


@dataclass(frozen=True, slots=True)
class RoomMatch:
    """The answer for one room.

    Attributes:
        facility: Its name; ``room``: the id.
        hash: Of everything the result depends on, 12 hex digits.
        inputs: SHA-256 of each session file that belongs to the room's displays.
        date: Day of the newest session used, YYYY-MM-DD in the facility's time zone.
        mode: Match mode; ``luminance``: of the reference white, cd/m²; ``surround``: of the monitors.
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
    settings: Room | None = None
    instruments: Mapping[str, Instrument] | None = None
    set_aside: tuple[tuple[str, str], ...] = ()
    root: Path | None = None

    def to_json(self) -> str:
        """Return ``match.json``: keys in the order of the design, 9 significant digits, LF."""
        tolerances = None if self.settings is None else asdict(self.settings.tolerances)
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
            "tolerances": tolerances,
            "monitors": [_public(monitor) for monitor in self.monitors],
            "room_target": None if self.room_target is None else asdict(self.room_target),
            "set_aside": [{"file": file, "reason": reason} for file, reason in self.set_aside],
            "warnings": list(self.warnings),
        }
        return json.dumps(_plain(content), ensure_ascii=False, indent=1, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> "RoomMatch":
        """Return the room of a ``match.json``, without what only figures need.

        Raises:
            InputError: Not a ``match.json`` of this schema.
        """
        try:
            found = json.loads(text)
            if found["schema"] != SCHEMA:
                raise InputError(Problem(f"match.json has schema {found['schema']}, this version reads {SCHEMA}"))
            return cls(
                **{key: found[key] for key in ("facility", "room", "date", "matchlib", "hash")},
                versions=found["versions"],
                inputs=found["inputs"],
                projector=_projector(found["projector"]),
                **found["match"],
                monitors=tuple(_monitor(entry) for entry in found["monitors"]),
                room_target=_target(found["room_target"]),
                set_aside=tuple((entry["file"], entry["reason"]) for entry in found["set_aside"]),
                warnings=tuple(found["warnings"]),
            )
        except (KeyError, TypeError, json.JSONDecodeError) as error:
            raise InputError(Problem(f"not a match.json: {error}", "make the report again")) from None


_PRIVATE = ("row", "detail", "fitted")


def _public(entry: MonitorMatch | ProjectorMatch) -> dict[str, Any]:
    """Return what of a display stands in ``match.json``."""
    values = {field.name: getattr(entry, field.name) for field in fields(entry)}
    return {name: value for name, value in values.items() if name not in _PRIVATE}


def _plain(value: Any) -> Any:
    """Return a value as JSON has it: rounded, not finite as null."""
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}") + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(entry) for entry in value]
    if hasattr(value, "__dataclass_fields__"):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    return value


def _score(found: Any) -> Any:
    return None if found is None else Score(**found)


def _pairs(found: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if key.endswith("_xy") and value is not None else value for key, value in found.items()}


def _figures(found: Any) -> Any:
    return None if found is None else Figures(**_pairs(found) | _sure(found, "fit_error"))


def _target(found: Any) -> Any:
    return None if found is None else Target(**_pairs(found) | _sure(found, "expected"))


def _sure(found: dict[str, Any], score: str) -> dict[str, Any]:
    """Return the score and the uncertainties of figures; reports of earlier versions have none."""
    sure = found.get("uncertainty")
    return {score: _score(found[score]), "uncertainty": None if sure is None else Expanded(**_pairs(sure))}


def _findings(found: dict[str, Any]) -> tuple[Finding, ...]:
    """Return the findings of an entry; reports of earlier versions have none."""
    return tuple(Finding(**entry) for entry in found.get("findings", ()))


def _checks(found: Any) -> Any:
    return None if found is None else tuple(Check(**check) for check in found)


def _projector(found: dict[str, Any]) -> ProjectorMatch:
    changes = {
        "response": _figures(found["response"]),
        "conformity": _checks(found["conformity"]),
        "findings": _findings(found),
    }
    return ProjectorMatch(**found | changes)


def _monitor(found: dict[str, Any]) -> MonitorMatch:
    scores = found["other_metrics"]
    verdict = found["verdict"]
    changes = {
        "response": _figures(found["response"]),
        "difference": _score(found["difference"]),
        "as_read": _score(found["as_read"]),
        "other_metrics": None if scores is None else tuple(_score(entry) for entry in scores),
        "levels": {name: _score(entry) for name, entry in found["levels"].items()},
        "conformity": _checks(found["conformity"]),
        "limits": tuple(found["limits"]),
        "warnings": tuple(found["warnings"]),
        "findings": _findings(found),
        "gain": None if found.get("gain") is None else Gain(**found["gain"]),
        "verdict": Verdict(verdict["result"], verdict["probability"], _checks(verdict["checks"])),
    }
    targets = {name: _target(found[name]) for name in ("ideal", "target", "common_target")}
    return MonitorMatch(**found | changes | targets)
