"""Figures: sound SVG, the same bytes each time, the numbers that matter in the words beside them."""

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib import rc_context, rcParams

from matchlib.errors import InputError
from matchlib.matching.result import RoomMatch
from matchlib.matching.room import match_room
from matchlib.perception.difference import ciede2000, uv
from matchlib.reporting.plots.chromaticity import chromaticity, spectral_locus
from matchlib.reporting.plots.greys import greys
from matchlib.reporting.plots.overview import overview
from matchlib.reporting.plots.patches import display_colours, patches
from matchlib.reporting.plots.style import LOOKS, sheet
from matchlib.reporting.plots.tone import exponent, tone

DEMO = Path(__file__).parents[1] / "data"
SVG = "{http://www.w3.org/2000/svg}"
OF_A_MONITOR = (chromaticity, tone, patches, greys)
NAMES = ("attic", "pear-tree", "well-house")


@pytest.fixture(scope="module")
def rooms():
    return {name: match_room(DEMO, name) for name in NAMES}


@pytest.fixture(scope="module")
def room(rooms):
    return rooms["attic"]


@pytest.fixture(scope="module")
def blue_one(room):
    """The monitor whose white is wrong."""
    return max(room.monitors, key=lambda monitor: monitor.difference.mean)


def tree_of(drawing):
    return ET.fromstring(drawing.svg)  # noqa: S314 - our own bytes


def words_in(drawing):
    return ["".join(entry.itertext()) for entry in tree_of(drawing).iter(f"{SVG}text")]


def everything(rooms):
    for room in rooms.values():
        yield room, overview(room)
        for monitor in room.monitors:
            if monitor.detail is not None:
                yield from ((room, figure(room, monitor)) for figure in OF_A_MONITOR)


def few(monitor, labels):
    """Return the monitor with only some patches."""
    detail = monitor.detail
    places = [detail.labels.index(label) for label in labels]
    rows = ("signal", "wanted_xyz", "now_xyz", "after_xyz", "now", "after")
    kept = {name: getattr(detail, name)[places] for name in rows}
    return replace(monitor, detail=replace(detail, labels=tuple(labels), **kept))


def test_svg_is_sound_and_its_text_is_text(rooms):
    for _, drawing in everything(rooms):
        tree = tree_of(drawing)
        assert tree.tag == f"{SVG}svg"
        assert len(words_in(drawing)) >= 8
        text = drawing.svg.decode()
        assert "DejaVu Sans" in text
        assert "DejaVuSans-" not in text  # how matplotlib names letters that became outlines
        assert "<dc:date>" not in text


def test_no_name_stands_inside_a_figure(rooms):
    for room, drawing in everything(rooms):
        names = {room.room, room.facility, room.projector.id, drawing.subject}
        names |= {monitor.monitor for monitor in room.monitors} - {""}
        found = [word for word in words_in(drawing) for name in names if name and name in word]
        assert found == []


def test_same_bytes_twice(rooms):
    first = [drawing.svg for _, drawing in everything(rooms)]
    assert first == [drawing.svg for _, drawing in everything(rooms)]


def test_a_users_own_settings_change_nothing(room, blue_one):
    for figure in OF_A_MONITOR:
        plain = figure(room, blue_one).svg
        own = {"font.size": 20, "font.family": "serif", "axes.grid": True, "savefig.bbox": "tight"}
        with rc_context(own):
            assert figure(room, blue_one).svg == plain


def test_size_is_half_a_text_width(room, blue_one):
    for figure in OF_A_MONITOR:
        tree = tree_of(figure(room, blue_one))
        assert (tree.get("width"), tree.get("height")) == ("241.2pt", "194.4pt")


def test_subject_and_name(room, blue_one):
    assert [figure(room, blue_one).name for figure in OF_A_MONITOR] == [*("chromaticity", "tone", "patches", "greys")]
    assert {figure(room, blue_one).subject for figure in OF_A_MONITOR} == {blue_one.monitor}
    assert (overview(room).name, overview(room).subject) == ("overview", "")


def test_looks_differ_without_colour():
    looks = LOOKS.values()
    assert len({look.mark for look in looks}) == len(LOOKS)
    assert len({(str(look.dash), look.width) for look in looks}) == len(LOOKS)


def test_chromaticity_tells_the_white(room, blue_one):
    alt = chromaticity(room, blue_one).alt
    wanted = uv(np.array(room.projector.fitted.white_xyz))
    distance = np.hypot(*(uv(blue_one.detail.response.white_xyz) - wanted))
    assert f"White lies {distance:.4f} u′v′ from the projector's, towards blue" in alt
    assert "with the target 0.0000" in alt


def test_chromaticity_agrees_with_the_limits_in_words(rooms):
    for room in rooms.values():
        for monitor in room.monitors:
            if monitor.detail is None:
                continue
            alt = chromaticity(room, monitor).alt
            told = [limit.split() for limit in monitor.limits if "primary" in limit]
            assert ("holds all three" in alt) == (not told)
            for words in told:
                assert f"{words[0]} by {words[-2]} u′v′" in alt


def test_spectral_locus_against_the_standard():
    # x, y of 380, 520, 600 and 700 nm: CIE 015:2018, CIE 1931 observer (from memory); four places.
    table = {380: (0.1741, 0.0050), 520: (0.0743, 0.8338), 600: (0.6270, 0.3725), 700: (0.7347, 0.2653)}
    for wavelength, (x, y) in table.items():
        scale = -2 * x + 12 * y + 3
        found = spectral_locus()[(wavelength - 380) // 5]
        assert found == pytest.approx((4 * x / scale, 9 * y / scale), abs=2e-4)


def test_exponent_of_a_pure_gamma_over_a_raised_black():
    signal = np.linspace(0, 1, 21)
    found = exponent(signal, 0.3 + 47.7 * signal**2.4)
    assert found[1:-1] == pytest.approx(2.4, abs=1e-9)
    assert np.isnan(found[[0, -1]]).all()
    assert np.isnan(exponent(signal[1:], signal[1:] ** 2.4)).all()


def test_tone_tells_gammas_and_the_lighter_shadows(room, blue_one):
    alt = tone(room, blue_one).alt
    gammas = (room.projector.response.gamma, blue_one.response.gamma, blue_one.target.gamma)
    assert "the projector {:.2f}, the monitor now {:.2f}, the target {:.2f}".format(*gammas) in alt
    assert "lighter than the projector's" in alt
    assert "lighter than the projector" in words_in(tone(room, blue_one))


def test_patches_tells_scores_and_the_worst(room, blue_one):
    drawing = patches(room, blue_one)
    difference, expected = blue_one.difference, blue_one.target.expected
    assert f"mean {difference.mean:.2f} now (limit 2), {expected.mean:.2f} with the target" in drawing.alt
    assert f"within {difference.p95:.2f} now (limit 5), {expected.p95:.2f} with" in drawing.alt
    assert f"{difference.worst_patch} {difference.worst:.1f}" in drawing.alt
    assert "approximate" in drawing.alt
    worst = np.sort(blue_one.detail.now)[::-1][:6]
    shown = [word.split(" → ")[0] for word in words_in(drawing) if " → " in word]
    assert shown == [f"{value:.1f}" for value in worst]


def test_swatches_against_the_standard():
    white = np.array([95.047, 100.0, 108.883]) * 0.48  # D65
    red = np.array([41.24, 21.26, 1.93]) * 0.48  # linear red 1: IEC 61966-2-1:1999, the matrix to XYZ
    mid = white * 0.21404  # signal 0.5: ((0.5 + 0.055) / 1.055) ** 2.4, the same standard
    found = display_colours(np.array([white, red, mid, 0 * white]), white)
    assert found == pytest.approx(np.array([[1, 1, 1], [1, 0, 0], [0.5] * 3, [0] * 3]), abs=0.01)
    other = np.array([89.5, 100.0, 96.0])  # any reference white is shown as white
    assert display_colours(other[None], other) == pytest.approx(np.ones((1, 3)), abs=0.01)
    lighter = display_colours(np.array([other, 1.2 * other]), other)
    assert lighter[0].max() < 0.95
    assert lighter[1] == pytest.approx(np.ones(3), abs=0.01)


def test_greys_tells_the_tint(room, blue_one):
    detail = blue_one.detail
    places = [place for place, label in enumerate(detail.labels) if label == "white" or label.startswith("grey")]
    bright = [place for place in places if min(detail.wanted_xyz[place, 1], detail.now_xyz[place, 1]) >= 0.05]
    tints = 1000 * np.hypot(*(uv(detail.now_xyz[bright]) - uv(detail.wanted_xyz[bright])).T)
    alt = greys(room, blue_one).alt
    assert f"Tint of {len(bright)} greys" in alt
    assert f"now mean {tints.mean():.1f}, at most {tints.max():.1f}" in alt
    assert "darker than 0.05 cd/m² are left out" in alt


def test_overview_numbers_all_and_tells_who_was_not_measured(rooms):
    room = rooms["well-house"]
    drawing = overview(room)
    means = [entry.difference.mean for entry in room.monitors if entry.difference is not None]
    assert f"1: {means[0]:.2f} now" in drawing.alt
    assert "3: not measured" in drawing.alt
    told = words_in(drawing)
    assert {"1", "2", "3", "not measured", "alike", "close", "visible", "plain", "another picture"} <= set(told)
    assert "limit 2" in told


def test_overview_of_many_far_monitors_and_of_none(room, blue_one):
    far = replace(blue_one, difference=replace(blue_one.difference, mean=60.0))
    drawing = overview(replace(room, monitors=(far,) * 40))
    assert f"40: 60.00 now, {far.target.expected.mean:.2f} with the target" in drawing.alt
    assert {"40", "32"} <= set(words_in(drawing))
    assert words_in(overview(replace(room, monitors=())))


def test_overview_of_a_room_read_back(room):
    back = RoomMatch.from_json(room.to_json())
    means = [f"{place}: {entry.difference.mean:.2f} now" for place, entry in enumerate(room.monitors, 1)]
    assert all(mean in overview(back).alt for mean in means)
    assert not [word for word in words_in(overview(back)) if word.startswith("limit")]


def test_what_was_not_measured_has_no_figures(rooms):
    room = rooms["well-house"]
    missing = next(monitor for monitor in room.monitors if monitor.detail is None)
    for figure in OF_A_MONITOR:
        with pytest.raises(InputError, match="no readings to draw"):
            figure(room, missing)


def test_figures_without_gamma(room, blue_one):
    without = replace(
        blue_one,
        response=replace(blue_one.response, gamma=None),
        target=replace(blue_one.target, gamma=None),
        ideal=replace(blue_one.ideal, gamma=None),
    )
    alt = tone(room, without).alt
    assert "the projector not known, the monitor now not known, the target not known" in alt


@pytest.mark.parametrize(
    "labels",
    [
        ("black", "white"),
        ("red",),
        ("black", "grey 5 %"),
        ("white", "grey 50 %", "grey 25 %", "blue"),
    ],
)
def test_figures_of_few_patches(room, blue_one, labels):
    monitor = few(blue_one, labels)
    for figure in OF_A_MONITOR:
        assert words_in(figure(room, monitor))
    assert f"CIEDE2000 of {len(labels)} patches" in patches(room, monitor).alt


def test_a_room_that_follows_its_encoding_says_so(room, blue_one):
    followed = replace(room, settings=replace(room.settings, reference="nominal"))
    drawing = chromaticity(followed, blue_one)
    white = np.array([0.314, 0.351, 0.335])  # RP 431-2:2011
    distance = np.hypot(*(uv(blue_one.detail.response.white_xyz) - uv(white)))
    assert f"White lies {distance:.4f} u′v′ from the encoding's" in drawing.alt
    for figure in OF_A_MONITOR:
        told = " ".join(words_in(figure(followed, blue_one)))
        assert "encoding" in told
        assert "projector" not in told


def test_a_dark_lifted_display_is_drawn(room, blue_one):
    detail = blue_one.detail
    now = detail.now_xyz * np.array([0.3, 0.25, 0.6]) + np.array([0.5, 0.6, 0.9])
    white = detail.reference_white
    changed = replace(detail, now_xyz=now, now=ciede2000(detail.wanted_xyz, now, white))
    monitor = replace(blue_one, detail=changed)
    assert "darker than the projector's, most at 100 % signal" in tone(room, monitor).alt
    assert f"mean {changed.now.mean():.2f} now" in patches(room, monitor).alt


def test_sheet_leaves_settings_as_they_were():
    before = rcParams["font.size"]
    with sheet():
        assert rcParams["font.size"] == 7.0
    assert rcParams["font.size"] == before
