"""The error family: wording of a problem, pickling, nearest names; numbers and rows of text files."""

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matchlib.errors import InputError, MatchlibError, Problem, ReportError, nearest
from matchlib.text import decode, number, rows


def test_a_problem_tells_file_line_column_what_and_the_way_out():
    problem = Problem("'12,5' is not a number", "write decimals with a point", "readings/M1.csv", 9, "X")
    assert str(problem) == ("readings/M1.csv, line 9, column X: '12,5' is not a number; write decimals with a point")


def test_a_problem_leaves_out_what_there_is_not():
    assert str(Problem("no folder 'x'")) == "no folder 'x'"
    assert str(Problem("the file is missing", file="monitors.csv")) == "monitors.csv: the file is missing"


def test_an_input_error_carries_every_problem_and_pickles():
    problems = (Problem("one", "do", "a.csv", 1, "r"), Problem("two"))
    copy = pickle.loads(pickle.dumps(InputError(problems)))  # noqa: S301 (our own bytes)
    assert type(copy) is InputError
    assert copy.problems == problems
    assert str(copy) == "a.csv, line 1, column r: one; do\ntwo"


def test_report_errors_pickle():
    copy = pickle.loads(pickle.dumps(ReportError("the disk is full; free some")))  # noqa: S301 (our own bytes)
    assert type(copy) is ReportError
    assert str(copy) == "the disk is full; free some"


def test_one_family_that_subclasses_the_builtins():
    assert issubclass(InputError, MatchlibError)
    assert issubclass(InputError, ValueError)
    assert issubclass(ReportError, MatchlibError)
    assert issubclass(ReportError, RuntimeError)
    assert InputError(Problem("one")).problems == (Problem("one"),)


def test_nearest_offers_the_nearest_or_lists_what_there_is():
    assert nearest("studoi-1", ["studio-1", "annex"]) == "did you mean 'studio-1'?"
    assert nearest("zzz", ["studio-1", "annex"]) == "known: 'studio-1', 'annex'"
    assert nearest("zzz", []) == "none is known"
    assert nearest("zzz", [f"room-{n}" for n in range(13)]).endswith("'room-11', …")


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300))
def test_number_gives_back_every_float_that_was_written(value):
    assert number(repr(value)) == value
    assert number(f"  {value!r} ") == value
    assert number(repr(value).replace(".", ","), ",") == value


@given(st.text(max_size=12))
def test_number_returns_a_finite_number_or_says_what_is_wrong(text):
    wording = ""
    try:
        value = number(text)
    except ValueError as error:
        wording = str(error)
    if wording:
        assert "is not a" in wording or "the cell is empty" in wording
    else:
        assert value == float(text)
        assert abs(value) <= 1e300


@pytest.mark.parametrize(
    ("cell", "wording"),
    [
        ("", "the cell is empty; write the reading"),
        ("  ", "the cell is empty"),
        ("abc", "'abc' is not a number; write a plain decimal number"),
        ("nan", "'nan' is not a number"),
        ("NaN", "'NaN' is not a number"),
        ("inf", "'inf' is not a number"),
        ("-Infinity", "'-Infinity' is not a number"),
        ("1e999", "'1e999' is not a finite number"),
        ("1,5", "'1,5' is not a number; write decimals with a point"),
        ("1_000", "'1_000' is not a number"),
        ("1.2.3", "'1.2.3' is not a number"),
        ("\N{FULLWIDTH DIGIT ONE}", "is not a number"),
        ("0x10", "'0x10' is not a number"),
        ("--1", "'--1' is not a number"),
    ],
)
def test_what_is_no_number_is_refused_in_words(cell, wording):
    with pytest.raises(ValueError) as caught:
        number(cell)
    assert wording in str(caught.value)


def test_a_decimal_comma_is_read_only_where_it_is_expected():
    assert number("0,0125", ",") == 0.0125
    assert number("0.0125", ",") == 0.0125
    with pytest.raises(ValueError, match="not a number"):
        number("1.234,5", ",")


def test_bytes_that_are_not_utf_8_are_refused_with_their_line():
    with pytest.raises(InputError) as caught:
        decode(b"one\r\ntwo\rM\xfcller\n", "a.csv")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("a.csv", 3)
    assert "byte 0xfc is not UTF-8" in problem.what
    assert "save the file as UTF-8" in problem.do


def test_control_characters_are_refused_with_line_and_column():
    with pytest.raises(InputError) as caught:
        decode(b"one\nab\x07c\n", "a.csv")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.column) == ("a.csv", 2, "3")
    assert "control character U+0007" in problem.what
    assert problem.do


def test_byte_order_mark_and_all_line_ends_are_read():
    assert decode(b"\xef\xbb\xbfa\r\nb\rc\nd", "a.csv") == "a\nb\nc\nd"


def test_rows_keep_the_line_on_which_each_begins():
    found = list(rows(['a,"b', 'c"', "", "d,e"], 7, "a.csv"))
    assert [(row.line, row.cells) for row in found] == [(7, ("a", "b\nc")), (10, ("d", "e"))]


@pytest.mark.parametrize(
    ("lines", "line"),
    [(["a,b", 'c,"d', "e,f"], 2), (["a,b", 'c,"d"x'], 2), (["a,b", "", 'c,"d'], 3)],
    ids=["unclosed", "text after a quote", "after a blank line"],
)
def test_quotes_that_do_not_pair_are_refused_on_the_line_where_the_row_begins(lines, line):
    with pytest.raises(InputError) as caught:
        list(rows(lines, 1, "a.csv"))
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("a.csv", line)
    assert "not RFC 4180" in problem.what
    assert "close every quoted cell" in problem.do
