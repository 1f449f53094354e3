"""Session files: the syntax to the letter, and what is wrong told with file, line, column and way out."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.quality import check_session
from matchlib.readings.session import average_repeats, missing_from, pair

FILE = "readings/M1.csv"
FACILITY = Facility(
    root=Path("small"),
    name="Small studio (invented)",
    time_zone=ZoneInfo("Europe/London"),
    projectors={},
    rooms={},
    instruments={
        "S1": Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5),
        "C1": Instrument("C1", "colorimeter", 0.04, 0.004, 0.01, contact=True, common_xy=0.0),
    },
    monitors=(),
)
KEYS = {"display": "M1", "measured": "2026-03-02T10:00:00+00:00", "instrument": "S1", "signal_max": "255"}
HEADER = "patch,r,g,b,X,Y,Z"
ROWS = ("white,255,255,255,43.1,48.2,45.9", "red,255,0,0,20.1,10.2,0.3", "black,0,0,0,0.02,0.02,0.03")
FL = 3.4262591  # cd/m² per foot-lambert: 1 fL = 1/π cd/ft², 1 ft = 0.3048 m (NIST SP 811:2008, appendix B.8)


def text(*rows, header=HEADER, before="", **keys):
    """Return a session file; a key of None is left out. Key lines 1 to 4, header line 5, first row line 6."""
    lines = [f"# {key}: {value}" for key, value in (KEYS | keys).items() if value is not None]
    return before + "\n".join([*lines, header, *(rows or ROWS)]) + "\n"


def read(content, file=FILE):
    data = content if isinstance(content, bytes) else content.encode()
    return read_session(data, file, FACILITY, STANDARD["P3 DCI"])


def refused(content):
    """Return the problems for which a file is refused; each of them names the file and is not empty."""
    with pytest.raises(InputError) as caught:
        read(content)
    for problem in caught.value.problems:
        assert problem.file == FILE
        assert problem.what
    return caught.value.problems


def only(content):
    problems = refused(content)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


# --- what is read -------------------------------------------------------------------------------------------


def test_signals_readings_labels_and_keys_are_those_of_the_file():
    session = read(text(hours="1890", note="first: after the lamp", window="10 %"))
    assert session.labels == ("white", "red", "black")
    np.testing.assert_array_equal(session.signal, [[1, 1, 1], [1, 0, 0], [0, 0, 0]])
    np.testing.assert_array_equal(session.xyz[0], [43.1, 48.2, 45.9])
    assert session.header.hours == 1890
    assert session.header.note == "first: after the lamp"
    assert session.header.window == "10 %"
    assert (session.header.mode, session.header.position, session.header.preset) == (
        "calibrated",
        "centre",
        "",
    )
    assert session.encoding == STANDARD["P3 DCI"]
    assert session.warnings == ()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte-order mark"])
def test_line_ends_and_byte_order_mark(end, mark):
    session = read(mark + text().replace("\n", end).encode())
    assert session.header.display == "M1"
    np.testing.assert_array_equal(session.xyz, read(text()).xyz)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_lines_are_counted_alike_under_every_line_end(end):
    problem = only(text(*ROWS, "grey,9,9,9,1,oops,1").replace("\n", end))
    assert (problem.line, problem.column) == (9, "Y")


def test_a_number_sign_line_without_colon_is_a_comment():
    assert read(text(before="# written by hand\n#\n\n")).warnings == ()


def test_a_key_may_stand_close_to_its_sign_and_is_stripped():
    session = read(text(display=None, before="#display:M1\n"))
    assert session.header.display == "M1"


def test_the_key_ends_at_the_first_colon():
    assert read(text(note="12:30: lamp struck # again")).header.note == "12:30: lamp struck # again"


def test_a_key_twice_is_an_error():
    problem = only(text(before="# instrument: C1\n"))
    assert (problem.line, problem.column) == (4, "instrument")
    assert "'instrument' stands on line 1 too" in problem.what
    assert "keep one" in problem.do


def test_two_displays_in_one_file():
    problem = only(text(before="# display: M2\n"))
    assert (problem.line, problem.column) == (2, "display")
    assert "'display' stands on line 1 too" in problem.what
    assert "one file holds one session of one display" in problem.do


def test_an_unknown_key_is_a_warning_that_offers_the_nearest():
    (warning,) = read(text(instrumnet="S1")).warnings
    assert (warning.file, warning.line, warning.column) == (FILE, 5, "instrumnet")
    assert "'instrumnet' is not known and not used" in warning.what
    assert "did you mean 'instrument'?" in warning.do


def test_an_unknown_column_is_a_warning_that_names_it():
    rows = [row + ",7" for row in ROWS]
    (warning,) = read(text(*rows, header=HEADER + ",lux")).warnings
    assert (warning.file, warning.line, warning.column) == (FILE, 5, "lux")
    assert "'lux' is not used" in warning.what


def test_columns_stand_in_any_order():
    session = read(text("45.9,43.1,255,0,48.2,128,a", header="Z,X,r,b,Y,g,patch"))
    np.testing.assert_array_equal(session.xyz, [[43.1, 48.2, 45.9]])
    np.testing.assert_allclose(session.signal, [[1, 128 / 255, 0]], rtol=0, atol=1e-15)
    assert session.labels == ("a",)


def test_small_y_is_chromaticity_and_capital_y_luminance():
    session = read(text("255,255,255,0.3127,0.3290,100", header="r,g,b,x,y,Y"))
    # CIE 015:2018, table of illuminants: D65, Y = 100, is X 95.04, Z 108.88; from rounded x, y 95.05, 108.91.
    np.testing.assert_allclose(session.xyz, [[95.0456, 100, 108.9058]], rtol=0, atol=1e-4)


def test_chromaticities_beside_x_y_z_are_not_used_and_that_is_said():
    session = read(text("255,255,255,1,2,3,0.3,0.3", header="r,g,b,X,Y,Z,x,y"))
    np.testing.assert_array_equal(session.xyz, [[1, 2, 3]])
    assert [warning.column for warning in session.warnings] == ["x", "y"]


def test_a_dark_reading_without_chromaticity_is_black():
    session = read(text("0,0,0,0,0,0", "255,255,255,0.3,0.3,50", header="r,g,b,x,y,Y"))
    np.testing.assert_array_equal(session.xyz[0], [0, 0, 0])


def test_labels_are_text():
    labels = ["red #2", "NA", "null", "#1", "007", "nan"]
    rows = [f"{label},{place},0,0,1,1,1" for place, label in enumerate(labels)]
    assert read(text(*rows)).labels == tuple(labels)


def test_quoted_cells_hold_commas_doubled_quotes_and_new_lines():
    session = read(text('"grey, ""dark""",9,9,9,1,1,1', '"two\nlines",8,8,8,1,1,1', '"255",255,255,255,"43.1",1,1'))
    assert session.labels == ('grey, "dark"', "two\nlines", "255")
    assert session.xyz[2, 0] == 43.1


def test_lines_are_counted_past_a_quoted_new_line():
    problem = only(text('"two\nlines",8,8,8,1,1,1', "grey,9,9,9,x,1,1"))
    assert (problem.line, problem.column) == (8, "X")


def test_an_unclosed_quote_is_refused_where_its_row_begins():
    problem = only(text(ROWS[0], '"grey,9,9,9,1,1,1', ROWS[1]))
    assert problem.line == 7
    assert "not RFC 4180" in problem.what
    assert "close every quoted cell" in problem.do


def test_blank_lines_in_the_table_are_skipped_and_counted():
    problem = only(text(ROWS[0], "", "grey,9,9,9,x,1,1"))
    assert problem.line == 8


def test_foot_lamberts_scale_x_y_z():
    session = read(text(luminance_unit="fL"))
    np.testing.assert_allclose(session.xyz[0], [43.1 * FL, 48.2 * FL, 45.9 * FL], rtol=1e-12)


def test_foot_lamberts_leave_chromaticities_as_they_are():
    session = read(text("255,255,255,0.314,0.351,14", header="r,g,b,x,y,Y", luminance_unit="fL"))
    xyz = session.xyz[0]
    # SMPTE RP 431-2: the reference white, 48 cd/m² (14 fL), of chromaticity .314 .351.
    assert xyz[1] == pytest.approx(14 * FL, rel=1e-12)
    assert xyz[1] == pytest.approx(48, abs=0.05)
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), [0.314, 0.351], rtol=0, atol=1e-12)


@pytest.mark.parametrize("unit", ["cd/m2", "cd/m²"])
def test_the_unit_may_be_stated(unit):
    assert read(text(luminance_unit=unit)).xyz[0, 1] == 48.2


def test_signal_min_is_the_code_of_zero_signal():
    session = read(text("a,64,502,940,1,1,1", signal_max="940", signal_min="64"))
    np.testing.assert_array_equal(session.signal, [[0, 0.5, 1]])
    assert session.in_range.all()


def test_codes_outside_black_to_white_are_read_marked_warned_and_not_fitted():
    rows = [
        "a,64,64,64,0.1,0.1,0.1",
        "under,4,4,4,0.1,0.1,0.1",
        "over,1019,1019,1019,60,60,60",
        "w,940,940,940,9,9,9",
    ]
    session = read(text(*rows, signal_max="940", signal_min="64"))
    np.testing.assert_array_equal(session.in_range, [True, False, False, True])
    assert session.xyz[2, 1] == 60
    (warning,) = session.warnings
    assert (warning.file, warning.line, warning.column) == (FILE, 8, "r")
    assert "code 4 is outside 64 to 940: 2 such rows read, not fitted" in warning.what
    assert warning.do
    assert average_repeats(session).labels == (("a",), ("w",))


@pytest.mark.parametrize("top", ["1", "255", "1023", "4095", "65535"])
def test_the_code_of_full_signal_is_full_signal(top):
    session = read(text(f"w,{top},0,{top},1,1,1", signal_max=top))
    np.testing.assert_array_equal(session.signal, [[1, 0, 1]])


def test_a_slightly_negative_dark_stays_as_it_is():
    session = read(text("black,0,0,0,-0.004,-0.0031,0.002"))
    np.testing.assert_array_equal(session.xyz, [[-0.004, -0.0031, 0.002]])


def test_the_readings_cannot_be_written_to():
    session = read(text())
    with pytest.raises(ValueError, match="read-only"):
        session.xyz[0, 0] = 1.0


@pytest.mark.parametrize(
    ("instrument", "keys", "included"),
    [
        ("S1", {}, True),
        ("C1", {}, False),
        ("C1", {"veil": "included"}, True),
        ("S1", {"veil": "excluded"}, False),
    ],
)
def test_room_light_is_in_the_readings_unless_the_instrument_touches_the_screen(instrument, keys, included):
    assert read(text(instrument=instrument, **keys)).header.veil_included is included


@pytest.mark.parametrize(
    ("written", "instant"),
    [
        ("2026-10-02T09:40:00+01:00", datetime(2026, 10, 2, 8, 40, tzinfo=UTC)),
        ("2026-10-02T09:40:00Z", datetime(2026, 10, 2, 9, 40, tzinfo=UTC)),
        ("2026-10-02t09:40:00z", datetime(2026, 10, 2, 9, 40, tzinfo=UTC)),
        ("2026-10-02 09:40:00.25-05:30", datetime(2026, 10, 2, 15, 10, 0, 250000, tzinfo=UTC)),
        ("2026-07-02T09:40:00", datetime(2026, 7, 2, 8, 40, tzinfo=UTC)),  # London in summer: UTC+1
        ("2026-12-02T09:40:00", datetime(2026, 12, 2, 9, 40, tzinfo=UTC)),
    ],
)
def test_times_with_offset_and_times_of_the_facility(written, instant):
    measured = read(text(measured=written)).header.measured
    assert measured == instant
    assert measured.utcoffset() is not None


@pytest.mark.parametrize(
    ("mode", "position"), [("native", "top left"), ("calibrated", "right"), ("calibrated", "bottom right")]
)
def test_mode_and_position(mode, position):
    header = read(text(mode=mode, position=position)).header
    assert (header.mode, header.position) == (mode, position)


# --- repeats and pairing ------------------------------------------------------------------------------------


def test_repeats_are_averaged_in_xyz_and_their_scatter_is_kept():
    patches = average_repeats(
        read(
            text(
                "w,255,255,255,40,48,45",
                "grey,9,9,9,1,1,1",
                "w,255,255,255,42,50,46",
                "w2,255,255,255,44,52,47",
            )
        )
    )
    np.testing.assert_allclose(patches.xyz, [[42, 50, 46], [1, 1, 1]], rtol=1e-15)
    np.testing.assert_allclose(patches.scatter, [[2, 2, 1], [np.nan] * 3], rtol=1e-15)
    np.testing.assert_array_equal(patches.count, [3, 1])
    assert patches.labels == (("w", "w2"), ("grey",))


def test_repeats_given_as_chromaticities_are_averaged_in_xyz():
    rows = ["255,0,0,0.6,0.3,10", "255,0,0,0.2,0.6,10"]
    patches = average_repeats(read(text(*rows, header="r,g,b,x,y,Y")))
    np.testing.assert_allclose(patches.xyz, [[(20 + 10 / 3) / 2, 10, (10 / 3 + 10 / 3) / 2]], rtol=1e-12)


def test_one_label_with_two_signals_is_an_error():
    problem = only(text("grey,9,9,9,1,1,1", "white,255,255,255,9,9,9", "grey,10,10,10,1,1,1"))
    assert (problem.line, problem.column) == (8, "patch")
    assert "label 'grey' has another signal on line 6" in problem.what
    assert "give each signal its own label" in problem.do


def _session(rows, header, **keys):
    return read(text(*rows, header=header, **keys))


def test_pairing_is_by_label_where_both_files_have_labels():
    one = _session(["a,10,10,10,1,1,1", "b,20,20,20,2,2,2", "only here,30,0,0,1,1,1"], HEADER)
    two = _session(["b,99,99,99,2,2,2", "a,98,98,98,1,1,1"], HEADER)
    assert pair(one, two) == [(0, 1, "a"), (1, 0, "b")]


def test_without_labels_pairing_is_by_signal():
    one = _session(["a,10,10,10,1,1,1", "b,20,20,20,2,2,2"], HEADER)
    two = _session(["20,20,20,2,2,2", "30,30,30,3,3,3"], "r,g,b,X,Y,Z")
    assert pair(one, two) == [(1, 0, "b")]


def test_signals_pair_within_two_parts_in_ten_thousand_at_least():
    # The open measurements of a first room hold both .0666667 and .066667 for one patch.
    one = _session([".0666667,0,0,1,1,1", ".5,.5,.5,1,1,1"], "r,g,b,X,Y,Z", signal_max="1")
    two = _session([".066667,0,0,1,1,1", ".50021,.5,.5,1,1,1"], "r,g,b,X,Y,Z", signal_max="1")
    assert [(here, there) for here, there, _ in pair(one, two)] == [(0, 0)]


# 128/255 = .50196 and half a step of 255 is .00196: 515/1023 = .50342 lies within, 516/1023 = .50440 not.
@pytest.mark.parametrize(("code", "pairs"), [("515", 1), ("516", 0)])
def test_signals_pair_within_half_a_step_of_the_coarser_range(code, pairs):
    one = _session(["128,0,0,1,1,1"], "r,g,b,X,Y,Z")
    two = _session([f"{code},0,0,1,1,1"], "r,g,b,X,Y,Z", signal_max="1023")
    assert len(pair(one, two)) == pairs
    assert len(pair(two, one)) == pairs


def test_under_two_encodings_only_labels_pair():
    bare = ["255,0,0,1,1,1"]
    one, two = _session(bare, "r,g,b,X,Y,Z"), _session(bare, "r,g,b,X,Y,Z", encoding="BT.709")
    assert pair(one, two) == []
    assert len(pair(one, one)) == 1
    labelled = ["red,255,0,0,1,1,1"]
    assert pair(_session(labelled, HEADER), _session(labelled, HEADER, encoding="BT.709")) == [(0, 0, "red")]


# --- what is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\n\n \n"], ids=["nothing", "mark", "blank lines"])
def test_an_empty_file(content):
    problem = only(content)
    assert "the file is empty" in problem.what
    assert "# display:" in problem.do


def test_key_lines_without_a_table():
    problem = only("# display: M1\n# measured: 2026-03-02T10:00:00\n")
    assert "no header row follows the key lines" in problem.what
    assert problem.do


@pytest.mark.parametrize("header", ['""', '" "', "','"], ids=["quoted nothing", "quoted space", "comma"])
def test_a_table_of_nothing(header):
    assert "no header row" in only(text("", header=header)).what


def test_readings_without_a_header_row():
    problem = only(text(*ROWS[1:], header=ROWS[0]))
    assert problem.line == 5
    assert "no header row: it needs the columns r, g, b and X, Y, Z" in problem.what
    assert "write it above the readings" in problem.do


def test_a_header_row_without_readings():
    problem = only(text("", header=HEADER))
    assert "no readings follow the header row" in problem.what
    assert problem.do


@pytest.mark.parametrize("column", ["r", "g", "b", "X", "Y", "Z"])
def test_a_needed_column_is_missing(column):
    problem = only(text(header=HEADER.replace(f",{column}", f",{column}?")))
    assert (problem.line, problem.column) == (5, column)
    assert f"column {column!r} is missing" in problem.what
    assert "X, Y, Z or x, y, Y" in problem.do


def test_capital_and_small_letters_differ():
    problems = refused(text(header="patch,R,G,B,X,Y,Z"))
    assert [(problem.line, problem.column) for problem in problems] == [(5, "r"), (5, "g"), (5, "b")]


def test_a_column_twice():
    problem = only(text(*(row + ",1" for row in ROWS), header=HEADER + ",X"))
    assert (problem.line, problem.column) == (5, "X")
    assert "stands twice" in problem.what
    assert "keep one" in problem.do


@pytest.mark.parametrize(
    ("cell", "wording"),
    [
        ("oops", "'oops' is not a number; write a plain decimal number"),
        ("NaN", "'NaN' is not a number"),
        ("inf", "'inf' is not a number"),
        ("1e999", "'1e999' is not a finite number"),
        ("", "the cell is empty; write the reading, or remove the row"),
        ('"43,1"', "'43,1' is not a number; write decimals with a point"),
    ],
)
@pytest.mark.parametrize("column", ["r", "b", "X", "Z"])
def test_what_is_no_number_where_a_number_belongs(cell, wording, column):
    cells = ROWS[1].split(",")
    cells[HEADER.split(",").index(column)] = cell
    problem = only(text(ROWS[0], ",".join(cells)))
    assert (problem.line, problem.column) == (7, column)
    assert wording in str(problem)


def test_every_bad_cell_is_told_at_once():
    problems = refused(text("a,1,1,x,1,1,1", "b,2,2,2,,1,1"))
    assert [(problem.line, problem.column) for problem in problems] == [(6, "b"), (7, "X")]


def test_an_empty_label():
    problem = only(text(",9,9,9,1,1,1"))
    assert (problem.line, problem.column) == (6, "patch")
    assert "the cell is empty" in problem.what
    assert "name the patch" in problem.do


@pytest.mark.parametrize(
    ("row", "count"), [("a,9,9,9,1,1", "6 cells"), ("a,9,9,9,1,1,1,1", "8 cells"), ("a", "1 cell")]
)
def test_a_short_or_long_row(row, count):
    problem = only(text(ROWS[0], row))
    assert problem.line == 7
    assert f"{count} under 7 columns" in problem.what
    assert "one cell a column" in problem.do


def test_a_comment_below_the_header_row_has_no_meaning():
    problem = only(text(ROWS[0], "# lamp struck again"))
    assert problem.line == 7
    assert "comments stand above the header row" in problem.do


def test_a_negative_reading_beyond_the_floor():
    problem = only(text(ROWS[0], "black,0,0,0,0.1,-0.5,0.1"))
    assert (problem.line, problem.column) == (7, "Y")
    assert "-0.5 is negative beyond the instrument's floor of 0.01 cd/m²" in problem.what
    assert "set the file aside" in problem.do


def test_a_problem_names_a_column_that_the_file_has():
    header = "r,g,b,x,y,Y"
    problem = only(text("255,255,255,0.7,0.5,40", header=header))  # x + y > 1: no light has that chromaticity
    assert problem.line == 6
    assert problem.column in header.split(",")


@pytest.mark.parametrize("y", ["0", "-0.1"])
def test_a_chromaticity_that_no_light_has(y):
    problem = only(text(f"255,255,255,0.3,{y},40", header="r,g,b,x,y,Y"))
    assert (problem.line, problem.column) == (6, "y")
    assert "no light has that chromaticity" in problem.what
    assert problem.do


@pytest.mark.parametrize(
    ("row", "header", "column"),
    [
        ("255,255,255,0.3,1e-300,1e12", "r,g,b,x,y,Y", "y"),
        ("255,255,255,1e299,1e299,1e299", "r,g,b,X,Y,Z", "X"),
    ],
    ids=["x, y, Y that overflow", "X, Y, Z that no light has"],
)
def test_readings_so_large_that_sums_overflow_are_refused(row, header, column):
    problem = only(text(row, row, header=header))
    assert (problem.line, problem.column) == (6, column)


@pytest.mark.parametrize(
    ("top", "code"),
    [("255", "256"), ("255", "4095"), ("1023", "1024"), ("1", "255"), ("1", "1.2"), ("255", "-1")],
)
def test_a_code_that_signal_max_does_not_allow(top, code):
    problem = only(text(f"w,0,{code},0,1,1,1", signal_max=top))
    assert (problem.line, problem.column) == (6, "g")
    assert f"code {float(code):g} is" in problem.what
    assert f"what signal_max {top} allows" in problem.what
    assert "correct signal_max" in problem.do


@pytest.mark.parametrize("key", ["display", "measured", "instrument", "signal_max"])
def test_a_required_key_is_missing_or_empty(key):
    missing = only(text(**{key: None}))
    assert f"key {key!r} is missing" in missing.what
    assert f"# {key}: " in missing.do
    empty = only(text(**{key: ""}))
    assert (empty.line, empty.column) == (list(KEYS).index(key) + 1, key)
    assert f"key {key!r} is empty" in empty.what
    assert "after the colon" in empty.do


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-02",
        "yesterday",
        "02.03.2026 10:00:00",
        "2026-13-02T10:00:00",
        "2026-02-30T10:00:00",
        "2026-03-02T25:00:00",
        "2026-03-02T10:00",
        "20260302T100000",
        "2026-03-02T10:00:00+1",
        "2026-03-02T10:00:00 # British time",
    ],
)
def test_a_measured_that_is_no_date_and_time(written):
    problem = only(text(measured=written))
    assert (problem.line, problem.column) == (2, "measured")
    assert f"{written!r} is no date and time" in problem.what
    assert "RFC 3339" in problem.do


@pytest.mark.parametrize(
    ("key", "value", "what", "do"),
    [
        ("instrument", "S2", "no instrument 'S2'", "'S1', 'C1'"),
        ("mode", "calibrate", "'calibrate' is not a value of 'mode'", "did you mean 'calibrated'?"),
        ("position", "center", "'center' is not a value of 'position'", "did you mean 'centre'?"),
        ("veil", "yes", "'yes' is not a value of 'veil'", "'included'"),
        ("encoding", "P3-DCI", "'P3-DCI' is no encoding that is known", "did you mean 'P3 DCI'?"),
        ("luminance_unit", "nit", "'nit' is no luminance unit", "write cd/m2 or fL"),
        ("hours", "many", "'many' is not a number", "plain decimal number"),
        ("hours", "", "key 'hours' is empty", "take the line out"),
        ("signal_max", "full", "'full' is not a number", "plain decimal number"),
        ("signal_max", "0", "0 is no code of full signal", "255"),
        ("signal_max", "-255", "-255 is no code of full signal", "255"),
        ("signal_min", "300", "300 is not between 0 and signal_max 255", "code of zero signal"),
        ("preset", "../../x", "'../../x' is no id: it begins with '.'", "1 to 64 letters"),
    ],
)
def test_a_key_with_a_wrong_value(key, value, what, do):
    problem = only(text(**{key: value}))
    line = [*KEYS, key].index(key) + 1
    assert (problem.line, problem.column) == (line, key)
    assert what in problem.what
    assert do in problem.do


def test_spectra_need_their_unit():
    problem = only(text("255,255,255,1,2", header="r,g,b,nm380,nm385"))
    assert (problem.line, problem.column) == (5, "nm380")
    assert "per nm or per band is never guessed" in problem.what
    assert "declare radiance_unit" in problem.do


def test_binary_bytes_are_no_text():
    problem = only(text().encode() + b"\xff\xfe\n")
    assert problem.line == 9
    assert "not UTF-8" in problem.what
    assert "set it aside" in problem.do


# --- what a session lacks, and what cannot be believed ------------------------------------------------------


def test_a_session_without_white_is_not_complete(session_text):
    content = session_text("M1")
    assert missing_from(average_repeats(read(content))) == []
    without = "\n".join(line for line in content.split("\n") if not line.startswith("white,"))
    assert missing_from(average_repeats(read(without))) == ["white"]


def test_too_few_steps_are_not_complete(session_text):
    (lack,) = missing_from(average_repeats(read(session_text("M1", steps=4))))
    assert "five steps a channel or five greys (it has 4 and 4)" in lack


@pytest.mark.parametrize("keep", ["greys", "ramps"])
def test_five_greys_or_five_steps_a_channel_are_enough(session_text, keep):
    header, *rows = session_text("M1", steps=5).split("patch,r,g,b,X,Y,Z\n")[1].strip().split("\n")
    ends = ("white,", "red,", "green,", "blue,")
    grey = [row for row in (header, *rows) if row.startswith(("grey", *ends))]
    ramp = [row for row in (header, *rows) if row.startswith(("R ", *ends))]
    session = read(text(*{"greys": grey, "ramps": ramp}[keep], signal_max="4095"))
    assert missing_from(average_repeats(session)) == []


def test_readings_that_are_all_alike_are_refused():
    rows = [f"p{n},{n},{n},{n},43.1,48.2,45.9" for n in (0, 50, 100, 150, 200, 255)]
    with pytest.raises(InputError) as caught:
        check_session(read(text(*rows)))
    (problem,) = caught.value.problems
    assert problem.file == FILE
    assert "all readings are alike" in problem.what
    assert "48.2" in problem.what
    assert "measure the display again, or set the file aside" in problem.do


def test_black_as_bright_as_white_and_a_primary_without_light_are_refused(session_text, displays):
    with pytest.raises(InputError, match=r"black reads .* white"):
        check_session(read(text("white,255,255,255,43,48,45", "black,0,0,0,43,30,45")))
    with pytest.raises(InputError, match=r"full red reads .* no more than black"):
        check_session(read(text("white,255,255,255,43,48,45", "black,0,0,0,1,1,1", "red,255,0,0,1,0.9,1")))
    check_session(read(session_text("M1", shows=replace(displays["M1"], black=0.5))))


# --- whatever is written, the answer is a session or words --------------------------------------------------

GOOD = (
    "# display: M1\n# measured: 2026-10-02T09:40:00+01:00\n# instrument: S1\n# hours: 1890\n"
    "# signal_max: 940\n# signal_min: 64\n# luminance_unit: fL\n# note: a: b\npatch,r,g,b,X,Y,Z\n"
    'white,940,940,940,43.1,48.2,45.9\n"red, #2",940,64,64,20.1,10.2,0.3\ngreen,64,940,64,12,30,3\n'
    "blue,64,64,940,8,4,42\nblack,64,64,64,0.02,0.02,0.03\ngrey,502,502,502,7,8,8\ngrey,502,502,502,7,8,8.1\n"
)
_TABLE = GOOD.index("patch,")
GOOD_XYY = GOOD[:_TABLE] + (
    "patch,r,g,b,x,y,Y\nwhite,940,940,940,.314,.351,14\nred,940,64,64,.68,.32,3.1\ngreen,64,940,64,.265,.69,10\n"
    "blue,64,64,940,.15,.06,1.1\nblack,64,64,64,.31,.33,0.01\ngrey,502,502,502,.31,.35,2\n"
    "grey,502,502,502,.31,.35,2.02\n"
)
_BYTES = st.sampled_from(
    [b"\0", b"\xff", b'"', b",", b"\n", b"\r", b"#", b":", b"-", b"9", b"\xc3", b";", b"\t", b" "]
)
_CELLS = st.sampled_from(
    [
        "",
        "nan",
        "-1",
        "1e308",
        "1e299",
        "1e-320",
        "-0.005",
        "é",
        '"',
        "940.5",
        "1024",
        "x" * 40,
        "0",
        "1,1",
        "\u2028",
    ]
)
_VALUES = st.sampled_from(
    [
        *("", "M1", "native", "XYZ", "BT.709", "PQ", "C1", "excluded", "../x", "top left", "=1+1"),
        *("2026-10-02", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59"),
        *("1", "1e300", "255", "nan", "\N{ARABIC-INDIC DIGIT TWO}"),
    ]
)


def _drop(lines, place, _draw):
    del lines[place]


def _double(lines, place, _draw):
    lines.insert(place, lines[place])


def _swap(lines, place, draw):
    other = draw(st.integers(0, len(lines) - 1))
    lines[place], lines[other] = lines[other], lines[place]


def _change_cell(lines, place, draw):
    cells = lines[place].split(",")
    cells[draw(st.integers(0, len(cells) - 1))] = draw(_CELLS)
    lines[place] = ",".join(cells)


def _change_value(lines, place, draw):
    lines[place] = lines[place].partition(":")[0] + ": " + draw(_VALUES)


def _drop_column(lines, _place, draw):
    column = draw(st.integers(0, 6))
    lines[:] = [",".join(cell for n, cell in enumerate(line.split(",")) if n != column) for line in lines]


def _cut(lines, place, _draw):
    lines[place] = lines[place][: len(lines[place]) // 2]


@st.composite
def mutated(draw):
    """Return the bytes of a good session file after one to four changes of bytes, lines, cells and keys."""
    content = draw(st.sampled_from([GOOD, GOOD_XYY]))
    changes = st.sampled_from([_change_cell, _change_cell, _change_value, _double, _swap, _drop, _drop_column, _cut])
    for _ in range(draw(st.integers(1, 3))):
        lines = content.split("\n")
        change, place = draw(changes), draw(st.sampled_from(range(len(lines))))
        while change is _change_cell and place < len(lines) - 1 and lines[place].startswith("#"):
            place += 1
        change(lines, place, draw)
        content = "\n".join(lines)
    data = content.encode()
    if draw(st.sampled_from([False, False, True])):
        place = draw(st.sampled_from(range(len(data) + 1)))
        data = data[:place] + draw(_BYTES) + data[place + draw(st.integers(0, 3)) :]
    return data


@pytest.mark.parametrize("content", [GOOD, GOOD_XYY], ids=["X, Y, Z", "x, y, Y"])
def test_what_is_mutated_below_is_good(content):
    session = read(content)
    check_session(session)
    assert session.warnings == ()
    assert len(average_repeats(session).xyz) == 6


@settings(max_examples=1500, deadline=None, derandomize=True)
@given(mutated())
def test_a_mutated_file_is_read_or_refused_in_words_that_name_it(data):
    problems = None
    try:
        session = read(data)
        check_session(session)
        missing_from(average_repeats(session))
        pair(session, session)
    except InputError as error:
        problems = error.problems
    if problems is not None:
        assert {problem.file for problem in problems} == {FILE}
        assert all(problem.what for problem in problems)
    else:
        assert np.isfinite(session.xyz).all()
        assert np.isfinite(session.signal).all()
        assert session.header.measured.tzinfo is not None
        assert len(session.labels) in (0, len(session.xyz))


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_garbage_is_refused_in_words_that_name_it(data):
    with pytest.raises(InputError) as caught:
        read(data)
    assert {problem.file for problem in caught.value.problems} == {FILE}


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1, max_size=20))
def test_any_label_survives_being_quoted(label):
    quoted = '"' + label.replace('"', '""') + '"'
    if label.strip():
        assert read(text(f"{quoted},9,9,9,1,1,1")).labels == (label.strip(),)
    else:
        assert "the cell is empty" in only(text(f"{quoted},9,9,9,1,1,1")).what


@pytest.mark.parametrize("written", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_a_date_at_the_edge_of_the_calendar_is_refused_or_can_be_told_in_the_time_zone(written):
    problems = ()
    try:
        measured = read(text(measured=written)).header.measured
    except InputError as error:
        problems = error.problems
    if problems:
        assert [problem.column for problem in problems] == ["measured"]
    else:
        assert measured.astimezone(FACILITY.time_zone) == measured
