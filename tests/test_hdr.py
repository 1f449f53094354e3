"""HDR rooms: PQ against SMPTE ST 2084 and the printed tables of DCI's HDR Addendum, read as if measured."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

import matchlib
from matchlib.displays.response import fit_response
from matchlib.displays.simulate import Noise, SimulatedDisplay, session_patches
from matchlib.encoding import (
    STANDARD,
    light_to_pq,
    normalised_matrix,
    peak_code,
    pq_to_light,
    signal_to_linear,
    xy_to_unit_xyz,
)
from matchlib.facility.rooms import Facility, Instrument
from matchlib.matching.conformity_hdr import hdr_conformity
from matchlib.matching.solving import figures_of
from matchlib.matching.tolerances import REVIEW_ROOM, THEATRE
from matchlib.perception.difference import ciede2000, xy
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.quality import Context, find
from matchlib.readings.session import average_repeats, missing_from

REFERENCE = Path(__file__).parent / "reference"


def table(name):
    """Return labels, codes, printed values, and half of each value's last printed digit."""
    cells = np.genfromtxt(REFERENCE / name, delimiter=",", dtype=str, encoding="utf-8")
    half = [[0.5 * 10.0 ** -len(cell.partition(".")[2]) for cell in row] for row in cells[:, 4:].tolist()]
    return cells[:, 0].tolist(), cells[:, 1:4].astype(float), cells[:, 4:].astype(float), np.array(half)


STEPS, STEP_CODES, STEP_XYZ, STEP_HALF = table("hdr_addendum_steps.csv")
DARKS, DARK_CODES, DARK_Y, DARK_HALF = table("hdr_addendum_dark_steps.csv")
PATCHES, PATCH_CODES, PATCH_YXY, PATCH_HALF = table("hdr_addendum_table_9.csv")
ROUND_OFF = 1e-9
RECODED = 0.012  # relative: three 12-bit codes of half a step each, told as one grey, at .005 cd/m²; less above
RECODED_XY = 4e-4  # a channel that its rounding does not tell from 0 is 0
CLOSE_FIT = 0.02  # mean CIEDE2000; what sixteen steps and the rounding of 12-bit codes leave of an exact display

EXACT = Instrument("S1", "spectroradiometer", 0.0, 0.0, 0.0001, contact=False, common_xy=0.5)
P3_PQ = replace(STANDARD["P3 D65"], name="P3 D65, PQ", eotf="PQ", luminance=299.6)
XYZ_PQ = replace(STANDARD["XYZ"], name="XYZ, PQ", eotf="PQ", luminance=299.6, white_xy=(0.3127, 0.3290))


def read(rows, shown, **keys):
    """Return a session read through the door, of a display that is fed the encoding ``shown``."""
    facility = Facility(Path(), "made up", ZoneInfo("UTC"), {}, {}, {"S1": EXACT}, ())
    header = {"display": "P1", "measured": "2026-10-02T09:40:00Z", "instrument": "S1", "signal_max": "4095", **keys}
    text = "\n".join([*(f"# {key}: {value}" for key, value in header.items()), "patch,r,g,b,X,Y,Z", *rows]) + "\n"
    return read_session(text.encode(), "readings/P1.csv", facility, shown)


def row(label, codes, values):
    return ",".join([label, *(f"{code:g}" for code in codes), *(f"{value:.9g}" for value in values)])


# --- the printed tables -----------------------------------------------------------------------------------


def test_white_steps_decode_as_printed():
    """To half of the last printed digit, X, Y and Z of all ten; 4.748 is 4.74746 rounded twice."""
    close = STEP_HALF + ROUND_OFF
    close[3, 0] += 5e-5
    assert np.all(np.abs(pq_to_light(STEP_CODES / 4095) - STEP_XYZ) <= close)


def test_dark_steps_decode_as_printed():
    found = pq_to_light(DARK_CODES / 4095)[:, 1:2]
    assert np.all(np.abs(found - DARK_Y) <= DARK_HALF + ROUND_OFF)


def test_colour_patches_decode_as_printed():
    light = pq_to_light(PATCH_CODES / 4095)
    found = np.column_stack([light[:, 1], xy(light)])
    assert np.all(np.abs(found - PATCH_YXY) <= PATCH_HALF + ROUND_OFF)


def test_the_subtitle_example():
    """D65 at 48 cd/m² is 110 111 113 in 8 bits."""
    assert np.round(255 * light_to_pq(48 * xy_to_unit_xyz((0.3127, 0.3290)))).tolist() == [110, 111, 113]


# --- the same codes through the door ----------------------------------------------------------------------


def addendum_rows():
    xyy = [(x, y, luminance) for luminance, x, y in PATCH_YXY.tolist()]
    colours = [np.array(y) * xy_to_unit_xyz((x, v)) for x, v, y in xyy]
    greys = [row(f"step {name}", codes, xyz) for name, codes, xyz in zip(STEPS, STEP_CODES, STEP_XYZ, strict=True)]
    darks = [
        row(f"dark {name}", codes, y * xy_to_unit_xyz((0.3127, 0.3290)))
        for name, codes, (y,) in zip(DARKS, DARK_CODES, DARK_Y.tolist(), strict=True)
    ]
    patches = [row(*entry) for entry in zip(PATCHES[:12], PATCH_CODES, colours, strict=False)]
    return [row("black", (0, 0, 0), (0.0, 0.0, 0.0)), *darks, *greys, *patches]


@pytest.fixture(params=[299.6, 300.0])
def addendum(request):
    return read(addendum_rows(), replace(XYZ_PQ, luminance=request.param))


def meant_xyz(session):
    encoding = session.encoding
    return encoding.luminance * signal_to_linear(session.signal, encoding) @ normalised_matrix(encoding).T


def test_the_addendum_s_white_is_white(addendum):
    """2524 2546 2583 for 299.6 cd/m², which the Addendum itself writes for 300."""
    assert addendum.signal[addendum.labels.index("step 10")].tolist() == [1, 1, 1]
    assert addendum.in_range.all()
    assert addendum.warnings == ()


def test_steps_are_greys_and_mean_what_is_printed(addendum):
    places = [addendum.labels.index(f"step {name}") for name in STEPS]
    darks = [addendum.labels.index(f"dark {name}") for name in DARKS]
    assert np.ptp(addendum.signal[places + darks], axis=1).max() < ROUND_OFF
    meant = meant_xyz(addendum)[:, 1]
    assert np.all(np.abs(meant[places] / STEP_XYZ[:, 1] - 1) <= RECODED)
    assert np.all(np.abs(meant[darks] / DARK_Y[:, 0] - 1) <= RECODED + DARK_HALF[:, 0] / DARK_Y[:, 0])
    assert xy(meant_xyz(addendum)[places + darks]) == pytest.approx(np.tile((0.3127, 0.3290), (20, 1)), abs=ROUND_OFF)


def test_colours_mean_what_is_printed(addendum):
    places = [addendum.labels.index(name) for name in PATCHES[:12]]
    meant = meant_xyz(addendum)[places]
    assert np.abs(xy(meant) - PATCH_YXY[:12, 1:]).max() <= RECODED_XY
    traces = 5e-3  # relative: Blue-1 has a trace of green, .08 cd/m², that its rounding does not tell from none
    assert np.abs(meant[:, 1] / PATCH_YXY[:12, 0] - 1).max() <= traces


def test_full_red_of_the_addendum_is_less_than_full(addendum):
    """Its Red-1 has 68.13 cd/m²; P3's red in D65 has 0.22897 of 299.6, which is 68.60."""
    code = {299.6: "2237 1928 0", 300.0: "2238 1928 0"}[addendum.encoding.luminance]
    (lack,) = missing_from(average_repeats(addendum), addendum)
    assert lack.startswith(f"full red (code {code} in PQ at the declared peak")
    assert addendum.signal[addendum.labels.index("Red-1")] == pytest.approx([0.9985, 0, 0], abs=5e-4)
    assert addendum.signal[addendum.labels.index("Green-1")].tolist() == [0, 1, 0]
    assert addendum.signal[addendum.labels.index("Blue-1")].tolist() == [0, 0, 1]


def test_a_session_of_the_tables_is_complete_with_full_red():
    codes = np.round(4095 * light_to_pq(299.6 * normalised_matrix(XYZ_PQ)[:, 0]))
    session = read([*addendum_rows(), row("red", codes, 299.6 * normalised_matrix(XYZ_PQ)[:, 0])], XYZ_PQ)
    assert missing_from(average_repeats(session), session) == []
    response = fit_response(session)
    assert np.isnan(response.gamma)
    assert response.luminance == pytest.approx(299.6)
    patches = average_repeats(session)
    errors = ciede2000(patches.xyz, response.forward(patches.signal), response.white_xyz)
    assert errors.mean() < 0.05  # printed to four digits
    assert [finding.severity for finding in find(session) if finding.severity != "note"] == []


# --- signals of r, g, b -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("peak", "top", "low", "code"),
    [
        (1000, 1023, 0, 769),  # PQ⁻¹(1000) = .7518271
        (1000, 940, 64, 723),  # 64 + 876 · .7518271
        (100, 4095, 0, 2081),
        (300, 4095, 0, 2547),  # 2546.53
        (300, 4095, 0, 2546),  # the code below leaves 1.2e-3 of the light
        (299.6, 4095, 0, 2546),
        (1000, 65535, 0, 49271),
        (1000, 1, 0, 0.7518),
        (10_000, 1023, 0, 1023),
    ],
)
def test_the_code_of_the_peak_is_full_signal(peak, top, low, code):
    session = read(
        ["w," + f"{code}," * 3 + "1,1,1"],
        replace(P3_PQ, luminance=peak),
        signal_max=f"{top:g}",
        signal_min=f"{low:g}",
    )
    assert session.signal.tolist() == [[1, 1, 1]]
    assert session.in_range.all()


@pytest.mark.parametrize(("top", "code"), [(4095, 2544), (1023, 635), (255, 158), (1, 0.621)])
def test_a_code_that_shows_less_is_less(top, code):
    session = read([f"w,{code},{code},{code},1,1,1"], replace(P3_PQ, luminance=300.0), signal_max=f"{top:g}")
    assert session.signal.max() < 1
    meant = 300 * signal_to_linear(session.signal[0, :1], session.encoding)
    assert meant == pytest.approx(pq_to_light(np.array([code / top])), rel=1e-9)


def test_codes_above_the_peak_are_read_not_fitted_and_told():
    rows = ["white,2546,2546,2546,1,299.6,1", "over,2600,2546,2546,1,300,1", "far,4095,4095,4095,1,301,1"]
    session = read(rows, P3_PQ)
    assert session.in_range.tolist() == [True, False, False]
    (warning,) = session.warnings
    assert "code 2600 is above 2545.9, in PQ the declared peak of 299.6 cd/m²: 2 such rows read" in warning.what
    assert (warning.line, warning.column) == (7, "r")


def test_tristimulus_codes_above_the_peak_are_told_by_their_y():
    session = read(["white,2524,2546,2583,1,299.6,1", "over,2650,2672,2709,1,390,1"], XYZ_PQ)
    assert session.in_range.tolist() == [True, False]
    (warning,) = session.warnings
    assert "code 2672 is above 2545.9" in warning.what
    assert warning.column == "g"


@pytest.mark.parametrize(
    ("encoding", "keys", "words"),
    [
        (P3_PQ, {}, "white (code 2546 2546 2546 in PQ at the declared peak of 299.6 cd/m²)"),
        (XYZ_PQ, {}, "white (code 2524 2546 2583 in PQ at the declared peak of 299.6 cd/m²)"),
        (P3_PQ, {"signal_max": "1"}, "white (code 0.6217 0.6217 0.6217 in PQ"),
        (STANDARD["P3 D65"], {}, "white"),
    ],
)
def test_a_session_without_white_names_its_code(encoding, keys, words):
    session = read(["grey,0.5,0.5,0.5,1,1,1"], encoding, **keys)
    lack = missing_from(average_repeats(session), session)[0]
    assert lack.startswith(words)
    assert (lack == "white") == (encoding.eotf != "PQ")


def test_the_choice_of_sessions_names_the_code(make_facility):
    new = 'encoding = {base = "P3 D65", eotf = "PQ", luminance = 1000}'
    folder = make_facility(toml_edit=('encoding = "P3 DCI"', new))  # sessions whose white is code 4095
    with pytest.raises(matchlib.InputError) as error:
        matchlib.match_room(folder, "studio-1")
    assert "no white (code 3079 3079 3079 in PQ at the declared peak of 1000 cd/m²)" in str(error.value)


# --- what a file may say ----------------------------------------------------------------------------------


def test_tristimulus_codes_named_in_the_file_are_pq_where_the_display_is():
    rows = ["white,2524,2546,2583,1,299.6,1"]
    own = read(rows, XYZ_PQ, encoding="XYZ")
    assert own.signal.tolist() == [[1, 1, 1]]
    assert own.warnings == ()
    guessed = read(rows, P3_PQ, encoding="XYZ")
    assert guessed.signal.tolist() == [[1, 1, 1]]
    (warning,) = guessed.warnings
    assert "taken as PQ, not as those of ST 428-1" in warning.what
    assert (warning.line, warning.column) == (5, "encoding")


def test_a_video_encoding_named_for_a_display_in_pq_is_told():
    session = read(["white,4095,4095,4095,1,100,1"], P3_PQ, encoding="BT.709")
    assert session.encoding == STANDARD["BT.709"]
    assert session.signal.tolist() == [[1, 1, 1]]
    (warning,) = session.warnings
    assert "the file says BT.709, the display is fed P3 D65, PQ: read as BT.709, not as PQ" in warning.what


# --- a display in PQ --------------------------------------------------------------------------------------


def pq_session(peak=1000.0, black=0.005, steps=16, noise=0.0, base="P3 D65", change=lambda light: light):
    """Return a session of a simulated display that follows PQ over its black, 12-bit codes."""
    encoding = replace(STANDARD[base], name=f"{base}, PQ", eotf="PQ", luminance=peak)
    patches = session_patches(steps=steps, repeats=1)
    codes = np.round(4095 * patches.signal * peak_code(encoding))
    shown = SimulatedDisplay(
        peak, encoding.white_xy, encoding.red_xy, encoding.green_xy, encoding.blue_xy, black=black
    )
    light = change(pq_to_light(codes / 4095) / peak)
    xyz = Noise(noise).read(shown.black_xyz + light @ shown.matrix.T, np.random.default_rng(51))
    return read([row(*entry) for entry in zip(patches.labels, codes, xyz, strict=True)], encoding)


@pytest.mark.parametrize("peak", [100.0, 300.0, 1000.0, 4000.0])
@pytest.mark.parametrize("steps", [10, 16])
def test_the_fit_follows_pq(peak, steps):
    """Between the steps too: 201 greys and 500 colours of an exact display."""
    session = pq_session(peak, steps=steps)
    response, encoding = fit_response(session), session.encoding
    signal = np.vstack(
        [np.repeat(np.linspace(0, 1, 201)[:, None], 3, 1), np.random.default_rng(52).uniform(size=(500, 3))]
    )
    truth = response.black_xyz + peak * signal_to_linear(signal, encoding) @ normalised_matrix(encoding).T
    errors = ciede2000(truth, response.forward(signal), truth[200])
    assert errors[:201].mean() < CLOSE_FIT
    assert errors[201:].mean() < CLOSE_FIT
    assert errors.max() < 0.3  # a single darkest grey, between black and the first of ten steps


def test_pq_has_no_gamma():
    response = fit_response(pq_session())
    assert np.isnan(response.gamma)
    assert np.isnan(response.channel_gamma).all()
    assert figures_of(pq_session(), response, EXACT).gamma is None


@pytest.mark.parametrize("peak", [100.0, 300.0, 1000.0, 4000.0, 10_000.0])
@pytest.mark.parametrize("steps", [10, 32])
def test_the_checks_are_silent_on_a_good_session(peak, steps):
    session = pq_session(peak, steps=steps, noise=0.001)
    findings = find(session, Context(instrument=EXACT, nominal_luminance=peak))
    assert [finding for finding in findings if finding.severity != "note"] == []
    assert {finding.check for finding in findings} <= {"below the floor", "circumstances"}


def test_a_crushed_pq_display_is_found():
    session = pq_session(1000.0, change=lambda light: np.where(light < 1e-3, 0.02 * light, light))
    found = [finding for finding in find(session) if finding.check == "saturated ramp"]
    assert found
    assert "where PQ gives" in found[0].evidence


# --- conformity -------------------------------------------------------------------------------------------


def results(session, kind="projector", instrument=EXACT, rule="guarded", room=REVIEW_ROOM):
    figures = figures_of(session, fit_response(session), instrument)
    return {check.name: check for check in hdr_conformity(kind, session, figures, instrument, rule, room)}


def addendum_session(change=lambda xyz: xyz, black=0.005):
    """Return the Addendum's own steps as a display that is right shows them, with full primaries."""
    encoding = XYZ_PQ
    matrix = 299.6 * normalised_matrix(encoding)
    colours = np.round(4095 * light_to_pq(matrix.T))
    codes = np.vstack([[[0, 0, 0]], DARK_CODES, STEP_CODES, colours])
    xyz = change(np.maximum(pq_to_light(codes / 4095), black * xy_to_unit_xyz((0.3127, 0.3290))))
    return read([row(f"p{place}", *entry) for place, entry in enumerate(zip(codes, xyz, strict=True))], encoding)


NAMES = [
    *("luminance", "white x", "white y", "minimum active black"),
    *("PQ steps up to 0.02 cd/m²", "PQ steps 0.02 to 1 cd/m²", "PQ steps above 1 cd/m²"),
]


@pytest.mark.parametrize("kind", ["projector", "monitor"])
def test_a_display_that_is_right_passes(kind):
    found = results(addendum_session(), kind)
    assert list(found) == NAMES
    assert {check.result for check in found.values()} == {"pass"}
    assert all(check.source.startswith("DCI HDR Addendum, Table 6, ") for check in found.values())


def lit(low, high, share):
    def change(xyz):
        inside = (xyz[:, 1:2] > low) & (xyz[:, 1:2] <= high)
        return np.where(inside, xyz * (1 + share), xyz)

    return change


@pytest.mark.parametrize(
    ("change", "name", "projector", "direct"),
    [
        (lit(0, 0.0155, 0.16), NAMES[4], "pass", "pass"),  # Y ≤ .02: ±20 %
        (lit(0.006, 0.0155, 0.23), NAMES[4], "fail", "fail"),
        (lit(0.03, 0.5, 0.10), NAMES[5], "pass", "fail"),  # to 1.0: ±12 %, ±5 %
        (lit(0.03, 0.5, -0.14), NAMES[5], "fail", "fail"),
        (lit(0.9, 1.02, 0.10), NAMES[5], "pass", "fail"),  # the step of .9999 is in that range
        (lit(1.5, 250, 0.05), NAMES[6], "pass", "fail"),  # above: ±6 %, ±3 %
        (lit(1.5, 250, 0.07), NAMES[6], "fail", "fail"),
        (lit(290, 310, 0.05), "luminance", "pass", "fail"),  # 299.6 ±18.0, ±9.0
        (lit(290, 310, -0.07), "luminance", "fail", "fail"),
        (lambda xyz: xyz * (1.012, 1, 1), "white x", "fail", "fail"),  # .3128 ±.002
        (lambda xyz: xyz * (1.005, 1, 1), "white x", "pass", "pass"),
    ],
)
def test_limits_of_an_hdr_reference(change, name, projector, direct):
    session = addendum_session(change)
    assert results(session)[name].result == projector
    assert results(session, "monitor")[name].result == direct


@pytest.mark.parametrize(
    ("change", "name", "result"),
    [
        (lit(290, 310, 0.09), "luminance", "pass"),  # ±30.0
        (lit(290, 310, 0.11), "luminance", "fail"),
        (lit(0.03, 0.5, 0.14), NAMES[5], "pass"),  # ±15 %
        (lit(1.5, 250, 0.09), NAMES[6], "pass"),  # ±10 %
        (lit(1.5, 250, 0.11), NAMES[6], "fail"),
        (lambda xyz: xyz * (1.012, 1, 1), "white x", "pass"),  # ±.006
    ],
)
def test_limits_of_an_hdr_theatre(change, name, result):
    assert results(addendum_session(change), room=THEATRE)[name].result == result


@pytest.mark.parametrize(("black", "result"), [(0.0042, "fail"), (0.0055, "pass"), (0.0062, "fail")])
def test_the_minimum_active_black(black, result):
    """.005 ±.001 cd/m²; at its step a display of less black is right, and one step too dark is changed."""
    change = (lambda xyz: np.where(xyz[:, 1:2] < 0.0051, xyz * 0.7, xyz)) if black < 0.005 else lambda xyz: xyz
    assert results(addendum_session(change, black))["minimum active black"].result == result


def test_without_its_step_black_stands_for_the_minimum_active_black():
    found = results(pq_session(300.0, black=0.0075))["minimum active black"]
    assert (found.result, found.value) == ("fail", pytest.approx(0.0025))
    assert found.source.endswith("read at zero signal")


def test_a_house_with_another_peak_is_told_both():
    found = results(pq_session(1000.0, black=0.0, base="P3 DCI"))
    assert (found["luminance"].result, found["luminance, the standard's own"].result) == ("pass", "fail")
    assert (found["white x"].result, found["white x, the standard's own"].result) == ("pass", "pass")
    assert (found["white y"].result, found["white y, the standard's own"].result) == ("pass", "fail")
    assert found["luminance"].limit == pytest.approx(18.0 * 1000 / 299.6)


def test_a_poor_meter_leaves_it_undecided():
    meter = replace(EXACT, luminance=0.08, floor=0.01)
    found = results(addendum_session(), instrument=meter)
    assert found["luminance"].result == "undecided"
    assert found["minimum active black"].result == "undecided"
    assert results(addendum_session(), instrument=meter, rule="simple")["luminance"].result == "pass"


def test_a_reference_in_pq_is_not_held_against_the_standards_of_sdr(make_facility):
    new = 'encoding = {base = "P3 D65", eotf = "PQ", luminance = 300}'
    folder = make_facility(toml_edit=('encoding = "P3 DCI"', new))
    for name in ("P1", "M1", "M2"):
        session = pq_session(300.0)
        codes = np.round(4095 * session.signal * peak_code(session.encoding))
        keys = f"# display: {name}\n# measured: 2026-03-02T10:00:00\n# instrument: S1\n# signal_max: 4095\n"
        rows = [row(*entry) for entry in zip(session.labels, codes, session.xyz, strict=True)]
        (folder / f"readings/{name}.csv").write_text(
            keys + "patch,r,g,b,X,Y,Z\n" + "\n".join(rows) + "\n", encoding="utf-8"
        )
    room = matchlib.match_room(folder, "studio-1")
    assert {check.source.split(",")[0] for check in room.projector.conformity} == {"DCI HDR Addendum"}
    assert room.projector.response.gamma is None
    assert room.monitors[0].conformity is None
    assert room.monitors[0].difference.mean < 1e-6
