"""What the report says of modes, levels, the room's one target, visits before and rounding, with its numbers."""

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest

import matchlib
from matchlib.matching.limits import _wanted
from matchlib.matching.result import Previous, RoomMatch
from matchlib.perception.difference import CIEDE2000, Score
from matchlib.reporting import outlook, shared, tables, words
from matchlib.reporting.lead import after_visit, lead
from matchlib.reporting.method import method
from matchlib.reporting.monitor_page import columns_of
from matchlib.reporting.pages import page_data
from matchlib.reporting.sheet import COLUMNS, row

DATA = Path(__file__).parents[1] / "data"
MORE = {
    "plain": "",
    "relative": 'match = "relative"\nluminance = 100\n',
    "appearance": 'match = "appearance"\nluminance = 100\n',
    "shared": "common_target = true\n",
    "light": "veil = 0.5\n",
}


def demo(folder, more):
    """Write the demo facility with more lines in each room, and return its folder."""
    shutil.copytree(DATA, folder)
    toml = folder / "facility.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(re.sub(r"(\[rooms\.[^\]]+\]\n)", rf"\1{more}", text), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def attics(tmp_path_factory):
    """Return the attic in each way of matching it."""
    folder = tmp_path_factory.mktemp("demo")
    return {name: matchlib.match_room(demo(folder / name, more), "attic") for name, more in MORE.items()}


@pytest.fixture(scope="module")
def shared_room(tmp_path_factory):
    """Return a room whose monitors share a target that one of them cannot reach."""
    return matchlib.match_room(demo(tmp_path_factory.mktemp("shared") / "demo", MORE["shared"]), "pear-tree")


def scored(mean, u_mean=0.05):
    return Score(CIEDE2000, mean, 2 * mean, 3 * mean, "white", u_mean)


def levelled(monitor, now, settings, curves, table):
    """Return a monitor with these means of its levels."""
    levels = dict(
        zip(("now", "settings", "curves", "table"), map(scored, (now, settings, curves, table)), strict=True)
    )
    target = replace(monitor.target, expected=levels["settings"])
    return replace(monitor, difference=levels["now"], target=target, levels=levels, adjust=True)


def visited(monitor, was, promised, now, followed):
    """Return a monitor that now differs by ``now`` and had a visit before."""
    before = Previous(
        "a.csv", "2026-08-01T10:00:00+01:00", scored(was), scored(promised), monitor.target, followed=followed
    )
    return replace(monitor, previous=before, difference=scored(now))


def all_text(room):
    return " ".join(text for section in method(room) for text in section["text"])


# --- page one in each mode --------------------------------------------------------------------------------


def test_the_lead_is_plain_in_every_mode(attics):
    assert lead(attics["plain"]).startswith("The screen shows 47.2 cd/m² with white at x 0.3135, y 0.3503. A2 can")
    assert "The monitors work at 100 cd/m²: they should show the screen's colours, all of them 2.1 times" in lead(
        attics["relative"]
    )
    assert (
        "The monitors work at 100 cd/m² in a dim room, the screen in the dark: they should look like the screen there"
    ) in lead(attics["appearance"])
    assert "one target for all monitors of this room" in lead(attics["shared"])
    assert "Room light of 0.5 cd/m² on the monitors' faces" in lead(attics["light"])
    for name, room in attics.items():
        found = lead(room)
        assert ("work at" in found) == (name in {"relative", "appearance"})
        assert not re.search(r"CAM16|XYZ|Y_b", found)


def test_the_method_says_how_the_mode_and_room_light_enter(attics):
    assert "Match mode absolute: a monitor should show the projector's XYZ" in all_text(attics["plain"])
    assert "all scaled by one factor" in all_text(attics["relative"])
    told = all_text(attics["appearance"])
    for part in ("CAM16", "D = 1", "Y_b = 20", "L_A = Y_w/5", "dark surround", "dim surround", "primaries"):
        assert part in told
    assert "Room light: 0.5 cd/m²" in all_text(attics["light"])
    assert "Room light: " not in all_text(attics["plain"])


def test_only_in_absolute_is_the_wanted_black_the_projectors(attics):
    lifted = [limit for limit in attics["light"].monitors[2].limits if limit.startswith("black")]
    assert "the projector shows" in lifted[0]
    assert _wanted("absolute") != _wanted("relative") == _wanted("appearance")


# --- what is set ------------------------------------------------------------------------------------------


def test_every_place_tells_the_target_that_the_sheet_carries(shared_room):
    for monitor in shared_room.monitors:
        common = monitor.common_target
        assert monitor.set_to is common
        cells = dict(zip(COLUMNS, row(shared_room, monitor), strict=True))
        assert cells["luminance"] == f"{common.luminance:.1f}"
        assert cells["gamma"] == f"{common.gamma:.2f}"
        assert cells["expected_mean"] == f"{common.expected.mean:.2f}"
        alt = matchlib.draw(shared_room, "tone", monitor.monitor)[0].alt
        assert f"the target {common.gamma:.2f}" in alt
        heads = {column.head: column.figures for column in columns_of(shared_room, monitor)}
        assert heads["Shared target"] is common
        assert heads["Its own best"] is monitor.target
    worn = shared_room.monitors[1]
    after = worn.common_target.expected.mean
    assert f"{worn.difference.mean:.1f} now, {after:.1f} after" in words.room_line(shared_room)
    assert (
        f"2: {worn.difference.mean:.2f} now, {after:.2f} with the target"
        in matchlib.draw(shared_room, "overview")[0].alt
    )
    assert f"the room shares one target (its own best: {worn.target.expected.mean:.1f})" in words.next_step(worn)
    table = tables.settings_table(shared_room, "P2")
    assert table.loc["luminance", "room's target"] == f"{worn.common_target.luminance:.4g}"


def test_a_monitor_that_the_shared_target_would_not_help_is_left(shared_room):
    left = shared_room.monitors[2]
    assert not left.adjust
    assert "the room's one target would not make it better (3.7)" in words.next_step(left)
    page = page_of(shared_room)
    assert [entry["after"] for entry in page["sheet"]] == [
        "",
        f"{shared_room.monitors[1].set_to.expected.mean:.2f}",
        "",
    ]


def page_of(room):
    drawings = [drawing for name in matchlib.FIGURES for drawing in matchlib.draw(room, name)]
    return page_data(room, {(drawing.name, drawing.subject): ("x.svg", drawing) for drawing in drawings})


def test_a_room_without_one_target_shows_one_column_to_set(attics):
    heads = [column.head for column in columns_of(attics["plain"], attics["plain"].monitors[1])]
    assert heads == ["Screen", "Monitor now", "Set it to", "Ideal"]


def test_a_target_with_another_gamma_is_not_expected_to_match(attics):
    monitor = attics["plain"].monitors[1]
    assert words.will_match(monitor)
    off = replace(monitor.target, gamma=monitor.ideal.gamma - 0.11)  # the demo's limit is 0.10
    assert not words.will_match(replace(monitor, target=off))


# --- the room's one target --------------------------------------------------------------------------------


def test_one_target_tells_figures_costs_and_who_holds_back(shared_room):
    told = shared.one_target(shared_room)
    target, meaning = shared_room.room_target, shared_room.one_for_all
    assert told["figures"][:2] == [f"{target.luminance:.1f}", f"{target.gamma:.2f}"]
    for cells, monitor in zip(told["rows"], shared_room.monitors, strict=True):
        cost = monitor.common_target.expected.mean - monitor.target.expected.mean
        assert cells[0] == monitor.monitor
        assert cells[4] == f"{cost:.2f}"
    assert f"{meaning.worst:.2f}" in told["intro"]
    assert told["intro"].startswith("The room shares one target")
    assert f"{meaning.holds_back} holds the room back" in told["text"][0]
    assert f"{meaning.without:.2f} instead of {meaning.worst:.2f}" in told["text"][0]
    assert "black and in the colours that clip" in told["text"][1]
    assert list(tables.one_target_table(shared_room)["cost"]) == pytest.approx(
        [shared.cost_of(monitor) for monitor in shared_room.monitors], abs=0.005
    )


def test_nothing_is_told_of_a_target_that_is_not_there(attics):
    room = attics["plain"]
    assert shared.one_target(replace(room, room_target=None)) is None
    assert shared.against_each_other(replace(room, monitors=room.monitors[:1])) == ""
    free = replace(room, one_for_all=replace(room.one_for_all, holds_back=None, without=None))
    assert "No single monitor holds the room back" in shared.one_target(free)["text"][0]


def test_monitors_against_each_other(attics):
    told = shared.against_each_other(attics["plain"])
    assert re.match(
        r"On average two of them differ by \d\.\d now, \d\.\d once the sheet is done\. The two that", told
    )
    assert "A2 and A3" in told


def test_whose_menu_lacks_figures_keeps_them():
    room = matchlib.match_room(DATA, "well-house")
    assert shared.one_target(room)["text"][-1] == "W2 keeps its own primaries: its menu does not take them."


# --- levels -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("means", "told"),
    [
        ((4.0, 2.1, 2.0, 1.7), ""),  # 0.4 better
        ((4.0, 2.1, 2.0, 1.2), "a box with a 3D table would leave 1.2 instead of 2.1"),
        ((4.0, 2.1, 1.3, 1.1), "a box with curves would leave 1.3 instead of 2.1"),  # the simpler box does
        ((4.0, 2.1, 1.4, 0.3), "a box with a 3D table would leave 0.3 instead of 2.1"),
        ((4.0, 1.2, 1.2, 0.01), "a box with a 3D table would leave less than 0.1 instead of 1.2"),
    ],
)
def test_a_box_is_told_where_it_matters(attics, means, told):
    monitor = levelled(attics["plain"].monitors[2], *means)
    assert outlook.box_worth_having(monitor) == told
    assert words.next_step(monitor).endswith(told)


def test_a_box_whose_gain_the_readings_cannot_tell_is_not_told(attics):
    monitor = levelled(attics["plain"].monitors[2], 4.0, 2.1, 2.0, 1.2)
    unsure = {name: replace(score, u_mean=0.4) for name, score in monitor.levels.items()}  # U of the gain: 1.13
    target = replace(monitor.target, expected=unsure["settings"])
    assert outlook.box_worth_having(replace(monitor, levels=unsure, target=target)) == ""


def test_levels_beside_what_is_left_alone(attics):
    left = replace(levelled(attics["plain"].monitors[2], 2.4, 2.1, 1.9, 1.2), adjust=False)
    assert outlook.left_over(left).mean == 2.4
    assert "instead of 2.4" in outlook.box_worth_having(left)
    matching = attics["plain"].monitors[0]
    assert outlook.box_worth_having(matching) == ""
    assert outlook.boxes_words(levelled(attics["plain"].monitors[2], 4.0, 2.1, 2.09, 2.08)).startswith("No box would")
    table = tables.levels_table(attics["plain"], "A3")
    assert list(table["mean"]) == pytest.approx(
        [s.mean for s in attics["plain"].monitors[2].levels.values()], abs=5e-4
    )


# --- visits, primaries kept, rounding ---------------------------------------------------------------------


def test_what_the_visit_before_promised(attics):
    monitor = attics["plain"].monitors[1]
    done = visited(monitor, 3.1, 0.6, 0.9, followed=True)
    assert outlook.previous_words(done) == (
        "the visit before (1 August 2026) promised 0.6, 0.9 was reached; before it was 3.1"
    )
    assert words.summary(done).endswith("before it was 3.1.")
    undone = visited(monitor, 3.1, 0.6, 3.0, followed=False)
    assert outlook.previous_words(undone).endswith("it is 3.0 now: it was not set so, or has moved back")
    assert outlook.previous_words(visited(monitor, 0.3, 0.27, 0.3, followed=False)) == ""  # nothing to gain then
    assert outlook.previous_words(monitor) == ""
    room = replace(attics["plain"], monitors=(done, *attics["plain"].monitors[2:]))
    assert after_visit(room) == [f"A2: {outlook.previous_words(done)}."]


def test_what_keeping_the_primaries_costs(attics):
    monitor = attics["appearance"].monitors[1]
    kept, ideal = monitor.ideal_keeping.expected.mean, monitor.ideal.expected.mean
    assert kept > ideal
    assert monitor.ideal_keeping.expected.u_mean > 0
    told = outlook.keeping_words(monitor)
    assert f"leave {ideal:.2f} with the best primaries and {kept:.2f} with the projector's" in told
    assert f"costs {kept - ideal:.2f}" in told
    assert monitor.ideal_keeping.red_xy == pytest.approx(attics["appearance"].projector.response.red_xy, abs=1e-9)
    assert outlook.keeping_words(attics["plain"].monitors[1]) == ""
    back = RoomMatch.from_json(attics["appearance"].to_json())
    assert back.monitors[1].ideal_keeping.expected.mean == pytest.approx(kept, rel=1e-8)
    assert "ideal, primaries kept" in tables.settings_table(attics["appearance"], "A2").columns


def test_rounding_is_told_on_the_sheet():
    assert outlook.rounding_words([]) == ""
    assert outlook.rounding_words([-0.002, 0.001]) == "Rounding adds less than 0.01 to any monitor's mean difference."
    assert outlook.rounding_words([0.012, 0.031]) == "Rounding costs at most 0.03 of mean difference."


def test_a_target_in_pq_has_no_gamma_and_stands(attics):
    room = attics["plain"]
    monitor = room.monitors[1]
    in_pq = replace(monitor.target, gamma=None, tone="PQ")
    changed = replace(monitor, target=in_pq, ideal=replace(monitor.ideal, gamma=None, tone="PQ"))
    page = page_of(replace(room, monitors=(changed,)))
    assert page["sheet"][0]["gamma"] == "PQ"
    assert "choose the tone PQ" in page["sheet"][0]["note"]
    gammas = next(cells for cells in page["pages"][0]["figures"] if cells[0] == "gamma")
    assert gammas[3:] == ["PQ", "PQ"]


# --- on paper ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["appearance", "shared", "light"])
def test_a_page_a_monitor_in_every_kind_of_room(attics, tmp_path, name):
    room = attics[name]
    drawings = [drawing for figure in matchlib.FIGURES for drawing in matchlib.draw(room, figure)]
    matchlib.write_report(room, drawings, tmp_path)
    with pikepdf.open(tmp_path / "match.pdf") as pdf:
        assert len(pdf.pages) == 4 + len(room.monitors)


def test_long_words_keep_a_monitor_on_its_page(attics, tmp_path):
    room = attics["shared"]
    long = replace(room.monitors[2], warnings=tuple(f"warning {n}: {'word ' * 24}" for n in range(3)))
    changed = replace(room, monitors=(*room.monitors[:2], long))
    drawings = [drawing for figure in matchlib.FIGURES for drawing in matchlib.draw(changed, figure)]
    matchlib.write_report(changed, drawings, tmp_path)
    with pikepdf.open(tmp_path / "match.pdf") as pdf:
        assert len(pdf.pages) == 4 + len(room.monitors)
