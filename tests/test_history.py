"""Histories of a simulated studio whose ageing is known; ``ageing_studio`` in conftest.py makes it."""

from datetime import date
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from matchlib.facility.file import read_facility
from matchlib.matching.ageing import Leaving
from matchlib.matching.due import outlook_words
from matchlib.matching.history import FIGURES, Outlook, trends_of
from matchlib.matching.room import match_room
from matchlib.readings.archive import Archive
from matchlib.reporting.history_tables import drift_table, history_words
from matchlib.reporting.plots.trend import Limits, room_trends, trend
from matchlib.running.history import Historian, room_history

ON = "2026-03-20"


@pytest.fixture
def studio(ageing_studio):
    return room_history(ageing_studio, "studio-1", ON)


@pytest.fixture
def named(studio):
    return {
        history.display: (history, outlook) for history, outlook in zip(studio.monitors, studio.outlooks, strict=True)
    }


def test_every_session_is_a_visit_with_the_figures_of_its_day(ageing_studio, studio, named):
    fading, _ = named["M1"]
    assert [visit.day.isoformat() for visit in fading.visits] == [
        "2025-09-05",
        "2025-11-05",
        "2026-01-05",
        "2026-03-05",
    ]
    wanted = 48.2 * 0.985 ** np.arange(4) + 0.021
    assert [visit.figures.luminance for visit in fading.visits] == pytest.approx(wanted, rel=0.002)
    for visit in fading.visits[1:]:  # each as that day's own match has it, adjusted or not
        then = match_room(ageing_studio, "studio-1", visit.day.isoformat())
        own = next(monitor for monitor in then.monitors if monitor.monitor == "M1")
        assert visit.difference.mean == pytest.approx(own.difference.mean, rel=1e-9)
        assert visit.figures.white_xy == own.response.white_xy
    now = next(monitor for monitor in studio.match.monitors if monitor.monitor == "M1")
    assert fading.visits[-1].today.mean == pytest.approx(now.difference.mean, rel=1e-9)
    assert fading.visits[0].today.mean != fading.visits[0].difference.mean


def test_changes_are_told(ageing_studio, named):
    assert named["M1"][0].changes == ()
    assert named["M4"][0].changes == ((2, "panel"),)
    assert len(named["M4"][0].present) == 2
    screen = Historian(Archive(read_facility(ageing_studio))).of_projector("P2")
    assert screen.changes == ((1, "lamp"),)
    assert screen.kind == "projector"


def test_the_drift_is_the_true_one_within_its_interval(named):
    rate, half = trends_of(named["M1"][0])["peak"].a_year("peak")
    truth = 100 * (0.985 ** (365.25 / (181 / 3)) - 1)  # three steps in 181 days
    assert abs(rate - truth) < half
    assert half < 3
    still, _ = trends_of(named["M2"][0])["white_u"].a_year("white_u")
    assert abs(still) < trends_of(named["M2"][0])["white_u"].a_year("white_u")[1]


def test_the_day_of_leaving_is_the_true_one_within_its_interval(studio, named):
    history, outlook = named["M1"]
    assert outlook.first == "luminance"
    leaving, ideal = outlook.leaving["luminance"], studio.match.monitors[0].ideal.luminance
    step = np.log(0.985) / (181 / 3)
    truth = np.log(0.94 * ideal / (48.2 * 0.985**3 + 0.021)) / step
    assert leaving.earliest <= truth <= leaving.latest
    assert leaving.latest - leaving.earliest < 150
    assert outlook.start == date(2026, 3, 5)
    assert outlook.within(truth + 90) > 0.9
    assert history.name == "M1"


def test_two_sessions_are_not_enough(named):
    history, outlook = named["M4"]
    assert outlook.leaving == {}
    assert outlook.first is None
    assert all(found.drift is None for found in trends_of(history).values())
    assert named["M3"][1] is None


def test_a_jump_is_marked_and_does_not_split(ageing_studio, session_text, displays):
    from dataclasses import replace

    for number in range(8):
        shows = replace(displays["P1"], luminance=48.0 if number < 5 else 43.0, black=0.02)
        text = session_text("M3", f"2025-{number + 2:02}-03T10:00:00", shows=shows, seed=number)
        (ageing_studio / "readings" / f"M3_{number}.csv").write_text(text, encoding="utf-8")
    historian = Historian(Archive(read_facility(ageing_studio)))
    row = next(monitor for monitor in historian.archive.facility.monitors if monitor.id == "M3")
    history = historian.of_monitor(row, None)
    assert history.changes == ()
    assert trends_of(history)["peak"].jumps == (5,)
    assert trends_of(history)["white_u"].jumps == ()
    assert "peak jumped before 2025-07-03" in trend(history).alt


def test_the_drawing_is_sound_and_its_words_hold_the_numbers(studio, named):
    for display in ("M1", "M4"):
        history, outlook = named[display]
        match = next(monitor for monitor in studio.match.monitors if monitor.monitor == display)
        drawing = trend(history, Limits(match.ideal, studio.match.tolerances), outlook)
        ET.fromstring(drawing.svg)  # noqa: S314 - our own bytes
        assert drawing.svg == trend(history, Limits(match.ideal, studio.match.tolerances), outlook).svg
        assert f"{len(history.visits)} sessions" in drawing.alt
        assert display.encode() not in drawing.svg
        assert all(figure.words in drawing.alt for figure in FIGURES.values())
    assert "leaves its limits: peak about 2026-" in trend(*[named["M1"][0], None, named["M1"][1]]).alt
    assert "panel changed before 2026-01-05" in trend(named["M4"][0]).alt


def test_an_instrument_of_its_own_makes_the_day_less_sure(ageing_studio, named):
    """The screen read by S1 and the monitor by another: their scales no longer cancel."""
    sure = named["M1"][1].leaving["luminance"]
    toml = (ageing_studio / "facility.toml").read_text(encoding="utf-8")
    other = toml + '\n[instruments.S2]\nkind = "spectroradiometer"\nluminance = 0.02\nxy = 0.0015\nfloor = 0.01\n'
    (ageing_studio / "facility.toml").write_text(other, encoding="utf-8")
    for file in (ageing_studio / "readings").glob("*/M1.csv"):
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("instrument: S1", "instrument: S2"), encoding="utf-8")
    found = room_history(ageing_studio, "studio-1", ON)
    unsure = found.outlooks[0].leaving["luminance"]
    assert unsure.expected == pytest.approx(sure.expected, abs=12)
    wide = (unsure.latest or 1095) - unsure.earliest
    assert wide > 1.5 * (sure.latest - sure.earliest)


def test_a_room_is_told_in_words_and_in_a_table(studio):
    told = history_words(studio).splitlines()
    assert told[0] == "P1: 4 sessions, the newest of 2026-03-05."
    assert "leaves its limits: peak about 2026-06-" in told[1]
    assert told[3] == "M3: not measured."
    assert "panel before 2026-01-05; leaves its limits: not enough sessions to tell" in told[4]
    table = drift_table(studio)
    assert list(table.index) == ["P1", "M1", "M2", "M3", "M4"]
    assert table.loc["M1", "peak, % a year"].startswith("-8.")
    assert table.loc["M4", "peak, % a year"] == "–"
    assert [drawing.subject for drawing in room_trends(studio)] == ["P1", "M1", "M2", "M4"]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ((30, 20, 50), "peak about 2026-04-04 (95 %: between 2026-03-25 and 2026-04-24)"),
        ((30, 20, None), "peak about 2026-04-04 (95 %: between 2026-03-25 and no day that can be told)"),
        ((0, 0, 20), "peak was probably out already on 2026-03-05 (95 %: by 2026-03-25)"),
        ((0, 0, None), "peak was probably out already on 2026-03-05 (95 %: by no day that can be told)"),
        ((0, 0, 0), "peak was out already on 2026-03-05"),
        ((None, 300, None), "no limit within three years"),
    ],
)
def test_when_a_limit_is_left_in_words(days, words):
    leaving = Leaving(*days, np.zeros(1))
    assert outlook_words(Outlook(date(2026, 3, 5), {"luminance": leaving})) == words
