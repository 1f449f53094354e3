"""The check of an instrument on a kind of panel: on the demo, whose truth is known, and on what cannot be checked."""

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from matchlib.displays.simulate import Misread, Noise, SimulatedSession, session_patches
from matchlib.errors import InputError
from matchlib.patches import PatchList
from matchlib.readings.instrument import FOUR_COLOUR
from matchlib.readings.instrument_check import (
    AS_READ,
    EACH_LEFT_OUT,
    SAME_FOUR,
    check_instrument,
    compare_methods,
    drift_of,
)
from matchlib.reporting import instrument_tables as tables
from matchlib.reporting.plots.instrument import instrument_patches
from matchlib.running.demo import AGED_FILTERS, NEW_FILTERS

DATA = Path(__file__).parents[1] / "data"
DEMO = ("contact-2", "wide-gamut LCD")
# contact-2 scatters by 0.2 % a reading, spectro-1 by 0.15 %, a third of it a channel
SCATTER_UV, SCATTER_LUMINANCE = 0.001, 0.005


@pytest.fixture(scope="module")
def demo():
    return check_instrument(DATA, *DEMO)


def test_the_demo_pairs_stand_oldest_first_and_the_newest_is_in_use(demo):
    assert [pair.correction.made.isoformat() for pair in demo.pairs] == ["2026-03-12", "2026-09-08"]
    assert demo.newest.display == "P3"
    assert demo.reference.id == "spectro-1"
    assert [(use.monitor, use.age, use.trusted) for use in demo.uses] == [("W2", 0, True)] * 2


def test_the_matrix_is_tested_on_colours_that_did_not_make_it(demo):
    pair = demo.newest
    assert not set(pair.tested.tolist()) & set(pair.patches.four)
    names = [pair.patches.labels[place] for place in pair.patches.four]
    assert names == ["red", "green", "blue", "white"]
    assert "black" in pair.patches.labels  # of a raised black that both can read: P3 has 0.62 cd/m²
    assert len(pair.tested) == len(pair.patches.labels) - 4


def test_every_method_leaves_no_more_than_scatter_on_the_demo(demo):
    found = compare_methods(demo.newest)
    assert list(found) == [AS_READ, FOUR_COLOUR, SAME_FOUR, EACH_LEFT_OUT]
    assert found[AS_READ].uv > 0.005
    for name in (FOUR_COLOUR, SAME_FOUR, EACH_LEFT_OUT):
        assert found[name].uv < SCATTER_UV
        assert found[name].luminance < SCATTER_LUMINANCE


def test_the_older_correction_leaves_what_the_filters_aged_by(demo):
    """Between the two filters lies a known matrix: what it does to P3's colours is the drift."""
    (drift,) = drift_of(demo)
    assert (drift.made.isoformat(), drift.days) == ("2026-03-12", 180)
    truth = demo.newest.patches.reference[demo.newest.tested]
    aged = truth @ (np.linalg.inv(NEW_FILTERS) @ np.array(AGED_FILTERS)).T
    light = np.sqrt(((aged[:, 1] / truth[:, 1] - 1) ** 2).mean())
    assert light == pytest.approx(0.005, abs=0.0005)  # X, Y, Z lost 0.4 %, 0.5 %, 1 %
    assert drift.after.luminance == pytest.approx(light, abs=0.003)
    assert drift.after.uv > compare_methods(demo.newest)[FOUR_COLOUR].uv


def test_words_and_tables_carry_the_figures(demo):
    found = compare_methods(demo.newest)
    words = tables.correction_words(demo)
    assert f"{found[AS_READ].uv:.4f} u′v′" in words
    assert f"corrected (four-colour matrix), by {found[FOUR_COLOUR].uv:.4f} u′v′" in words
    assert "used 180 days later" in tables.trust_words(demo)
    assert list(tables.methods_table(demo).index) == list(found)
    table = tables.pair_table(demo, most=5)
    assert len(table) == 5
    assert table["Δu′v′ as read"].is_monotonic_decreasing
    assert tables.drift_table(demo)["days before the newest"].tolist() == [180, 0]
    assert tables.uses_table(demo)["correction"].tolist() == ["used", "used"]


def test_the_figure_names_nobody_and_its_words_carry_the_numbers(demo):
    drawing = instrument_patches(demo)
    root = ET.fromstring(drawing.svg)  # noqa: S314 - our own bytes
    texts = " ".join("".join(entry.itertext()) for entry in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "as read" in texts
    assert not re.search("contact|spectro|P3|LCD", texts)
    assert drawing.subject == "contact-2 · wide-gamut LCD"
    assert f"corrected: Δu′v′ {compare_methods(demo.newest)[FOUR_COLOUR].uv:.4f}" in drawing.alt
    assert drawing.svg == instrument_patches(demo).svg


def test_an_instrument_or_panel_without_a_pair_is_refused():
    with pytest.raises(InputError, match=r"no instrument 'contact-3' in this facility; did you mean 'contact-2'"):
        check_instrument(DATA, "contact-3", DEMO[1])
    with pytest.raises(InputError, match=r"has a pair of sessions by contact-2 on the panel 'OLED'; read one 'OLED'"):
        check_instrument(DATA, DEMO[0], "OLED")


PAIR = """
[[corrections]]
instrument = "C1"
session = "readings/pairs/M2_C1.csv"
reference_session = "readings/pairs/M2_S1.csv"
"""


@pytest.fixture
def paired(make_facility, displays):
    """Return a facility where C1, new, and S1 read M2 on the patches given; C1 also read M1 and the OLED M3."""

    def text(display, instrument, day, patches=None):
        shows = displays[display] if instrument == "S1" else Misread(displays[display], NEW_FILTERS)
        keys = {"display": display, "measured": f"{day}T10:00:00", "instrument": instrument, "signal_max": "4095"}
        noise = Noise(0.0002)
        return SimulatedSession(shows, keys, noise, len(display + instrument)).text(patches or session_patches(8, 1))

    def make(patches, used="2026-06-01"):
        files = {f"readings/pairs/M2_{name}.csv": text("M2", name, "2026-05-01", patches) for name in ("S1", "C1")}
        files |= {f"readings/{name}_C1.csv": text(name, "C1", used) for name in ("M1", "M3")}
        return make_facility(toml_more=PAIR, files=files)

    return make


def kept(patches, wanted):
    places = [place for place, signal in enumerate(patches.signal.tolist()) if wanted(signal)]
    return PatchList(tuple(patches.labels[place] for place in places), patches.signal[places])


def test_one_pair_tells_nothing_of_drift_and_other_panels_are_named(paired):
    check = check_instrument(paired(session_patches(8, 1)), "C1", "wide-gamut LCD")
    assert drift_of(check) == ()
    assert "One pair tells nothing of drift" in tables.trust_words(check)
    assert [(use.monitor, use.age) for use in check.uses] == [("M1", 31), ("M3", None)]
    assert "C1 has also read: OLED; uncorrected" in tables.use_words(check)
    assert tables.uses_table(check)["correction"].tolist() == ["used", "not used: another kind of panel"]


def test_a_correction_of_more_than_a_year_is_to_be_made_anew(paired):
    check = check_instrument(paired(session_patches(8, 1), used="2027-05-03"), "C1", "wide-gamut LCD")
    assert [(use.age, use.trusted) for use in check.uses] == [(367, False), (None, False)]
    assert tables.uses_table(check)["correction"].tolist()[0] == "used, but make it anew"


def test_without_white_least_squares_stands_alone(paired):
    patches = kept(session_patches(8, 1), lambda signal: min(signal) < 1)
    check = check_instrument(paired(patches), "C1", "wide-gamut LCD")
    assert list(compare_methods(check.newest)) == [AS_READ, EACH_LEFT_OUT]
    assert compare_methods(check.newest)[EACH_LEFT_OUT].uv < 0.0005
    assert "corrected (least squares), by" in tables.correction_words(check)


def test_a_pair_of_the_four_colours_alone_tests_nothing(paired):
    patches = kept(session_patches(8, 1), lambda signal: signal in ([1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1]))
    with pytest.raises(InputError, match=r"M2_C1\.csv: it holds only the colours that make the correction"):
        check_instrument(paired(patches), "C1", "wide-gamut LCD")
