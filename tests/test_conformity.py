"""Displays against their own standards: ST 431-1:2006, RP 431-2:2011, EBU Tech 3320 v3.0 (October 2014)."""

from dataclasses import replace

import numpy as np
import pytest

import matchlib
from matchlib.encoding import STANDARD
from matchlib.matching.conformity import GRADES, projection_checks, reached_grade
from matchlib.matching.result import Figures
from matchlib.matching.tolerances import REVIEW_ROOM, THEATRE, Sure
from matchlib.perception.difference import Score
from matchlib.reporting.pages import page_data

EXACT = Sure(luminance=0.0, xy=0.0, gamma=0.0, contrast=0.0, guarded=True)
P3 = STANDARD["P3 DCI"]
SCREEN = Figures(
    48.0, 0.024, 2000.0, P3.white_xy, P3.red_xy, P3.green_xy, P3.blue_xy, 2.6, 0.0, Score("CIEDE2000", 0, 0, 0, "")
)  # fmt: skip


def results(figures, encoding=P3, place=REVIEW_ROOM, sure=EXACT):
    return {check.name: check.result for check in projection_checks(figures, encoding, sure, place)}


@pytest.mark.parametrize(
    ("changes", "name", "room", "theatre"),
    [
        ({}, "luminance", "pass", "pass"),
        ({"luminance": 44.4}, "luminance", "fail", "pass"),  # ST 431-1:2006, 5.1: ±3.5, ±10.2
        ({"luminance": 37.7}, "luminance", "fail", "fail"),
        ({"white_xy": (0.3159, 0.3511)}, "white x", "pass", "pass"),  # 5.3: ±.002, ±.006
        ({"white_xy": (0.3140, 0.3535)}, "white y", "fail", "pass"),
        ({"gamma": 2.54}, "gamma", "fail", "pass"),  # RP 431-2:2011, 7.7: ±2 %, ±5 %
        ({"gamma": 2.56}, "gamma", "pass", "pass"),
        ({"contrast": 1400.0}, "contrast", "fail", "pass"),  # 7.5: 1500, 1200
        ({"blue_xy": (0.1210, 0.0600)}, "blue x", "pass", "pass"),  # 7.9: +.01 / −.03
        ({"blue_xy": (0.1610, 0.0600)}, "blue x", "fail", "fail"),
        ({"blue_xy": (0.1500, 0.0790)}, "blue y", "pass", "pass"),  # +.02 / −.04
        ({"red_xy": (0.6910, 0.3090)}, "red x", "fail", "fail"),
    ],
)
def test_limits_of_a_projector(changes, name, room, theatre):
    changed = replace(SCREEN, **changes)
    assert results(changed)[name] == room
    assert results(changed, place=THEATRE)[name] == theatre


def test_the_tolerance_of_white_is_a_box():
    # Both coordinates just inside: 0.0028 from the nominal, beyond any circle of 0.002
    found = results(replace(SCREEN, white_xy=(0.3159, 0.3529)))
    assert (found["white x"], found["white y"]) == ("pass", "pass")


def test_a_house_that_projects_otherwise_on_purpose_is_told_both():
    encoding = replace(P3, name="P3 DCI, gamma 2.2", gamma=2.2, luminance=40.0)
    found = results(replace(SCREEN, luminance=40.0, gamma=2.2), encoding)
    assert (found["luminance"], found["luminance, the standard's own"]) == ("pass", "fail")
    assert (found["gamma"], found["gamma, the standard's own"]) == ("pass", "fail")
    assert "white x, the standard's own" not in found


def test_a_meter_of_0_002_leaves_white_undecided():
    assert results(SCREEN, sure=replace(EXACT, xy=0.002))["white x"] == "pass"
    off = replace(SCREEN, white_xy=(0.3141, 0.3510))
    assert results(off, sure=replace(EXACT, xy=0.002))["white x"] == "undecided"
    assert results(off, sure=replace(EXACT, xy=0.002, guarded=False))["white x"] == "pass"


def test_a_projector_outside_its_standard_is_said_first(make_facility, displays):
    folder = make_facility(shows={"P1": replace(displays["P1"], luminance=39.0, gamma=(2.3,) * 3)})
    room = matchlib.match_room(folder, "studio-2")
    failed = [check.name for check in room.projector.conformity if check.result == "fail"]
    assert failed == ["luminance", "gamma"]
    drawings = [drawing for name in matchlib.FIGURES for drawing in matchlib.draw(room, name)]
    data = page_data(room, {(d.name, d.subject): (f"{d.name}.svg", d) for d in drawings})
    assert data["lead"].startswith("The screen itself is outside its standard: luminance and gamma. The screen shows")
    assert len(data["conformity"]) == len(room.projector.conformity)


def drifting(text, change):
    """Return a session whose white is read again at its end, and whose light drifts by ``change`` over it."""
    head, _, body = text.partition("patch,r,g,b,X,Y,Z\n")
    rows = [row.rsplit(",", 3) for row in body.splitlines()]
    bright = [row for row in rows if row[0].split(",")[0] in ("white", "red", "green")]
    rows = [*bright, *rows, *bright, *bright]
    course = np.linspace(-0.5, 0.5, len(rows))
    lines = [
        f"{cells},{','.join(f'{float(value) * (1 + change * place):.6g}' for value in xyz)}"
        for (cells, *xyz), place in zip(rows, course, strict=True)
    ]
    return head + "patch,r,g,b,X,Y,Z\n" + "\n".join(lines) + "\n"


def test_drift_of_the_session_widens_what_is_known_of_the_screen(make_facility, session_text):
    """A light that changes by 6 % over a session leaves 6 % / √12 in every reading (JCGM 100:2008, 4.3.7)."""
    known = []
    for change in (0.0, 0.06):
        files = {"readings/P1.csv": drifting(session_text("P1"), change)}
        screen = matchlib.match_room(make_facility(name=f"by {change:g}", files=files), "studio-2").projector
        sure = {check.name: check.uncertainty for check in screen.conformity}
        shares = sure["luminance"] / screen.response.luminance, sure["contrast"] / screen.response.contrast
        known.append((*shares, sure["white x"]))
    still, moving = known
    by_drift = 2 * 0.06 / np.sqrt(12)
    assert still[0] == pytest.approx(0.02)
    assert moving[0] == pytest.approx(np.hypot(0.02, by_drift), rel=0.05)
    assert moving[1] == pytest.approx(np.hypot(still[1], by_drift), rel=0.1)
    assert moving[2] == pytest.approx(still[2], rel=0.05)


@pytest.fixture
def video(make_facility, session_text):
    """Return ``video(shows)``: the checks of a monitor that is fed BT.709."""

    def make(shows):
        text = session_text("M3", shows=shows, steps=10, encoding="BT.709")
        folder = make_facility(files={"readings/M3.csv": text})
        return matchlib.match_room(folder, "studio-2").monitors[0].conformity

    return make


@pytest.fixture
def grading(displays):
    """Return a monitor that is exactly BT.709 at 100 cd/m² and gamma 2.4."""
    video = STANDARD["BT.709"]
    corners = {name: getattr(video, name) for name in ("white_xy", "red_xy", "green_xy", "blue_xy")}
    return replace(displays["M3"], luminance=100.0, gamma=(2.4,) * 3, black=0.01, **corners)


def test_a_monitor_that_is_fed_cinema_is_not_held_against_video(make_facility):
    assert matchlib.match_room(make_facility(), "studio-2").monitors[0].conformity is None


def test_white_is_told_in_the_units_of_the_standard(video, grading):
    # Annex B: 0.0010 in u′v′ is 1.3 Δu*v* at L* = 100; (0.3127, 0.3290) moved by +0.001 in v′
    u, v = 0.19783, 0.46832 + 0.001
    scale = 6 * u - 16 * v + 12
    checks = {c.name: c for c in video(replace(grading, white_xy=(9 * u / scale, 4 * v / scale), black=0.0001))}
    assert checks["grade 1: white"].value == pytest.approx(1.3, abs=0.06)


@pytest.mark.parametrize(
    ("changes", "grade", "fails"),
    [
        ({}, "grade 1", ""),
        ({"black": 0.12, "luminance": 120.0}, "grade 2", "grade 1: black"),  # 5.2: 0.05, 0.4, 0.7
        ({"black": 0.5, "luminance": 240.0}, "grade 3", "grade 2: black"),
        ({"gamma": (2.2,) * 3}, "grade 3", "grade 2: gamma"),  # 5.4: ±0.10, optional in grade 3
        ({"luminance": 40.0}, "no grade", "grade 3: peak, least"),  # 5.1: 70
        ({"red_xy": (0.680, 0.320)}, "no grade", "grade 3: red"),  # 5.6: 7 Δu*v*
    ],
)
def test_grades_of_a_monitor(video, grading, changes, grade, fails):
    checks = video(replace(grading, **changes))
    assert reached_grade(checks) == grade
    failed = [check.name for check in checks if check.result == "fail"]
    assert fails in failed if fails else failed == []
    assert {check.name.split(":")[0] for check in checks} == {entry.name for entry in GRADES}
    assert all(check.source.startswith("EBU Tech 3320 v3.0, 5.") for check in checks)
