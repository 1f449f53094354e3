"""The fitted response: its curve, its inverse, its figures."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.displays.response import fit_response, fitted_gamma, monotone_tone, nominal_response
from matchlib.displays.simulate import Noise, SimulatedDisplay, SimulatedSession, session_patches
from matchlib.encoding import STANDARD, normalised_matrix, signal_to_linear
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.perception.difference import xy
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.session import average_repeats

BETWEEN_KNOTS = 2e-4  # of full light: what sixteen knots of a power law leave between them
ROUND_TRIP = 1e-6  # of full signal, two Newton steps behind a table of 4,097
ROUND_OFF = 1e-12
GREEN_IS_GREEN = 1e-9

REFERENCE = Path(__file__).parent / "reference"

steps = st.lists(st.floats(1e-3, 1.0), min_size=3, max_size=20)


def read(text, encoding="P3 DCI"):
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
    facility = Facility(Path(), "made up", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    return read_session(text.encode(), "readings/P1.csv", facility, STANDARD[encoding])


def session_of(rows):
    head = ["display: P1", "measured: 2026-10-02T09:40:00Z", "instrument: S1", "signal_max: 1"]
    return read("\n".join([*(f"# {line}" for line in head), "r,g,b,X,Y,Z", *rows]))


def display(**changes):
    made = SimulatedDisplay(100, (0.3127, 0.3290), (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), (2.4, 2.4, 2.4), 0.1)
    return replace(made, **changes)


def exact_session(shown, maximum="4095"):
    keys = {"display": "P1", "measured": "2026-10-02T09:40:00Z", "instrument": "S1", "signal_max": maximum}
    return read(SimulatedSession(shown, keys, Noise(0.0)).text())


@settings(deadline=None, derandomize=True)  # the first call imports scipy; the same cases at every run
@given(light=steps, seed=st.integers(0, 2**32 - 1))
def test_the_tone_curve_never_falls(light, seed):
    """Whatever the readings do, brighter signals are never darker, and the ends are 0 and 1."""
    random = np.random.default_rng(seed)
    signal = np.sort(random.uniform(0.01, 0.99, size=len(light)))
    if np.diff(signal).min(initial=1) < 1e-6:
        return
    tone = monotone_tone(np.append(signal, 1.0), np.append(light, 1.0))
    fine = tone.forward(np.linspace(0, 1, 501))
    assert np.diff(fine).min() >= -ROUND_OFF
    assert [fine[0], fine[-1]] == pytest.approx([0.0, 1.0], abs=ROUND_OFF)
    assert np.all((fine >= 0) & (fine <= 1))


@settings(deadline=None, derandomize=True)  # the first call imports scipy; the same cases at every run
@given(gamma=st.floats(1.0, 3.5), count=st.integers(10, 33))
def test_a_power_law_is_met_between_its_knots(gamma, count):
    signal = np.linspace(0, 1, count + 1)[1:]
    tone = monotone_tone(signal, signal**gamma)
    fine = np.linspace(0, 1, 333)
    assert np.abs(tone.forward(fine) - fine**gamma).max() < BETWEEN_KNOTS


@settings(deadline=None, derandomize=True)  # the first call imports scipy; the same cases at every run
@given(gamma=st.floats(1.0, 3.5), signal=st.floats(0.02, 1))
def test_the_inverse_of_the_tone_leads_back(gamma, signal):
    """From 2 % of signal up: below it a steep gamma has no light left to tell signals by."""
    knots = np.linspace(0, 1, 17)[1:]
    tone = monotone_tone(knots, 0.9 * knots**gamma + 0.1 * knots)
    assert tone.inverse(tone.forward(np.array([signal]))) == pytest.approx([signal], abs=ROUND_TRIP)


def test_signals_and_lights_beyond_the_range_are_clipped():
    tone = monotone_tone(np.array([0.5, 1.0]), np.array([0.2, 1.0]))
    assert tone.forward(np.array([-0.5, 1.5])).tolist() == [0, 1]
    assert tone.inverse(np.array([-0.5, 1.5])) == pytest.approx([0, 1])


def test_a_reading_that_dips_is_evened_out_not_followed():
    """Pool-adjacent-violators: the two offending steps share their mean root."""
    signal = np.array([0.25, 0.5, 0.75, 1.0])
    tone = monotone_tone(signal, np.array([0.05, 0.30, 0.25, 1.0]))
    assert tone.forward(signal[1:2]) == pytest.approx(tone.forward(signal[2:3]))
    assert 0.25 < float(tone.forward(signal[1:2])[0]) < 0.30


@pytest.mark.parametrize("black", [0.0, 0.4])
def test_forward_and_inverse_of_a_response_are_one_way_and_back(black):
    response = fit_response(exact_session(display(black=black)))
    signal = np.random.default_rng(41).uniform(0.05, 1, size=(500, 3))
    assert np.abs(response.inverse(response.forward(signal)) - signal).max() < ROUND_TRIP
    xyz = response.forward(signal)
    assert response.forward(response.inverse(xyz)) == pytest.approx(xyz, rel=1e-5)


def test_colours_out_of_reach_are_clipped():
    response = fit_response(exact_session(display()))
    assert response.inverse(10 * response.white_xyz) == pytest.approx([1, 1, 1])
    assert response.inverse(np.zeros(3)) == pytest.approx([0, 0, 0])


def test_gamma_is_the_slope_of_the_definition():
    """RP 431-2:2011, Annex A: least squares of log Y on log code, from peak to 5 % of peak, black subtracted.

    Written out for five greys of a tone that is no power law; the darkest, below 5 %, must not count.
    """
    signal = [0.1, 0.4, 0.6, 0.8, 1.0]
    light = [0.9, 15.0, 35.0, 62.0, 100.0]
    black = 0.5
    rows = ["0,0,0,0.5,0.5,0.5"] + [
        f"{s},{s},{s},{y + black},{y + black},{y + black}" for s, y in zip(signal, light, strict=True)
    ]
    found = fitted_gamma(average_repeats(session_of(rows)), np.full(3, black))
    x, y = np.log(signal[1:]), np.log(light[1:])
    slope = ((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum()
    assert found == pytest.approx(slope, abs=ROUND_OFF)


def test_a_raised_black_does_not_move_the_gamma():
    """With black left in, a black of .4 in 100 cd/m² would read low by several hundredths."""
    found = fit_response(exact_session(display(black=0.4, gamma=(2.6,) * 3))).gamma
    assert found == pytest.approx(2.6, abs=1e-4)
    signal = np.linspace(0.35, 1, 20)
    light = 100 * signal**2.6 + 0.4
    assert 2.6 - np.polyfit(np.log(signal), np.log(light), 1)[0] > 0.01


def test_figures_are_as_read_with_black_and_primaries_above_it():
    shown = display(black=0.3)
    response = fit_response(exact_session(shown))
    assert response.luminance == pytest.approx(100.3, rel=1e-5)
    assert response.black == pytest.approx(0.3, rel=1e-5)
    assert xy(response.primaries_xyz) == pytest.approx(np.array([(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)]), abs=2e-5)
    assert abs(response.additivity_error) < 1e-5


def test_a_display_that_does_not_add_shows_it():
    """A white 5 % below the sum of its primaries: error 1/0.95 − 1 = 0.0526."""
    session = exact_session(display(black=0.0))
    white = np.all(session.signal == 1, axis=1)
    dimmed = np.where(white[:, None], session.xyz * 0.95, session.xyz)
    assert fit_response(replace(session, xyz=dimmed)).additivity_error == pytest.approx(1 / 0.95 - 1, abs=1e-4)


def nominal_light(signal, encoding, black):
    """Return linear light by the encoding's tone, by a general library but for a plain gamma."""
    if encoding.eotf == "BT.1886":  # ITU-R BT.1886 (03/2011), Annex 1
        white = encoding.luminance + black
        return (colour.models.eotf_BT1886(signal, L_B=black, L_W=white) - black) / encoding.luminance
    if encoding.eotf == "PQ":  # SMPTE ST 2084:2014
        peak = colour.models.eotf_inverse_ST2084(encoding.luminance)
        return colour.models.eotf_ST2084(signal * peak) / encoding.luminance
    return signal**encoding.gamma


NOMINAL = {name: encoding for name, encoding in STANDARD.items() if name != "XYZ"} | {
    "P3 D65, BT.1886": replace(STANDARD["P3 D65"], eotf="BT.1886", gamma=2.4),
    "P3 D65, PQ": replace(STANDARD["P3 D65"], eotf="PQ", luminance=300.0),
    "BT.2020, PQ": replace(STANDARD["BT.2020"], eotf="PQ", luminance=1000.0),
}


@pytest.mark.parametrize("name", NOMINAL)
def test_a_nominal_response_follows_its_encoding(name):
    encoding = NOMINAL[name]
    black = np.array([0.02, 0.024, 0.02])
    response = nominal_response(encoding, black)
    signal = np.random.default_rng(42).uniform(0, 1, size=(500, 3))
    light = nominal_light(signal, encoding, black[1])
    expected = black + encoding.luminance * light @ normalised_matrix(encoding).T
    assert np.abs(response.forward(signal) - expected).max() < BETWEEN_KNOTS * encoding.luminance
    assert xy(response.white_xyz - black) == pytest.approx(encoding.white_xy, abs=1e-9)
    assert response.luminance == pytest.approx(encoding.luminance + 0.024)
    primaries = np.array([encoding.red_xy, encoding.green_xy, encoding.blue_xy])
    assert xy(response.primaries_xyz) == pytest.approx(primaries, abs=GREEN_IS_GREEN)


@pytest.mark.parametrize("black", [0.01, 0.05, 0.1])
def test_a_nominal_video_reference_is_bt_1886_with_its_black(black):
    """ITU-R BT.1886 (03/2011), Annex 1, worked out to six digits for a white of 100 cd/m², black included."""
    table = np.loadtxt(REFERENCE / "bt1886.csv", delimiter=",", encoding="utf-8")
    encoding = replace(STANDARD["BT.709"], luminance=100.0 - black)
    response = nominal_response(encoding, black * np.array([0.9505, 1.0, 1.0891]))
    found = response.forward(np.repeat(table[:, :1], 3, axis=1))[:, 1]
    column = {0.01: 2, 0.05: 3, 0.1: 4}[black]
    assert found == pytest.approx(table[:, column], abs=BETWEEN_KNOTS * 100)
    assert found[[0, -1]] == pytest.approx([black, 100])


def test_the_nominal_gamma_is_the_slope_of_its_tone():
    """As of a display that was read: black subtracted, peak to 5 %; a raised black makes BT.1886 flatter."""
    zero = np.zeros(3)
    assert nominal_response(STANDARD["P3 DCI"], zero).gamma == pytest.approx(2.6, abs=1e-12)
    assert nominal_response(STANDARD["BT.709"], zero).gamma == pytest.approx(2.4, abs=1e-12)
    raised = nominal_response(STANDARD["BT.709"], np.full(3, 0.1))
    signal = np.linspace(0, 1, 65)[1:]
    light = colour.models.eotf_BT1886(signal, L_B=0.1, L_W=100.1) - 0.1
    used = light >= 0.05 * light[-1]
    assert raised.gamma == pytest.approx(np.polyfit(np.log(signal[used]), np.log(light[used]), 1)[0], abs=1e-9)
    assert 2.1 < raised.gamma < 2.3
    assert np.isnan(nominal_response(replace(STANDARD["BT.709"], eotf="PQ"), zero).gamma)


def test_the_fit_says_what_it_lacks():
    rows = ["1,1,1,95,100,108", "1,0,0,41,21,2", "0,1,0,36,72,12", "0.5,0.5,0.5,20,21,23"]
    with pytest.raises(InputError, match=r"readings/P1\.csv: no patch of signal \(0, 0, 1\)"):
        fit_response(session_of(rows))


def test_primaries_of_one_colour_are_refused():
    rows = ["1,1,1,95,100,108", "1,0,0,31,33,36", "0,1,0,31,33,36", "0,0,1,31,33,36"]
    with pytest.raises(InputError, match="do not differ in colour"):
        fit_response(session_of(rows))


@pytest.mark.parametrize("black", [0.02, 0.4])
def test_a_black_that_was_not_read_is_found_under_a_tone_that_is_no_power(black):
    """The sRGB tone (IEC 61966-2-1:1999) has a linear toe, which a power law would take for black."""
    encoding = replace(STANDARD["BT.709"], eotf="sRGB")
    patches = session_patches()
    lit = patches.signal[patches.signal.max(axis=1) > 0]
    made = SimulatedDisplay(100.0, (0.3127, 0.3290), (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), black=black)
    light = made.black_xyz + signal_to_linear(lit, encoding) @ made.matrix.T
    rows = [",".join(f"{value:.9g}" for value in (*codes, *xyz)) for codes, xyz in zip(lit, light, strict=True)]
    assert fit_response(session_of(rows)).black == pytest.approx(black, rel=1e-3)
