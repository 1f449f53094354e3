"""Sessions whose signals are X′, Y′, Z′ codes: the printed tables of RP 431-2, read as if measured."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.displays.response import fit_response
from matchlib.encoding import (
    STANDARD,
    normalised_matrix,
    signal_to_linear,
    tristimulus_to_xyz,
    xy_to_unit_xyz,
)
from matchlib.facility.rooms import Facility, Instrument
from matchlib.perception.difference import xy
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.session import average_repeats, missing_from

REFERENCE = Path(__file__).parent / "reference"
A2 = np.loadtxt(REFERENCE / "rp431_2_table_a2.csv", delimiter=",", encoding="utf-8")
A3 = np.loadtxt(REFERENCE / "rp431_2_table_a3.csv", delimiter=",", encoding="utf-8")
_A4 = np.genfromtxt(REFERENCE / "rp431_2_table_a4.csv", delimiter=",", dtype=str, encoding="utf-8")
A4_NAMES, A4 = _A4[:, 0].tolist(), _A4[:, 1:].astype(float)
WHITE_XY, BLACK = (0.314, 0.351), 0.024  # RP 431-2:2011, Table A.1: 48.00 cd/m² at 2000:1

A2_STEP = 0.0065  # cd/m²: two printed decimals, and step 4 is cut off instead of rounded
A3_SHARE = 0.02  # the print of Table A.3 departs from its own codes by up to 4 mcd/m²
A4_XY = 1e-4  # four printed decimals, and 12-bit codes
A4_LUMINANCE = 0.004  # cd/m², two printed decimals
RECODED_XY = 2e-4  # a channel that is nearly dark or full is taken as dark or full
RECODED_LUMINANCE = 0.0011  # relative: the same
RECODED_STEP = 0.006  # relative: half a code of the darkest white step is .0034, in three channels at once
GAMMA = 0.005  # of 2.6: what the print of Table A.2 leaves open
CONTRAST = 0.001  # relative: the printed 48.02 over .024


def _lines(codes, light):
    return [
        ",".join([name, *(f"{code:.0f}" for code in row), *(f"{value:.6f}" for value in xyy)])
        for name, row, xyy in zip(*codes, light, strict=True)
    ]


def _xyy(xyz):
    return np.concatenate([xy(xyz), xyz[:, 1:2]], axis=1)


def session_text():
    """Return one session of the three tables: greys as printed, colours over the same black."""
    greys = np.vstack([A2, A3])
    names = [f"A.2 step {step:.0f}" for step in A2[:, 0]] + [f"A.3 step {step:.0f}" for step in A3[:, 0]]
    shown = np.column_stack([np.full((len(greys), 2), WHITE_XY), greys[:, 4]])
    light = A4[:, 5:6] * xy_to_unit_xyz(A4[:, 3:5]) + BLACK * xy_to_unit_xyz(WHITE_XY)
    lines = [
        "# display: P1",
        "# measured: 2026-10-02T09:40:00+01:00",
        "# instrument: S1",
        "# signal_max: 4095",
        "# encoding: XYZ",
        "patch,r,g,b,x,y,Y",
        f"black,0,0,0,{WHITE_XY[0]},{WHITE_XY[1]},{BLACK}",
        *_lines((names, greys[:, 1:4]), shown),
        *_lines((A4_NAMES, A4[:, :3]), _xyy(light)),
    ]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def session():
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.001, contact=False, common_xy=0.5)
    facility = Facility(Path(), "printed tables", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    return read_session(session_text().encode(), "readings/P1.csv", facility, STANDARD["P3 DCI"])


def meant_xyz(session):
    """Return what the decoded signals mean on the reference projector above its black, cd/m²."""
    encoding = STANDARD["P3 DCI"]
    return 48 * signal_to_linear(session.signal, encoding) @ normalised_matrix(encoding).T


def rows_of(session, start):
    return [place for place, label in enumerate(session.labels) if label.startswith(start)]


def test_signals_are_those_of_the_display(session):
    assert session.encoding == STANDARD["P3 DCI"]
    assert session.signal[0].tolist() == [0, 0, 0]


def test_readings_come_out_as_printed(session):
    """Greys and colours alike: x, y, Y in, XYZ kept, the same x, y, Y out."""
    places = rows_of(session, "A.2")
    assert session.xyz[places, 1] == pytest.approx(A2[:, 4], abs=1e-9)
    assert np.abs(xy(session.xyz[places]) - WHITE_XY).max() < 1e-9
    places = [session.labels.index(name) for name in A4_NAMES]
    above = session.xyz[places] - session.xyz[0]
    assert above[:, 1] == pytest.approx(A4[:, 5], abs=1e-5)
    assert np.abs(xy(above) - A4[:, 3:5]).max() < 1e-5  # six printed decimals of the session


def test_white_steps_mean_what_is_printed(session):
    """RP 431-2:2011, Table A.2; above black: DCI Compliance Test Plan 1.4.3, Table 7.5.11(a)."""
    decoded = 48 * tristimulus_to_xyz(A2[:, 1:4] / 4095)
    assert np.abs(decoded[:, 1] + BLACK - A2[:, 4]).max() <= A2_STEP
    meant = meant_xyz(session)[rows_of(session, "A.2")]
    assert np.abs(meant[:, 1] / A2[:, 5] - 1).max() <= RECODED_STEP  # the plan allows 3 to 5 %
    assert np.abs(xy(meant) - WHITE_XY).max() < 1e-9  # told from their rounding as greys


def test_dark_steps_mean_what_is_printed(session):
    """RP 431-2:2011, Table A.3, to 2 %; DCI Compliance Test Plan 1.4.3, Table 7.5.11(b), to its tolerances."""
    meant = meant_xyz(session)[rows_of(session, "A.3")]
    assert np.all(np.abs((meant[:, 1] + BLACK) / A3[:, 4] - 1) <= A3_SHARE)
    assert np.all(np.abs(meant[:, 1] / A3[:, 5] - 1) <= A3[:, 6] / 100)


def test_steps_are_recognised_as_greys_down_to_the_darkest(session):
    """12-bit rounding moves the darkest step's chromaticity by .003 in y; grey it is nonetheless."""
    places = rows_of(session, "A.2") + rows_of(session, "A.3")
    assert np.ptp(session.signal[places], axis=1).max() < 1e-12


@pytest.mark.parametrize("name", A4_NAMES)
def test_colour_patches_mean_what_is_printed(session, name):
    """RP 431-2:2011, Table A.4: first the codes alone, then as signals of the display."""
    place, row = session.labels.index(name), A4[A4_NAMES.index(name)]
    decoded = 48 * tristimulus_to_xyz(row[:3] / 4095)
    assert np.abs(xy(decoded) - row[3:5]).max() <= A4_XY
    assert abs(decoded[1] - row[5]) <= A4_LUMINANCE
    meant = meant_xyz(session)[place]
    assert np.abs(xy(meant) - row[3:5]).max() <= RECODED_XY
    assert abs(meant[1] / row[5] - 1) <= RECODED_LUMINANCE + 0.005 / row[5]  # two printed decimals


@pytest.mark.parametrize(
    ("name", "signal"),
    [("Red-1", (1, 0, 0)), ("Green-1", (0, 1, 0)), ("Blue-1", (0, 0, 1)), ("White-2", (1, 1, 1))],
)
def test_full_primaries_and_white_are_recognised(session, name, signal):
    """RP 431-2:2011, Table A.4: its codes of red and blue are up to 1.3 codes beside P3's corners."""
    patches = average_repeats(session)
    place = patches.find(*signal)
    assert place is not None
    assert name in patches.labels[place]


def test_a_session_of_the_tables_is_complete(session):
    assert missing_from(average_repeats(session)) == []


def test_whites_outside_the_primaries_reach_are_read_and_not_fitted(session):
    """White-1 and White-3 ask one channel for more than full light."""
    outside = {label for label, inside in zip(session.labels, session.in_range, strict=True) if not inside}
    assert outside == {"White-1", "White-3"}


def test_the_fit_gives_the_reference_projector(session):
    """RP 431-2:2011, Table A.1: gamma 2.6 (log–log slope, peak to 5 %, black subtracted), 2000:1, white."""
    response = fit_response(session)
    assert response.gamma == pytest.approx(2.6, abs=GAMMA)
    assert response.luminance / response.black == pytest.approx(2000, rel=CONTRAST)
    assert xy(response.white_xyz) == pytest.approx(WHITE_XY, abs=1e-6)
    printed = A4[[A4_NAMES.index(name) for name in ("Red-1", "Green-1", "Blue-1")]]
    assert np.abs(xy(response.primaries_xyz) - printed[:, 3:5]).max() <= A4_XY
    assert abs(response.additivity_error) < 1e-3  # printed luminances of 10.06, 34.64, 3.31 against 48.00


def test_the_definition_of_gamma_needs_black_subtracted():
    """The same slope on light with its black reads low: what the definition guards against."""
    steep = A2[:, 4] >= 0.05 * A2[-1, 4]
    log_code = np.log(A2[steep, 2])
    with_black = np.polyfit(log_code, np.log(A2[steep, 4]), 1)[0]
    without = np.polyfit(log_code, np.log(A2[steep, 4] - BLACK), 1)[0]
    assert abs(without - 2.6) < GAMMA
    assert without - with_black > 0.003
