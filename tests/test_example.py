"""The example report: its figures are made again and compared."""

import json
from pathlib import Path

import pytest

import matchlib
from matchlib.reporting.sheet import targets_csv

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "reports" / "example"
# Figures agree to 1e-6 on other machines and library versions; the search stops within that of its end.
RELATIVE, ABSOLUTE = 1e-4, 1e-6


def compare(one, other, place=""):
    """Compare two JSON values: numbers closely, all else exactly."""
    if isinstance(one, dict):
        assert list(one) == list(other), place
        for key in one:
            compare(one[key], other[key], f"{place}.{key}")
    elif isinstance(one, list):
        assert len(one) == len(other), place
        for number, (first, second) in enumerate(zip(one, other, strict=True)):
            compare(first, second, f"{place}.{number}")
    elif isinstance(one, float) and isinstance(other, float):
        assert one == pytest.approx(other, rel=RELATIVE, abs=ABSOLUTE), place
    else:
        assert one == other, place


def test_the_example_room_made_again_has_the_same_figures():
    kept = json.loads((EXAMPLE / "match.json").read_text(encoding="utf-8"))
    room = matchlib.match_room(ROOT / "data", kept["room"])
    made = json.loads(room.to_json())
    for key in ("hash", "versions"):  # they change with every release and machine
        kept.pop(key)
        made.pop(key)
    compare(kept, made)
    assert targets_csv(room) == (EXAMPLE / "targets.csv").read_text(encoding="utf-8")
    assert (EXAMPLE / "match.pdf").read_bytes().startswith(b"%PDF-")
    assert (EXAMPLE / "page-1.png").read_bytes().startswith(b"\x89PNG")
