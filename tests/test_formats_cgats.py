"""ISO 28178 / CGATS.17: the grammar, what is read and what is refused."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.readings.formats.recognise import read_session

FILE = "readings/M1.csv"
INSTRUMENT = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
FACILITY = Facility(Path("small"), "small", ZoneInfo("UTC"), {}, {}, {"S1": INSTRUMENT}, ())
REFERENCE = Path(__file__).parent / "reference"
HEAD = (
    'CGATS.17\nORIGINATOR "nobody"\nDISPLAY "M1"\nMEASURED "2026-03-02T10:00:00Z"\nINSTRUMENT "S1"\nSIGNAL_MAX 255\n'
)
FIELDS = "SAMPLE_NAME RGB_R RGB_G RGB_B XYZ_X XYZ_Y XYZ_Z"
SETS = ('"white one" 255 255 255 43.1 48.2 45.9', "red 255 0 0 20.1 10.2 0.3")


def table(fields=FIELDS, sets=SETS, fields_said=None, sets_said=None):
    return (
        f"NUMBER_OF_FIELDS {fields_said or len(fields.split())}\nBEGIN_DATA_FORMAT\n{fields}\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS {sets_said or len(sets)}\nBEGIN_DATA\n" + "\n".join(sets) + "\nEND_DATA\n"
    )


def read(content):
    data = content if isinstance(content, bytes) else content.encode()
    return read_session(data, FILE, FACILITY, STANDARD["P3 DCI"])


def only(content):
    with pytest.raises(InputError) as caught:
        read(content)
    (problem,) = caught.value.problems
    assert problem.file == FILE
    return problem


def test_keywords_labels_signals_and_readings():
    session = read(HEAD + 'NOTE "after the # lamp"\nHOURS 1890\n' + table())
    assert session.labels == ("white one", "red")
    np.testing.assert_array_equal(session.signal, [[1, 1, 1], [1, 0, 0]])
    np.testing.assert_array_equal(session.xyz, [[43.1, 48.2, 45.9], [20.1, 10.2, 0.3]])
    assert (session.header.note, session.header.hours) == ("after the # lamp", 1890)
    assert session.warnings == ()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte-order mark"])
def test_line_ends_and_byte_order_mark(end, mark):
    assert len(read(mark + (HEAD + table()).replace("\n", end).encode()).xyz) == 2


def test_fields_in_any_order_over_several_lines_comments_and_tabs():
    fields = "XYZ_Z XYZ_X # of the meter\nRGB_B\tRGB_R\nRGB_G XYZ_Y SAMPLE_NAME"
    body = table(fields, ["45.9 43.1\t255 255 255 48.2 white # first", "# none"], fields_said=7, sets_said=1)
    np.testing.assert_array_equal(read("\n# begun\n" + HEAD + body).xyz, [[43.1, 48.2, 45.9]])


def test_x_y_and_luminance():
    """RP 431-2:2011: white .314 .351 at 48 cd/m² is X 42.94, Z 45.81."""
    session = read(HEAD + table("RGB_R RGB_G RGB_B XYY_CAPY XYY_X XYY_Y", ["255 255 255 48 .314 .351"]))
    np.testing.assert_allclose(session.xyz, [[42.940, 48, 45.812]], atol=5e-4)


def test_chromaticities_beside_x_y_z_are_told_as_unused():
    session = read(HEAD + table(FIELDS + " XYY_X XYY_Y XYY_CAPY", [SETS[0] + " .5 .5 9"]))
    np.testing.assert_array_equal(session.xyz, [[43.1, 48.2, 45.9]])
    assert [warning.column for warning in session.warnings] == ["XYY_X", "XYY_Y", "XYY_CAPY"]


@pytest.mark.parametrize(("labels", "expected"), [(("1", "2"), ()), (("A1", "A2"), ("A1", "A2"))])
def test_running_numbers_name_no_patch(labels, expected):
    sets = [f"{labels[0]} 255 255 255 43.1 48.2 45.9", f"{labels[1]} 255 0 0 20.1 10.2 0.3"]
    session = read(HEAD + table(FIELDS.replace("SAMPLE_NAME", "SAMPLE_ID"), sets))
    assert session.labels == expected
    assert bool(session.warnings) is not bool(expected)


def test_declared_keywords_are_no_surprise_others_are_told():
    session = read(HEAD + 'KEYWORD "LUX"\nLUX 3\nINSTRUMNET "S1"\n' + table())
    (warning,) = session.warnings
    assert (warning.line, warning.column) == (9, "instrumnet")
    assert "did you mean 'instrument'?" in warning.do


def test_tables_with_the_same_fields_are_joined_and_others_passed_over():
    lab = table("SAMPLE_ID LAB_L LAB_A LAB_B", ["1 50 0 0"])
    session = read(HEAD + table() + lab + 'DISPLAY "M1"\n' + table(sets=["blue 0 0 255 8 4 42"]))
    assert session.labels == ("white one", "red", "blue")
    (warning,) = session.warnings
    assert "the table with SAMPLE_ID … holds no signals with readings" in warning.what


def test_spectra_with_their_unit():
    fields = " ".join(["RGB_R RGB_G RGB_B", *(f"NM{n}" for n in range(380, 781, 10))])
    session = read(HEAD + "RADIANCE_UNIT W/sr/m2/nm\n" + table(fields, ["255 255 255" + " 0.001" * 41]))
    assert session.spectra.radiance.shape == (1, 41)
    assert "CIE 1931" in session.warnings[0].what


def test_missing_counts_are_told():
    body = "\n".join(line for line in table().split("\n") if not line.startswith("NUMBER_"))
    warnings = read(HEAD + body).warnings
    assert [warning.column for warning in warnings] == ["NUMBER_OF_FIELDS", "NUMBER_OF_SETS"]


def test_published_steps_read_back():
    """SMPTE RP 431-2:2011, Table A.2 (tests/reference/rp431_2_table_a2.csv), as codes and x, y, Y."""
    rows = np.genfromtxt(REFERENCE / "rp431_2_table_a2.csv", delimiter=",", comments="#")
    luminance = rows[:, 4]
    sets = [f"{r:g} {g:g} {b:g} .314 .351 {light!r}" for _, r, g, b, light, *_ in rows.tolist()]
    head = HEAD.replace("255", "4095") + "ENCODING XYZ\n"
    session = read(head + table("RGB_R RGB_G RGB_B XYY_X XYY_Y XYY_CAPY", sets))
    np.testing.assert_allclose(session.xyz[:, 1], luminance, rtol=1e-15)
    np.testing.assert_allclose(session.xyz[:, 0] / session.xyz.sum(axis=1), 0.314, rtol=1e-12)


@pytest.mark.parametrize(
    ("content", "line", "what"),
    [
        (HEAD + table(sets_said=3), 11, "NUMBER_OF_SETS is 3, but there are 2"),
        (HEAD + table(fields_said=8), 7, "NUMBER_OF_FIELDS is 8, but there are 7"),
        (HEAD + table(sets=["white 255 255 255 43.1 48.2", SETS[1]]), 13, "6 cells under 7 columns"),
        (HEAD + table(sets=["white 255 255 255 43.1 48.2 45,9"]), 13, "'45,9' is not a number"),
        (HEAD + table(sets=['"white 255 255 255 43.1 48.2 45.9']), 13, "a quoted string does not end"),
        (HEAD + table().replace("END_DATA\n", ""), 12, "BEGIN_DATA without END_DATA: the file is cut short"),
        (HEAD + table().replace("END_DATA_FORMAT\n", ""), 11, "BEGIN_DATA before END_DATA_FORMAT"),
        (HEAD + "BEGIN_DATA\n1 2\nEND_DATA\n", 7, "BEGIN_DATA without a data format above it"),
        (HEAD + table(FIELDS.replace("XYZ_", "LAB_")), 9, "no table has RGB_R RGB_G RGB_B and XYZ_X"),
        (HEAD + table(FIELDS.replace("XYZ_Y", "XYZ_X")), 9, "no table has RGB_R"),
        (HEAD + table(FIELDS + " RGB_R", [row + " 0" for row in SETS]), 9, "field 'RGB_R' stands twice"),
        (HEAD + table() + table(FIELDS + " NOISE", [row + " 0" for row in SETS]), 18, "two tables hold readings"),
        (HEAD + 'DISPLAY "M2"\n' + table(), 7, "'display' stands on line 3 too"),
        (HEAD.replace("255", "full") + table(), 6, "'full' is not a number"),
        (HEAD + table(sets=["white 255 255 255 43.1 -48.2 45.9"]), 13, "-48.2 is negative"),
    ],
)
def test_what_is_refused_and_where(content, line, what):
    problem = only(content)
    assert what in problem.what
    assert problem.line == line


def test_a_missing_keyword_is_named_as_a_keyword():
    problem = only(HEAD.replace('INSTRUMENT "S1"\n', "") + table())
    assert problem.do == "add a keyword INSTRUMENT above the data"
