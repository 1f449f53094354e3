"""The metrics against published pairs, written-out formulas and colour-science."""

from pathlib import Path

import colour
import numpy as np
import pytest
from colour.appearance import InductionFactors_CAM16
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.perception.difference import (
    cam16_ucs,
    ciede2000,
    ciede2000_vector,
    delta_e_itp,
    score,
    uv,
    xy,
    xyz_to_lab,
)

REFERENCE = Path(__file__).parent / "reference"
PRINTED_4 = 0.5e-4 + 1e-9  # half of the last printed of four decimals
SAME_FORMULA = 1e-9  # the same formula in double precision, written twice
COLOUR_FLOOR = 1e-7  # colour-science adds small guards of its own to its sums
HUE_WRAP = {14: 4.7461}  # where the mean hue may be taken on either side

PAIRS = np.loadtxt(REFERENCE / "ciede2000_pairs.csv", delimiter=",", encoding="utf-8")
ITP_PAIRS = np.loadtxt(REFERENCE / "delta_e_itp_pairs.csv", delimiter=",", usecols=range(1, 8), encoding="utf-8")
CAM16 = np.loadtxt(REFERENCE / "cam16.csv", delimiter=",", encoding="utf-8")
CIECAM02 = np.loadtxt(REFERENCE / "ciecam02.csv", delimiter=",", encoding="utf-8")

D65 = np.array([95.047, 100.0, 108.883])


def length(vector):
    return np.sqrt((vector**2).sum(axis=-1))


def random_lab(seed, count):
    random = np.random.default_rng(seed)
    return random.uniform((0, -120, -120), (120, 120, 120), size=(count, 3))


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: f"pair {row[0]:.0f}")
def test_ciede2000_of_the_published_pairs(row):
    """Sharma, Wu & Dalal 2005, Table 1."""
    found = float(length(ciede2000_vector(row[1:4], row[4:7])))
    accepted = [row[7], HUE_WRAP.get(int(row[0]), row[7])]
    assert min(abs(found - value) for value in accepted) <= PRINTED_4


def test_the_table_is_whole():
    assert PAIRS[:, 0].tolist() == list(range(1, 35))


def test_the_published_pairs_are_symmetric():
    """The formula is symmetric (Sharma 2005, section on its properties); the tie of pair 14 may break it."""
    there, back = (
        length(ciede2000_vector(*ends)) for ends in ((PAIRS[:, 1:4], PAIRS[:, 4:7]), (PAIRS[:, 4:7], PAIRS[:, 1:4]))
    )
    clear = ~np.isin(PAIRS[:, 0], list(HUE_WRAP))
    assert np.abs(there - back)[clear].max() < SAME_FORMULA


def test_vector_length_is_the_difference_of_a_general_library():
    """10,000 seeded pairs, half of them near each other, against colour-science."""
    one, two = random_lab(1, 10_000), random_lab(2, 10_000)
    two[::2] = one[::2] + 0.02 * (two[::2] - one[::2])
    theirs = colour.delta_E(one, two, method="CIE 2000")
    assert np.abs(length(ciede2000_vector(one, two)) - theirs).max() < COLOUR_FLOOR


def test_the_vector_is_symmetric_in_length_and_zero_for_equals():
    one, two = random_lab(3, 2_000), random_lab(4, 2_000)
    there, back = length(ciede2000_vector(one, two)), length(ciede2000_vector(two, one))
    assert np.abs(there - back).max() < SAME_FORMULA
    assert np.all(ciede2000_vector(one, one) == 0)


@settings(deadline=None, derandomize=True)
@given(st.floats(0, 100), st.floats(0, 100))
def test_greys_differ_in_lightness_only(lightness_1, lightness_2):
    vector = ciede2000_vector(np.array([lightness_1, 0.0, 0.0]), np.array([lightness_2, 0.0, 0.0]))
    assert vector[1:].tolist() == [0, 0]
    assert np.sign(vector[0]) == np.sign(lightness_2 - lightness_1)


def test_lab_against_a_general_library():
    """CIE 015:2018, 8.2.1; darks below (6/29)³ and lights above white included."""
    xyz = np.random.default_rng(5).uniform(0, 1.5, size=(2_000, 3)) ** 3 * D65
    theirs = colour.XYZ_to_Lab(xyz / 100, colour.XYZ_to_xy(D65))
    assert np.abs(xyz_to_lab(xyz, D65) - theirs).max() < COLOUR_FLOOR
    assert xyz_to_lab(D65, D65) == pytest.approx([100, 0, 0], abs=SAME_FORMULA)


def test_ciede2000_of_xyz_joins_lab_and_vector():
    random = np.random.default_rng(6)
    one, two = random.uniform(0, 1, size=(2, 500, 3)) * D65
    white_xy = colour.XYZ_to_xy(D65)
    theirs = colour.delta_E(
        colour.XYZ_to_Lab(one / 100, white_xy), colour.XYZ_to_Lab(two / 100, white_xy), method="CIE 2000"
    )
    assert np.abs(ciede2000(one, two, D65) - theirs).max() < COLOUR_FLOOR


def test_the_library_s_delta_e_itp_is_the_one_of_its_recorded_pairs():
    """Nine recorded pairs; they would show a scaled or unhalved C_T."""
    theirs = colour.delta_E(ITP_PAIRS[:, :3], ITP_PAIRS[:, 3:6], method="ITP")
    assert np.abs(theirs / ITP_PAIRS[:, 6] - 1).max() < 1e-7  # ten printed digits of inputs


def pq_encoded(light):
    """Return the signal of absolute light in cd/m² (ITU-R BT.2100-2, Table 4)."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    power = (light / 10_000) ** m1
    return ((c1 + c2 * power) / (1 + c3 * power)) ** m2


def itp_written_out(xyz):
    """Return I, T, P of XYZ in cd/m² (ITU-R BT.2100-2, Table 7; T = C_T / 2 of ITU-R BT.2124-0)."""
    primaries = np.array([[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]])
    columns = np.column_stack([primaries, 1 - primaries.sum(axis=1)]).T
    white = np.array([0.3127, 0.3290, 1 - 0.3127 - 0.3290]) / 0.3290
    rgb = xyz @ np.linalg.inv(columns * np.linalg.solve(columns, white)).T
    lms = rgb @ np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]).T / 4096
    ictcp = pq_encoded(lms) @ np.array([[2048, 2048, 0], [6610, -13613, 7003], [17933, -17390, -543]]).T / 4096
    return ictcp * [1, 0.5, 1]


def test_pq_of_the_published_steps():
    """Written-out check of the helper above: DCI HDR Addendum, Table 6, 12-bit codes of Y."""
    luminance = np.array([0.5000, 1.9, 5.001, 20.00, 100.1, 299.6])
    codes = np.array([481, 764, 1015, 1462, 2081, 2546])
    shown = [0, 2, 3, 4, 5]  # the second is no row of the table
    assert np.abs(4095 * pq_encoded(luminance) - codes)[shown].max() < 0.75  # four printed digits of light


def test_delta_e_itp_against_the_formula_written_out():
    """ITU-R BT.2124-0: 720·√(ΔI² + ΔT² + ΔP²) on absolute light, inside the BT.2020 gamut."""
    to_xyz = colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ
    rgb = np.random.default_rng(7).uniform(0.001, 1, size=(2, 1_000, 3)) ** 3 * 300
    one, two = rgb @ to_xyz.T
    written_out = 720 * length(itp_written_out(one) - itp_written_out(two))
    # the library's matrix of BT.2020 is rounded as the Recommendation prints it, ours is not
    assert np.abs(delta_e_itp(one, two) - written_out).max() < 0.02
    assert np.all(delta_e_itp(one, one) == 0)


def test_delta_e_itp_is_absolute():
    """A scale error of the light (of 1 instead of cd/m²) changes the figure: PQ is no power law."""
    one, two = np.array([19.0, 20.0, 21.8]), np.array([20.0, 21.0, 22.0])
    assert abs(float(delta_e_itp(one, two) - delta_e_itp(one / 100, two / 100))) > 0.5


@pytest.mark.parametrize("row", CIECAM02, ids=lambda row: f"L_A {row[6]:g}")
def test_the_library_s_ciecam02_is_the_one_of_the_worked_example(row):
    """CIE 159:2004, Table 4."""
    found = colour.XYZ_to_CIECAM02(row[:3], row[3:6], row[6], 18.0)
    values = [found.J, found.C, found.h, found.s, found.Q, found.M, found.H]
    assert values == pytest.approx(row[7:].tolist(), abs=1e-4)


@pytest.mark.parametrize("row", CAM16, ids=lambda row: f"L_A {row[6]:g}, white {row[3]:g}")
def test_the_library_s_cam16_is_the_one_of_its_recorded_values(row):
    found = colour.XYZ_to_CAM16(row[:3], row[3:6], row[6], 20.0)
    values = [found.J, found.C, found.h, found.s, found.Q, found.M, found.H]
    assert values == pytest.approx(row[7:].tolist(), abs=1e-7)


def ucs_written_out(J, M, h):
    """Return J′, a′, b′ (Luo, Cui & Li 2006, with the coefficients of UCS)."""
    stretched = np.log(1 + 0.0228 * M) / 0.0228
    angle = np.radians(h)
    return np.stack([1.7 * J / (1 + 0.007 * J), stretched * np.cos(angle), stretched * np.sin(angle)], axis=-1)


def test_the_library_s_ucs_is_the_formula():
    """J, M, h = 50, 20, 10: value of three general libraries and of the formula written out."""
    found = colour.JMh_CAM16_to_CAM16UCS([50.0, 20.0, 10.0])
    published = [62.96296296, 16.22742674, 2.86133316]
    assert found == pytest.approx(published, abs=1e-8)
    assert ucs_written_out(50.0, 20.0, 10.0) == pytest.approx(published, abs=1e-8)


@pytest.mark.parametrize(
    ("surround", "factors"),
    [("dark", (0.8, 0.525, 0.8)), ("dim", (0.9, 0.59, 0.9)), ("average", (1.0, 0.69, 1.0))],
)
def test_cam16_ucs_against_its_steps_taken_apart(surround, factors):
    """CAM16 at L_A = Y_w / 5, Y_b = 20, full adaptation; F, c, N_c of CIE 159:2004, Table 1."""
    white = np.array([42.94, 48.0, 45.81])
    random = np.random.default_rng(8)
    one, two = random.uniform(0.05, 1, size=(2, 50, 3)) * white
    sides = []
    for xyz in (one, two):
        seen = colour.XYZ_to_CAM16(
            xyz / 48 * 100,
            white / 48 * 100,
            48 / 5,
            20,
            InductionFactors_CAM16(*factors),
            discount_illuminant=True,
        )
        sides.append(ucs_written_out(seen.J, seen.M, seen.h))
    assert np.abs(cam16_ucs(one, two, white, surround) - length(sides[0] - sides[1])).max() < SAME_FORMULA


def test_cam16_ucs_of_equal_samples_is_zero_and_the_surround_counts():
    white = np.array([42.94, 48.0, 45.81])
    xyz = np.random.default_rng(9).uniform(0, 1, size=(100, 3)) * white
    assert np.all(cam16_ucs(xyz, xyz, white, "dim") == 0)
    dark, average = (cam16_ucs(xyz[:50], xyz[50:], white, surround).mean() for surround in ("dark", "average"))
    assert abs(dark - average) > 0.1


def test_score_takes_the_percentile_between_ranks():
    """95th of 1 … 21 by linear interpolation between ranks: rank 1 + 0.95·20 = 20."""
    found = score("CIEDE2000", np.arange(1.0, 22.0)[::-1], tuple(map(str, range(21))))
    assert (found.mean, found.p95, found.worst, found.worst_patch) == (11.0, pytest.approx(20.0), 21.0, "0")
    between = score("CIEDE2000", np.array([0.0, 1.0]), ("a", "b"))
    assert between.p95 == pytest.approx(0.95)


@pytest.mark.parametrize(
    ("white_xy", "white_uv"), [((0.3127, 0.3290), (0.19783, 0.46832)), ((0.3140, 0.3510), (0.19077, 0.47980))]
)
def test_uv_of_the_two_whites(white_xy, white_uv):
    """CIE 015:2018, 8.2.2, worked out; EBU Tech 3320 v3.0, Annex B prints D65 as .1978 .4683."""
    x, y = white_xy
    xyz = 48 * np.array([x / y, 1, (1 - x - y) / y])
    assert uv(xyz) == pytest.approx(white_uv, abs=0.6e-5)
    assert xy(xyz) == pytest.approx(white_xy, abs=SAME_FORMULA)
    assert uv(xyz) == pytest.approx(colour.xy_to_Luv_uv(white_xy), abs=COLOUR_FLOOR)


def test_chromaticity_of_no_light_is_not_a_number():
    assert np.isnan(xy(np.zeros(3))).all()
    assert np.isnan(uv(np.zeros(3))).all()
