"""Levels of adjustment, room light, match modes and the visit before, through whole rooms of known truth."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from matchlib.displays.simulate import SimulatedDisplay
from matchlib.encoding import xy_to_unit_xyz
from matchlib.facility.file import read_facility
from matchlib.matching.correcting import correct_monitor
from matchlib.matching.inputs import read_inputs
from matchlib.matching.result import RoomMatch
from matchlib.matching.room import match_room
from matchlib.perception.difference import ciede2000

WIDE = {"red_xy": (0.684, 0.314), "green_xy": (0.211, 0.720), "blue_xy": (0.149, 0.050)}
NARROW = {"red_xy": (0.640, 0.332), "green_xy": (0.303, 0.602), "blue_xy": (0.152, 0.061)}
AMPLE = {"red_xy": (0.695, 0.304), "green_xy": (0.215, 0.755), "blue_xy": (0.148, 0.045)}  # holds all of the screen's
D65 = (0.3127, 0.3290)
SESSION_NOISE = 0.05  # CIEDE2000, mean: the small facility's readings scatter by 0.05 % of few steps


def native(**changes):
    """Return a panel of the small facility with its own colour processing off."""
    return replace(SimulatedDisplay(250, D65, **WIDE, gamma=(2.2,) * 3, black=0.05), **changes)


def room_with(make_facility, session_text, panel, shows, **kwargs):
    """Return the facility with a native session of M1, which now shows ``shows``."""
    files = {"readings/M1_native.csv": session_text("M1", mode="native", shows=panel, steps=16)}
    return make_facility(shows={"M1": shows}, files=files | kwargs.pop("files", {}), **kwargs)


@pytest.mark.parametrize("panel", [native(), native(**NARROW), native(luminance=44), native(black=0.5)])
def test_no_level_is_worse_than_the_one_before(make_facility, session_text, displays, panel):
    root = room_with(make_facility, session_text, panel, replace(displays["M1"], gamma=(2.2,) * 3))
    for monitor in match_room(root, "studio-1").monitors:
        means = [monitor.levels[name].mean for name in ("now", "settings", "curves", "table")]
        assert all(later <= earlier + 1e-9 for earlier, later in pairwise(means)), means


@pytest.mark.parametrize("level", ["curves", "table"])
@pytest.mark.parametrize("panel", [native(), native(**NARROW), native(black=0.5)])
def test_what_a_level_promises_its_correction_does(make_facility, session_text, displays, panel, level):
    """The correction as it is written, on the panel's own truth, leaves what the level says."""
    root = room_with(make_facility, session_text, panel, replace(displays["M1"], gamma=(2.2,) * 3))
    inputs = read_inputs(read_facility(root), "studio-1", None)
    corrected = correct_monitor(inputs, inputs.monitors[0], level)
    promised = match_room(root, "studio-1").monitors[0].levels[level]
    assert corrected.expected.mean == pytest.approx(promised.mean, abs=0.02)
    detail = match_room(root, "studio-1").monitors[0].detail
    shown = panel.show(corrected.correction.apply(detail.signal))
    mean = ciede2000(detail.wanted_xyz, shown, detail.reference_white).mean()
    assert mean == pytest.approx(promised.mean, abs=SESSION_NOISE)


def test_curves_follow_a_screen_whose_tone_is_no_gamma(make_facility, session_text, displays):
    """Channels of unlike gammas on the screen: one gamma for all cannot follow, curves can."""
    screen = replace(displays["P1"], gamma=(2.4, 2.6, 2.8))
    root = room_with(
        make_facility,
        session_text,
        native(black=0.02, **AMPLE),
        displays["M1"],
        files={"readings/P1.csv": session_text("P1", shows=screen, steps=16)},
    )
    levels = match_room(root, "studio-1").monitors[0].levels
    assert levels["settings"].mean > 0.8
    assert levels["curves"].mean < 0.15


def test_a_menu_that_takes_little_is_helped_by_a_box(make_facility, session_text, displays):
    off = replace(displays["M1"], white_xy=(0.300, 0.330), gamma=(2.2,) * 3)
    root = room_with(
        make_facility,
        session_text,
        native(black=0.03),
        off,
        monitors="monitor,room,panel,adjusts\nM1,studio-1,LCD,luminance\nM2,studio-1,LCD,\nM3,studio-2,OLED,\n",
    )
    levels = match_room(root, "studio-1").monitors[0].levels
    assert levels["settings"].mean > 3
    assert levels["curves"].mean < 0.3


# Room light


def lit(make_facility, session_text, displays, included, veil=0.5):
    """Return M1 of a room with light on its face; the session holds it or not."""
    light = veil * xy_to_unit_xyz(D65)
    shown = displays["M1"]
    if included:
        dark = shown.black_xyz + light
        shown = replace(shown, black=float(dark[1]), black_xy=tuple(dark[:2] / dark.sum()))
    keys = {"veil": "included" if included else "excluded"}
    root = make_facility(
        toml_edit=('projector = "P1"', f'projector = "P1"\nveil = {veil}'),
        files={"readings/M1.csv": session_text("M1", shows=shown, steps=16, **keys)},
    )
    return match_room(root, "studio-1").monitors[0]


def test_room_light_counts_once_whether_the_session_holds_it_or_not(make_facility, session_text, displays, tmp_path):
    within = lit(lambda **k: make_facility(tmp_path / "a", **k), session_text, displays, included=True)
    beside = lit(lambda **k: make_facility(tmp_path / "b", **k), session_text, displays, included=False)
    plain = match_room(make_facility(tmp_path / "c"), "studio-1").monitors[0]
    assert within.difference.mean == pytest.approx(beside.difference.mean, abs=SESSION_NOISE)
    assert within.difference.mean > plain.difference.mean + 1
    assert within.target.expected.mean == pytest.approx(beside.target.expected.mean, abs=2 * SESSION_NOISE)
    # the target is told as the same instrument would read it
    assert within.target.black - beside.target.black == pytest.approx(0.5, abs=0.01)
    assert within.target.luminance == pytest.approx(beside.target.luminance + 0.5, abs=0.02)
    assert within.ideal.luminance == pytest.approx(beside.ideal.luminance + 0.5, abs=0.02)
    for found in (within, beside):
        assert any("room light: 0.50 cd/m² on its face" in limit for limit in found.limits)


# Match modes


@pytest.mark.parametrize("mode", ["relative", "appearance"])
def test_a_room_in_each_mode(make_facility, session_text, displays, mode):
    new = f'projector = "P1"\nmatch = "{mode}"\nluminance = 100\nsurround = "dark"'
    bright = replace(displays["M1"], luminance=99.9, black=0.04)
    root = room_with(make_facility, session_text, native(black=0.04), bright, toml_edit=('projector = "P1"', new))
    room = match_room(root, "studio-1")
    found = room.monitors[0]
    assert room.mode == mode
    assert room.luminance == pytest.approx(100)
    assert found.ideal.luminance == pytest.approx(100)
    # In the dark, appearance asks for nearly what relative does: only the level of light differs
    assert found.difference.mean < (0.3 if mode == "relative" else 0.8)
    assert found.target.expected.mean <= found.difference.mean
    assert found.as_read.mean == pytest.approx(found.difference.mean, abs=0.3)
    dim = match_room(make_facility(toml_edit=('projector = "P1"', new.replace('"dark"', '"average"'))), "studio-1")
    expected = 2.6 if mode == "relative" else 2.0
    assert dim.monitors[0].ideal.gamma == pytest.approx(expected, abs=0.1)


def test_results_in_all_modes_come_back_from_their_file(make_facility):
    for mode in ("relative", "appearance"):
        folder = make_facility(
            name=mode, toml_edit=('projector = "P1"', f'projector = "P1"\nmatch = "{mode}"\nluminance = 80')
        )
        text = match_room(folder, "studio-1").to_json()
        assert RoomMatch.from_json(text).to_json() == text


# The visit before


def test_what_the_visit_before_promised(make_facility, session_text, displays):
    off = replace(displays["M1"], white_xy=(0.300, 0.330), gamma=(2.3,) * 3)
    files = {
        "readings/M1.csv": session_text("M1", "2026-03-02T10:00:00", shows=off, steps=16),
        "readings/P1.csv": session_text("P1", "2026-03-01T10:00:00", steps=16),
        "readings/M1_native.csv": session_text("M1", "2026-03-01T12:00:00", mode="native", shows=native(black=0.03)),
        "readings/M1_after.csv": session_text("M1", "2026-04-02T10:00:00", shows=displays["M1"], steps=16),
    }
    root = make_facility(files=files)
    then = match_room(root, "studio-1", "2026-03-02").monitors[0]
    found = match_room(root, "studio-1").monitors
    previous = found[0].previous
    assert previous.session == "readings/M1.csv"
    assert previous.was.mean == pytest.approx(then.difference.mean, rel=1e-9)
    assert previous.expected.mean == pytest.approx(then.target.expected.mean, rel=1e-6)
    assert previous.followed
    assert then.previous is None
    assert found[1].previous is None
    again = files | {"readings/M1_after.csv": session_text("M1", "2026-04-02T10:00:00", shows=off, seed=9)}
    left = match_room(make_facility(name="left", files=again), "studio-1").monitors[0].previous
    assert not left.followed


def test_the_visit_before_is_told_from_the_readings_of_its_day_alone(make_facility, session_text, displays):
    """A later projector session moves today's target, not what was promised then."""
    files = {
        "readings/M1.csv": session_text("M1", "2026-03-02T10:00:00", steps=16),
        "readings/M1_after.csv": session_text("M1", "2026-04-02T10:00:00", steps=16, seed=3),
    }
    first = match_room(make_facility(name="one", files=files), "studio-1").monitors[0].previous
    lamp = {
        "readings/P1_lamp.csv": session_text("P1", "2026-04-01T10:00:00", shows=replace(displays["P1"], luminance=40))
    }
    second = match_room(make_facility(name="two", files=files | lamp), "studio-1").monitors[0].previous
    assert second.expected == first.expected
    assert second.was == first.was


def test_who_followed_a_newer_sheet_followed_one(make_facility, session_text, displays):
    """M1 was read beside a dim lamp, a new lamp came, and M1 was set to that, as no old sheet had promised."""
    screen = displays["P1"]
    dim = replace(screen, luminance=30.0)
    limits = {"mode": "native", "shows": replace(screen, luminance=200.0, black=0.01)}
    files = {
        "readings/P1.csv": session_text("P1", "2026-03-01T10:00:00", shows=dim, steps=16),
        "readings/P1_lamp.csv": session_text("P1", "2026-04-01T10:00:00", shows=screen, steps=16),
        "readings/M1_native.csv": session_text("M1", "2026-03-01T12:00:00", **limits),
        "readings/M1.csv": session_text("M1", "2026-03-02T10:00:00", shows=replace(screen, luminance=38.0), steps=16),
    }
    for name, luminance, followed in (("set", 48.0, True), ("left", 38.0, False)):
        now = session_text("M1", "2026-04-02T10:00:00", shows=replace(screen, luminance=luminance), seed=3, steps=16)
        root = make_facility(name=name, files=files | {"readings/M1_after.csv": now})
        previous = match_room(root, "studio-1").monitors[0].previous
        assert previous.target.luminance == pytest.approx(30.0, abs=0.5)
        assert previous.followed is followed


def test_the_room_shares_one_target_where_it_is_asked_to(make_facility):
    root = make_facility(
        toml_edit=('projector = "P1"', 'projector = "P1"\ncommon_target = true'),
        monitors="monitor,room,panel,encoding\nM1,studio-1,LCD,\nM2,studio-1,LCD,\nM3,studio-1,LCD,BT.709\n",
    )
    text = (root / "facility.toml").read_text(encoding="utf-8").replace('[rooms.studio-2]\nprojector = "P1"\n', "")
    (root / "facility.toml").write_text(text, encoding="utf-8")
    room = match_room(root, "studio-1")
    first, second, third = room.monitors
    assert room.one_for_all.monitors == ("M1", "M2")
    assert first.set_to is first.common_target
    assert second.set_to.gamma == pytest.approx(first.set_to.gamma)
    assert second.set_to.red_xy == pytest.approx(first.set_to.red_xy)
    assert third.common_target is None
    assert third.set_to is third.target
    assert any("leaves out M3, which is fed another encoding" in warning for warning in room.warnings)
    assert np.isclose(room.one_for_all.worst, max(m.common_target.expected.mean for m in (first, second)))
