"""Encodings: primaries, matrices and tones against the standards that define them."""

from dataclasses import replace
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.encoding import (
    STANDARD,
    convert_signal,
    light_to_pq,
    linear_to_signal,
    normalised_matrix,
    peak_code,
    pq_to_light,
    primaries_matrix,
    signal_to_linear,
    tristimulus_to_signal,
    tristimulus_to_xyz,
    xy_to_unit_xyz,
)
from matchlib.perception.difference import uv, xy

REFERENCE = Path(__file__).parent / "reference"
TEN_DIGITS = 0.5e-10 + 1e-14  # half of the tenth printed decimal
FOURTEEN_DIGITS = 0.5e-13  # RP 177's sum in double precision against 14 printed decimals
FOUR_DIGITS = 0.5e-4 + 1e-9
FIVE_DIGITS = 0.5e-5 + 1e-9
ROUND_TRIP = 1e-12  # powers and their roots in double precision

PRIMARIES = {
    row[0]: row[1:].astype(float)
    for row in np.genfromtxt(REFERENCE / "primaries.csv", delimiter=",", dtype=str, encoding="utf-8")
}

# SMPTE RP 431-2:2011, Annex C.4: RGB to XYZ, white .3140 .3510, and the inverse to four decimals.
P3_DCI = [
    [0.4451698156, 0.2771344092, 0.1722826698],
    [0.2094916779, 0.7215952542, 0.0689130679],
    [0.0000000000, 0.0470605601, 0.9073553944],
]
P3_DCI_INVERSE = [[2.7254, -1.0180, -0.4402], [-0.7952, 1.6897, 0.0226], [0.0412, -0.0876, 1.1009]]
# DCI HDR Addendum, Annex C.1: the same primaries with white .3127 .3290.
P3_D65 = [
    [0.48657094864822, 0.26566769316910, 0.19821728523436],
    [0.22897456406975, 0.69173852183651, 0.07928691409375],
    [0, 0.04511338185890, 1.04394436890098],
]
# RP 177:1993's method on the primaries of BT.709-5 and BT.2020-1, worked out to ten decimals; the
# Recommendations print the middle row rounded to four.
BT_709 = [
    [0.4123907993, 0.3575843394, 0.1804807884],
    [0.2126390059, 0.7151686788, 0.0721923154],
    [0.0193308187, 0.1191947798, 0.9505321522],
]
BT_2020 = [
    [0.6369580483, 0.1446169036, 0.1688809752],
    [0.2627002120, 0.6779980715, 0.0593017165],
    [0.0000000000, 0.0280726930, 1.0609850577],
]


@pytest.mark.parametrize("name", PRIMARIES)
def test_primaries_and_white_are_the_standard_s(name):
    found = STANDARD[name]
    assert [*found.red_xy, *found.green_xy, *found.blue_xy, *found.white_xy] == PRIMARIES[name].tolist()


def test_every_encoding_has_a_row_of_the_table():
    assert set(STANDARD) - {"XYZ"} == set(PRIMARIES)


@pytest.mark.parametrize(
    ("name", "matrix", "close"),
    [
        ("P3 DCI", P3_DCI, TEN_DIGITS),
        ("P3 D65", P3_D65, FOURTEEN_DIGITS),
        ("BT.709", BT_709, TEN_DIGITS),
        ("BT.2020", BT_2020, TEN_DIGITS),
    ],
)
def test_normalised_matrix(name, matrix, close):
    assert np.abs(normalised_matrix(STANDARD[name]) - matrix).max() <= close


def test_inverse_of_the_p3_matrix():
    """RP 431-2:2011, Annex C.4, XYZ to RGB."""
    assert np.abs(np.linalg.inv(normalised_matrix(STANDARD["P3 DCI"])) - P3_DCI_INVERSE).max() <= FOUR_DIGITS


@pytest.mark.parametrize(
    ("name", "luma"), [("BT.709", (0.2126, 0.7152, 0.0722)), ("BT.2020", (0.2627, 0.6780, 0.0593))]
)
def test_luma_coefficients(name, luma):
    """ITU-R BT.709-5, item 3.2; BT.2020-1, table 4."""
    assert normalised_matrix(STANDARD[name])[1] == pytest.approx(luma, abs=FOUR_DIGITS)


def test_luminances_of_the_reference_projector_s_primaries():
    """RP 431-2:2011, Table A.1, 7.8: virtual white .3190 .3338 of 50.34832 cd/m²."""
    encoding = STANDARD["P3 DCI"]
    white = 50.34832 * xy_to_unit_xyz((0.3190, 0.3338))
    found = primaries_matrix((encoding.red_xy, encoding.green_xy, encoding.blue_xy), white)[1]
    rounded_white = 1e-4  # relative: x, y of that white are printed to four decimals
    assert found == pytest.approx([11.90597, 34.63657, 3.805772], rel=rounded_white)


@pytest.mark.parametrize(
    ("colour_", "printed"),
    [("red", (0.49635, 0.52555)), ("green", (0.09860, 0.57767)), ("blue", (0.17544, 0.15790))],
)
def test_uv_of_the_primaries(colour_, printed):
    """RP 431-2:2011, Table C.1; its v′ of blue, .15790, is .157895 rounded up."""
    found = uv(xy_to_unit_xyz(getattr(STANDARD["P3 DCI"], f"{colour_}_xy")))
    assert found == pytest.approx(printed, abs=FIVE_DIGITS + 1e-6)


def test_uv_of_the_white_is_not_the_misprint():
    """RP 431-2:2011, Table C.2 prints u′ .2001, v′ .4730 for .3140 .3510; the formula gives .19077 .47980."""
    found = uv(xy_to_unit_xyz(STANDARD["P3 DCI"].white_xy))
    assert found == pytest.approx((0.19077, 0.47980), abs=FIVE_DIGITS)
    assert np.abs(found - (0.2001, 0.4730)).max() > 0.005


@pytest.mark.parametrize(("column", "black"), [(1, 0.0), (2, 0.01), (3, 0.05), (4, 0.1)])
def test_video_tone_over_the_display_s_own_black(column, black):
    """ITU-R BT.1886 (03/2011), Annex 1, L_W = 100, worked out to six digits."""
    table = np.loadtxt(REFERENCE / "bt1886.csv", delimiter=",", encoding="utf-8")
    linear = signal_to_linear(table[:, 0], STANDARD["BT.709"], black / 100)
    assert black + (100 - black) * linear == pytest.approx(table[:, column], rel=5e-6)  # half of the sixth digit
    assert linear_to_signal(linear, STANDARD["BT.709"], black / 100) == pytest.approx(table[:, 0], abs=ROUND_TRIP)


@pytest.mark.parametrize(("white", "black"), [(100.0, 0.01), (100.0, 0.1), (75.0, 0.36), (1.0, 0.0)])
def test_video_tone_over_a_black_against_a_general_library(white, black):
    signal = np.linspace(0, 1, 101)
    theirs = colour.models.eotf_BT1886(signal, L_B=black, L_W=white)
    ours = black + (white - black) * signal_to_linear(signal, STANDARD["BT.709"], black / white)
    assert np.abs(ours - theirs).max() < ROUND_TRIP * 100


@pytest.mark.parametrize("eotf", ["", "sRGB", "PQ"])
def test_black_only_adds_to_the_light_of_other_tones(eotf):
    encoding, signal = replace(STANDARD["P3 D65"], eotf=eotf), np.linspace(0, 1, 11)
    assert signal_to_linear(signal, encoding, 0.01).tolist() == signal_to_linear(signal, encoding).tolist()
    assert linear_to_signal(signal, encoding, 0.01).tolist() == linear_to_signal(signal, encoding).tolist()


@pytest.mark.parametrize("black", [-0.01, 1.0, np.nan])
def test_a_black_that_is_no_share_of_white_is_refused(black):
    with pytest.raises(ValueError, match="must be from 0 to below 1"):
        signal_to_linear(np.array([0.5]), STANDARD["BT.709"], black)


def test_pq_against_a_general_library():
    """SMPTE ST 2084:2014. Every 12-bit code, and light from 1e-4 to 10,000 cd/m²."""
    code = np.arange(4096) / 4095
    assert pq_to_light(code) == pytest.approx(colour.models.eotf_ST2084(code), rel=1e-9, abs=1e-9)
    light = np.geomspace(1e-4, 1e4, 500)
    assert np.abs(light_to_pq(light) - colour.models.eotf_inverse_ST2084(light)).max() < ROUND_TRIP


def test_pq_codes_of_known_light():
    """SMPTE ST 2084:2014, 5.3, worked out to seven decimals."""
    found = light_to_pq(np.array([48.0, 100.0, 203.0, 1000.0]))
    assert found == pytest.approx([0.4364080, 0.5080784, 0.5806889, 0.7518271], abs=0.5e-7 + 1e-12)
    assert light_to_pq(np.array([-1.0, 0.0, 10_000.0])).tolist() == [0, 0, 1]


@pytest.mark.parametrize("peak", [48.0, 100.0, 299.6, 300.0, 1000.0, 4000.0, 10_000.0])
def test_full_signal_of_pq_is_the_declared_peak(peak):
    encoding = replace(STANDARD["BT.2020"], eotf="PQ", luminance=peak)
    signal = np.linspace(0, 1.1 if peak < 5000 else 1, 111)
    light = peak * signal_to_linear(signal, encoding)
    assert light == pytest.approx(pq_to_light(signal * peak_code(encoding)), rel=1e-12)
    assert np.interp(1.0, signal, light) == pytest.approx(peak, rel=1e-9)
    assert linear_to_signal(light / peak, encoding) == pytest.approx(signal, abs=1e-9)
    for shape in (1, 3, 8, 33):  # a power of many numbers may differ from that of one
        assert linear_to_signal(np.eye(shape), encoding).tolist() == np.eye(shape).tolist()


def test_negative_light_keeps_its_sign_under_pq():
    encoding, linear = replace(STANDARD["BT.2020"], eotf="PQ"), np.array([-0.25, -1e-6, 0.0, 0.5])
    assert signal_to_linear(linear_to_signal(linear, encoding), encoding) == pytest.approx(linear, abs=1e-11)


@pytest.mark.parametrize("peak", [100.0, 1000.0])
def test_conversion_to_pq_is_peak_to_peak(peak):
    """White to white whatever the peaks: half of the light of the one is half of the light of the other."""
    video, hdr = STANDARD["BT.2020"], replace(STANDARD["BT.2020"], eotf="PQ", luminance=peak)
    greys = np.repeat(np.linspace(0, 1, 21)[:, None], 3, axis=1)
    converted = convert_signal(greys, video, hdr)
    assert converted[[0, -1]] == pytest.approx(greys[[0, -1]], abs=ROUND_TRIP)
    assert signal_to_linear(converted, hdr) == pytest.approx(greys**2.4, abs=1e-9)
    assert convert_signal(converted, hdr, video) == pytest.approx(greys, abs=1e-6)


@pytest.mark.parametrize("name", ["BT.709", "BT.601 525", "BT.601 625", "BT.2020"])
def test_video_tone_against_a_general_library(name):
    signal = np.linspace(0, 1, 101)
    assert signal_to_linear(signal, STANDARD[name]) == pytest.approx(
        colour.models.eotf_BT1886(signal), abs=ROUND_TRIP
    )
    assert colour.models.eotf_BT1886(0.18) == pytest.approx(0.016317514686316)  # recorded in that library's tests


def test_srgb_tone_against_a_general_library():
    """IEC 61966-2-1:1999, 5.2. The two branches meet within the rounding of the standard's constants."""
    encoding = replace(STANDARD["BT.709"], eotf="sRGB")
    signal = np.linspace(0, 1, 1001)
    assert np.abs(signal_to_linear(signal, encoding) - colour.models.eotf_sRGB(signal)).max() < ROUND_TRIP
    assert np.abs(linear_to_signal(signal, encoding) - colour.models.eotf_inverse_sRGB(signal)).max() < ROUND_TRIP


@pytest.mark.parametrize("name", STANDARD)
@settings(deadline=None, derandomize=True)
@given(signal=st.floats(0, 1))
def test_signal_survives_the_round_trip(name, signal):
    there = signal_to_linear(np.array([signal]), STANDARD[name])
    assert linear_to_signal(there, STANDARD[name]) == pytest.approx([signal], abs=ROUND_TRIP)


@settings(deadline=None, derandomize=True)
@given(signal=st.floats(0, 1))
def test_srgb_signal_survives_the_round_trip(signal):
    """The standard's thresholds .04045 and .0031308 are rounded, so that round trips miss by 1e-7 there."""
    encoding = replace(STANDARD["BT.709"], eotf="sRGB")
    assert linear_to_signal(signal_to_linear(np.array([signal]), encoding), encoding) == pytest.approx(
        [signal], abs=1e-6
    )


def test_light_below_zero_keeps_its_sign():
    """A colour outside the primaries has negative linear light; its signal must lead back to it."""
    linear = np.array([-0.25, -1e-6, 0.0, 0.5])
    encoding = STANDARD["P3 DCI"]
    assert signal_to_linear(linear_to_signal(linear, encoding), encoding) == pytest.approx(linear, abs=ROUND_TRIP)


def test_projection_tone_is_a_gamma_of_2_6():
    """RP 431-2:2011, 7.7."""
    assert signal_to_linear(np.array([0.5]), STANDARD["P3 DCI"]) == pytest.approx([0.5**2.6], abs=ROUND_TRIP)


# SMPTE ST 428-1:2006, Annex B.1, and SMPTE RP 431-2:2011, 7.7: X = 52.37·(X′/4095)^2.6.
def test_tristimulus_codes_of_the_white():
    """ST 428-1:2006, Annex B.1: .314 .351 48.00 is 3794 3960 3890; it prints XYZ 42.94, 48.00, 45.82."""
    codes = np.array([3794, 3960, 3890])
    light = 48 * tristimulus_to_xyz(codes / 4095)
    half_code = 48 * (tristimulus_to_xyz((codes + 0.5) / 4095) - tristimulus_to_xyz(codes / 4095))
    white = 48 * xy_to_unit_xyz((0.314, 0.351))
    assert np.all(np.abs(light - white) <= half_code)
    assert white == pytest.approx([42.94, 48.00, 45.82], abs=0.0101)  # the print of Z is loose: 45.812


@pytest.mark.parametrize(
    ("light", "codes"),
    [((0.00043, 0.00048, 0.00046), (45, 47, 46)), ((0.00021, 0.00024, 0.00023), (35, 36, 36))],
    ids=["2000:1", "4000:1"],
)
def test_tristimulus_codes_of_the_least_step_over_black(light, codes):
    """ST 428-1:2006, Annex B.1; two printed codes are one off their own rounding rule."""
    decoded = 48 * tristimulus_to_xyz(np.array([codes, np.add(codes, 1), np.subtract(codes, 1)]) / 4095)
    assert np.all(decoded[2] <= light)
    assert np.all(np.asarray(light) <= decoded[1])


def test_tristimulus_decoding_against_a_general_library():
    signal = np.arange(0, 4096, 15) / 4095
    # the library's decoding leaves light as a fraction of 1 cd/m² over 52.37, ours as a fraction of white
    theirs = colour.models.eotf_DCDM(signal)
    assert np.abs(48 * tristimulus_to_xyz(signal) - theirs).max() < ROUND_TRIP * 52.37


def test_tristimulus_signal_of_full_colours_is_exact():
    """Full red, green, blue and white of RP 431-2:2011, Table A.4, in the primaries of P3, white .314 .351."""
    codes = np.array([[2901, 2171, 100], [2417, 3493, 1222], [2014, 1416, 3816], [3794, 3960, 3890], [0, 0, 0]])
    found = tristimulus_to_signal(codes / 4095, STANDARD["P3 DCI"], 0.5 / 4095)
    assert found.tolist() == [[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1], [0, 0, 0]]


def test_tristimulus_signal_leads_back_to_the_same_light():
    random = np.random.default_rng(11)
    codes = np.round(random.uniform(400, 3700, size=(500, 3)))
    encoding = STANDARD["P3 DCI"]
    signal = tristimulus_to_signal(codes / 4095, encoding, 0.5 / 4095)
    clear = np.all((signal != 0) & (signal != 1), axis=1) & (np.ptp(signal, axis=1) > 0)
    assert clear.sum() > 450  # a few are taken as an edge or a grey that their rounding allows
    back = signal_to_linear(signal, encoding) @ normalised_matrix(encoding).T
    assert np.abs(back - tristimulus_to_xyz(codes / 4095))[clear].max() < ROUND_TRIP


def test_conversion_shows_the_same_chromaticity():
    """A P3 signal inside BT.709 means the same colour there, the white being the source's."""
    source, destination = STANDARD["P3 DCI"], STANDARD["BT.709"]
    signal = np.random.default_rng(12).uniform(0.45, 0.75, size=(200, 3))
    converted = convert_signal(signal, source, destination)
    before = signal_to_linear(signal, source) @ normalised_matrix(source).T
    after = signal_to_linear(converted, destination) @ normalised_matrix(destination, source.white_xy).T
    assert np.abs(xy(after) - xy(before)).max() < ROUND_TRIP
    assert np.abs(after - before).max() < ROUND_TRIP


def test_conversion_against_a_general_library():
    """P3 D65 and BT.709 share the white, so no adaptation is asked of either."""
    signal = np.random.default_rng(13).uniform(0.4, 0.8, size=(200, 3))
    source, destination = STANDARD["P3 D65"], STANDARD["BT.709"]
    linear = colour.RGB_to_RGB(
        signal**2.6, colour.RGB_COLOURSPACES["Display P3"], colour.RGB_COLOURSPACES["ITU-R BT.709"], None
    )
    rounded_matrices = 1e-3  # of linear light: the library stores some matrices as printed
    found = signal_to_linear(convert_signal(signal, source, destination), destination)
    assert np.abs(found - np.clip(linear, 0, 1)).max() < rounded_matrices


def test_conversion_clips_what_the_destination_cannot_mean():
    full_green = convert_signal(np.array([[0.0, 1.0, 0.0]]), STANDARD["P3 D65"], STANDARD["BT.709"])
    assert full_green.tolist() == [[0, 1, 0]]
    greys = np.repeat(np.linspace(0, 1, 11)[:, None], 3, axis=1)
    converted = convert_signal(greys, STANDARD["P3 DCI"], STANDARD["BT.709"])
    assert np.ptp(converted, axis=1).max() < ROUND_TRIP  # white to white, grey to grey
    assert converted[:, 0] == pytest.approx(greys[:, 0] ** (2.6 / 2.4), abs=ROUND_TRIP)
