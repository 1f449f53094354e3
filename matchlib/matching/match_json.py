"""``match.json`` read back: what other programs, and earlier reports, have of a room."""

import json
from typing import Any

from matchlib.errors import InputError, Problem
from matchlib.facility.rooms import Tolerances
from matchlib.matching.result import (
    SCHEMA,
    Check,
    Expanded,
    Figures,
    Gain,
    MonitorMatch,
    OneForAll,
    Previous,
    ProjectorMatch,
    RoomMatch,
    Target,
    Verdict,
)
from matchlib.perception.difference import Score
from matchlib.readings.checks.finding import Finding


def read_room(text: str) -> RoomMatch:
    """Return the room of a ``match.json``, without what only figures need.

    Raises:
        InputError: Not a ``match.json`` of this schema.
    """
    try:
        found = json.loads(text)
        if found["schema"] != SCHEMA:
            raise InputError(Problem(f"match.json has schema {found['schema']}, this version reads {SCHEMA}"))
        return RoomMatch(
            **{key: found[key] for key in ("facility", "room", "date", "matchlib", "hash")},
            versions=found["versions"],
            inputs=found["inputs"],
            projector=_projector(found["projector"]),
            **found["match"],
            monitors=tuple(_monitor(entry) for entry in found["monitors"]),
            room_target=_target(found["room_target"]),
            one_for_all=_one_for_all(found.get("one_for_all")),
            set_aside=tuple((entry["file"], entry["reason"]) for entry in found["set_aside"]),
            tolerances=None if found["tolerances"] is None else Tolerances(**found["tolerances"]),
            warnings=tuple(found["warnings"]),
        )
    except (KeyError, TypeError, json.JSONDecodeError) as error:
        raise InputError(Problem(f"not a match.json: {error}", "make the report again")) from None


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


def _previous(found: Any) -> Any:
    if found is None:
        return None
    changes = {name: _score(found[name]) for name in ("was", "expected")}
    return Previous(**found | changes | {"target": _target(found["target"])})


def _one_for_all(found: Any) -> Any:
    return None if found is None else OneForAll(**found | {"monitors": tuple(found["monitors"])})


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
        "previous": _previous(found.get("previous")),
        "warnings": tuple(found["warnings"]),
        "findings": _findings(found),
        "gain": None if found.get("gain") is None else Gain(**found["gain"]),
        "verdict": Verdict(verdict["result"], verdict["probability"], _checks(verdict["checks"])),
    }
    targets = {name: _target(found[name]) for name in ("ideal", "target", "common_target")}
    targets["ideal_keeping"] = _target(found.get("ideal_keeping"))
    return MonitorMatch(**found | changes | targets)
