"""The guarded rule and the probability of conformity against the examples of JCGM 106:2012."""

import csv
from dataclasses import replace
from io import StringIO

import pytest

import matchlib
from matchlib.matching.verdict import conformance_probability, guarded_result
from matchlib.reporting import words
from matchlib.reporting.sheet import targets_csv


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "probability"),
    [
        # JCGM 106:2012, 7.4 (print: about 66 %); 7.3.3, examples 1 and 2 (about 92 % and 96 %; inputs from memory)
        (13.6, 1.8, 12.5, 16.3, 0.6626),
        (-5.47, 0.05, float("-inf"), -5.40, 0.9192),
        (507, 10, 490, float("inf"), 0.9554),
        (0.0012, 0.0006, -0.002, 0.002, 0.9088),  # own arithmetic
    ],
)
def test_probability_of_conformity(value, u, low, high, probability):
    assert conformance_probability(value, u, low, high) == pytest.approx(probability, abs=5e-5)


def test_probability_needs_an_uncertainty():
    with pytest.raises(ValueError, match="must be above 0"):
        conformance_probability(1, 0)


@pytest.mark.parametrize(
    ("value", "result"),
    [(0.0007, "pass"), (0.0008, "pass"), (0.0012, "undecided"), (0.00319, "undecided"), (0.0033, "fail")],
)
def test_a_guard_band_of_u(value, result):
    # T = 0.002, U = 0.0012: accepted up to 0.0008 (JCGM 106:2012, 8.3.2; w = U is the choice of ISO 14253-1)
    assert guarded_result(value, 0.002, 0.0012) == result


def test_an_instrument_as_wide_as_the_tolerance_lets_nothing_pass():
    # ST 431-1:2006: a meter of ±0.002 in x, y (4.5) against a white of ±0.002 (5.3)
    assert guarded_result(0.0, 0.002, 0.002) == "pass"
    assert guarded_result(1e-6, 0.002, 0.002) == "undecided"


CONTACT = ("# instrument: S1", "# instrument: C1")


@pytest.fixture
def rooms(make_facility, session_text, displays):
    """Return ``rooms(white, toml_more)``: the monitor M3, read by the colorimeter with this white."""

    def make(white_xy, more="", repeats=1):
        shows = replace(displays["M3"], white_xy=white_xy)
        text = session_text("M3", shows=shows).replace(*CONTACT)
        if repeats > 1:
            head, _, rows = text.partition("patch,r,g,b,X,Y,Z\n")
            text = f"{head}patch,r,g,b,X,Y,Z\n{rows * repeats}"
        folder = make_facility(files={"readings/M3.csv": text}, toml_more=more)
        return matchlib.match_room(folder, "studio-2")

    return make


def test_undecided_says_why_and_which_instrument_decides(rooms):
    room = rooms((0.3150, 0.3519))
    (monitor,) = room.monitors
    assert monitor.verdict.result == "undecided"
    assert 0.05 < monitor.verdict.probability < 0.999
    checks = {check.name: check for check in monitor.verdict.checks}
    assert checks["white"].result == "undecided"
    assert checks["white"].value < checks["white"].limit < checks["white"].value + checks["white"].uncertainty
    assert monitor.deciding.endswith("; read it with S1: that would decide it, should the figures stay")
    assert words.answer(room) == "it cannot be decided whether the monitor matches the screen"
    assert "Too near its limit to be decided: " in words.summary(monitor)
    (row,) = csv.DictReader(StringIO(targets_csv(room)))
    assert row["result"] == "undecided"
    assert "undecided: with C1 no monitor could pass" in row["note"]
    assert any("C1 has no correction for this panel" in warning for warning in monitor.warnings)


def test_the_rule_simple_takes_the_same_figures_as_they_are(rooms):
    room = rooms((0.3150, 0.3519), '\n[tolerances]\nrule = "simple"\n')
    (monitor,) = room.monitors
    assert monitor.verdict.result == "match"
    assert monitor.verdict.probability is None
    assert all(check.uncertainty > 0 for check in monitor.verdict.checks)
    assert monitor.deciding == ""


def test_an_instrument_that_can_let_nothing_pass_is_named_in_words(rooms):
    room = rooms((0.3141, 0.3511), "\n[tolerances]\nwhite = 0.002\n")
    (monitor,) = room.monitors
    assert monitor.verdict.result == "undecided"
    assert monitor.deciding.startswith("with C1 no monitor could pass: its uncertainty of white, 0.00")
    assert "is no smaller than the limit 0.002; " in monitor.deciding


def test_the_mean_carries_its_uncertainty_to_match_json_and_back(rooms):
    room = rooms((0.3150, 0.3519))
    again = matchlib.RoomMatch.from_json(room.to_json())
    assert again.monitors[0].difference.u_mean == pytest.approx(room.monitors[0].difference.u_mean, rel=1e-8)
    assert again.monitors[0].verdict.result == "undecided"
    assert again.projector.conformity[0].source == "ST 431-1:2006, 5.1, review room"
