"""``[[formats]]``: any CSV through a column map, and each key of an entry checked at the door."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.facility.patterns import match_path
from matchlib.facility.rooms import Facility, Format, Instrument
from matchlib.readings.archive import Archive
from matchlib.readings.formats.recognise import read_session

FILE = "readings/export/M1_native.csv"
INSTRUMENT = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
KEYS = {"signal_max": "255", "instrument": "S1", "measured": "2026-03-02T10:00:00Z"}
COLUMNS = {"r": "Red", "g": "Green", "b": "Blue", "X": "X", "Y": "Y", "Z": "Z"}
ENTRY = Format("formats.0", "readings/export/{display}_{mode}.csv", COLUMNS, KEYS)
TITLES = "Red,Green,Blue,X,Y,Z"
XYZ = [[43.1, 48.2, 45.9], [20.1, 10.2, 0.3]]
ROWS = ("255,255,255,43.1,48.2,45.9", "255,0,0,20.1,10.2,0.3")


def read(content, file=FILE, **changes):
    facility = Facility(
        Path("small"),
        "small",
        ZoneInfo("UTC"),
        {},
        {},
        {"S1": INSTRUMENT},
        (),
        formats=(replace(ENTRY, **changes),),
    )
    data = content if isinstance(content, bytes) else content.encode()
    return read_session(data, file, facility, STANDARD["P3 DCI"])


def only(content, file=FILE, **changes):
    with pytest.raises(InputError) as caught:
        read(content, file, **changes)
    (problem,) = caught.value.problems
    assert problem.file == file
    return problem


def lines(*rows):
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("content", "changes"),
    [
        (lines(TITLES, *ROWS), {}),
        (b"\xef\xbb\xbf" + lines(TITLES, *ROWS).encode(), {}),
        (lines(TITLES, *ROWS).replace("\n", "\r"), {}),
        (lines(TITLES, *ROWS).replace("\n", "\r\n"), {}),
        (lines(TITLES + ",,", *(row + ",," for row in ROWS)), {}),
        (lines(TITLES, *(row + ",," for row in ROWS), ",,,,,,,"), {}),
        (lines("Report 12", "", "a,b,c", TITLES, ",,,cd/m2,cd/m2,cd/m2", *ROWS), {"header_row": 4, "units_rows": 1}),
        (lines(TITLES, *ROWS).replace(",", ";").replace(".", ","), {"separator": ";", "decimal": ","}),
        (lines(TITLES, *ROWS).replace(",", "\t"), {"separator": "\t"}),
        (lines(TITLES, *ROWS).encode("utf-16"), {"text_encoding": "utf-16"}),
        (lines(TITLES + ",Größe", *(row + ",é" for row in ROWS)).encode("cp1252"), {"text_encoding": "cp1252"}),
        (lines(*ROWS), {"header_row": 0, "columns": {name: place for place, name in enumerate("rgbXYZ", start=1)}}),
        (lines(TITLES.replace("Red", " R  ed "), *ROWS), {"columns": COLUMNS | {"r": "R ed"}}),
        (lines(TITLES, ROWS[0], "1,2,3,NA,NA,NA", ROWS[1]), {"missing": ("NA",)}),
        (lines(TITLES + ",Remark", ROWS[0] + ',"a, b"', ROWS[1] + ","), {}),
        (lines("X,X,Red,Green,Blue,Y,Z", *("9,{3},{0},{1},{2},{4},{5}".format(*row.split(",")) for row in ROWS)),
         {"columns": COLUMNS | {"X": 2}}),
    ],
    ids=["plain", "mark", "CR", "CRLF", "trailing columns", "blank rows", "units row", "semicolons", "tabs", "UTF-16",
         "code page", "no header row", "blanks in titles", "NA", "remarks", "title twice, by number"],
)  # fmt: skip
def test_what_others_write_is_read_to_the_same_numbers(content, changes):
    session = read(content, **changes)
    np.testing.assert_array_equal(session.xyz, XYZ)
    np.testing.assert_array_equal(session.signal, [[1, 1, 1], [1, 0, 0]])
    assert (session.header.display, session.header.mode) == ("M1", "native")


def test_key_lines_above_the_header_row_fill_what_the_entry_leaves_open():
    keys = {"signal_max": "255", "instrument": "S1"}
    content = lines("# measured: 2026-03-02T10:00:00Z", "# Operator: nobody", "# instrument: other", TITLES, *ROWS)
    session = read(content, keys=keys, header_row=4)
    assert session.header.measured == datetime(2026, 3, 2, 10, tzinfo=UTC)
    (warning,) = session.warnings
    assert (warning.line, warning.column) == (3, "instrument")
    assert "formats.0 says 'S1', which is taken" in warning.what


@pytest.mark.parametrize("written", ["2026-03-02T10-00-00Z", "20260302T100000Z", "2026-03-02T10-00-00"])
def test_a_time_in_the_file_s_name_needs_no_colons(written):
    session = read(
        lines(TITLES, *ROWS),
        f"readings/M1 {written}.csv",
        files="readings/{display} {measured}.csv",
        keys={"signal_max": "255", "instrument": "S1"},
    )
    assert session.header.measured == datetime(2026, 3, 2, 10, tzinfo=UTC)


def test_spectra_through_a_title_with_braces():
    titles = ",".join(["Red,Green,Blue", *(f"L {n} nm" for n in range(380, 781, 10))])
    keys = KEYS | {"radiance_unit": "W/sr/m2/nm"}
    columns = {"r": "Red", "g": "Green", "b": "Blue", "nm": "L {} nm"}
    session = read(lines(titles, "255,255,255" + ",0.001" * 41), keys=keys, columns=columns)
    np.testing.assert_array_equal(session.spectra.wavelengths, np.arange(380, 781, 10))


@pytest.mark.parametrize(
    ("content", "changes", "line", "what"),
    [
        (lines(TITLES, ROWS[0], "1,2,3,NA,1,1"), {}, 3, "'NA' is not a number"),
        (lines(TITLES, ",,,cd/m2,cd/m2,cd/m2", *ROWS), {}, 2, ""),
        (lines(TITLES, "1,2,3,4.5,1,1"), {"separator": ";"}, 1, "column 'Red' (formats.0.columns.r) is not there"),
        (
            lines(TITLES.replace(",", ";"), "1;2;3;1.234;1;1"),
            {"separator": ";", "decimal": ","},
            2,
            "'1.234' holds a point, though the decimal mark is a comma",
        ),
        (lines(TITLES, ROWS[0] + ",9"), {}, 2, "7 cells under 6 columns"),
        (lines(TITLES, "255,255,255,43.1,48.2"), {}, 2, "5 cells under 6 columns"),
        (lines(TITLES + ",X", ROWS[0] + ",9"), {}, 1, "column 'X' (formats.0.columns.X) stands twice"),
        (lines("", TITLES, *ROWS), {}, 1, "line 1 is blank, but formats.0.header_row is 1"),
        (lines(TITLES), {}, 1, "no readings follow the header row"),
        (lines(TITLES, *ROWS).encode() + b"\xff", {}, 4, "byte 0xff is not UTF-8 text"),
        (lines(TITLES, "1,2,3,NA,1,1"), {"missing": ("NA",)}, 1, "no readings follow"),
    ],
)
def test_what_is_refused_and_where(content, changes, line, what):
    with pytest.raises(InputError) as caught:
        read(content, **changes)
    problem = caught.value.problems[0]
    assert (problem.file, problem.line) == (FILE, line)
    assert what in problem.what


def test_a_file_shorter_than_its_header_row():
    assert "header_row is 9, but the file has 3 lines" in only(lines(TITLES, *ROWS), header_row=9).what


def test_a_missing_key_names_the_entry():
    problem = only(lines(TITLES, *ROWS), keys={"signal_max": "255", "instrument": "S1"})
    assert "key 'measured' is missing" in problem.what
    assert "to keys of formats.0 in facility.toml" in problem.do


def test_a_name_that_splits_in_two_ways_is_refused():
    problem = only(lines(TITLES, *ROWS), "readings/A_B_C.csv", files="readings/{display}_{preset}.csv")
    assert "in two ways: display 'A_B', preset 'C' or display 'A', preset 'B_C'" in problem.what


def test_patterns():
    assert match_path("readings/**/{display}.csv", "readings/a/b/M1.csv") == [{"display": "M1"}]
    assert match_path("readings/*/{display}.csv", "readings/a/b/M1.csv") == []
    assert match_path("readings/*.txt", "readings/a.txt") == [{}]
    assert match_path("readings/{display}_{mode}.csv", "readings/M_1_calibrated.csv") == [
        {"display": "M_1", "mode": "calibrated"}
    ]
    decomposed = "readings/e\N{COMBINING ACUTE ACCENT}.csv"  # as some file systems hand names out
    assert match_path("readings/{display}.csv", decomposed) == [{"display": "é"}]


GOOD = """
[[formats]]
files = "readings/export/{display}.csv"
columns = {r = "R", g = "G", b = "B", X = "X", Y = "Y", Z = "Z"}
keys = {signal_max = 255, instrument = "S1", measured = 2026-03-02T10:00:00}
"""


def test_the_first_entry_that_fits_counts_before_content(make_facility):
    second = GOOD.replace("255", "1023")
    content = "R,G,B,X,Y,Z\n" + lines(*ROWS)
    root = make_facility(toml_more=GOOD + second, files={"readings/export/M1.csv": "# display: M2\n" + content})
    # "# display: M2" stands on line 1 where the header row is: read by the entry, not by its content
    (entry,) = [e for e in Archive(read_facility(root)).entries if e.file == "readings/export/M1.csv"]
    assert entry.display == "M1"
    assert entry.header.signal_max == 255
    assert entry.header.measured == datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("old", "new", "what", "do"),
    [
        ("readings/export/{display}.csv", "export/{display}.csv", "formats.0.files: 'export/", "readings/"),
        ("{display}", "{dispaly}", "formats.0.files: {dispaly} is no header key", "did you mean 'display'?"),
        ("{display}", "{display}{display}", "formats.0.files: {display} stands twice", "keep one"),
        ("{display}", "{instrument}", "formats.0.keys.instrument: is given by the braces", "keep one"),
        ('r = "R"', 'red = "R"', "formats.0.columns.red: is no column of a session", "'r'"),
        ('r = "R", ', "", "formats.0.columns.r: is missing", "code values"),
        (', Z = "Z"', "", "formats.0.columns: names no readings", "X, Y, Z"),
        ('X = "X"', "X = 0", "formats.0.columns.X: 0 is no column", "number from 1"),
        ('X = "X"', 'X = "Y"', "formats.0.columns.Y: is the same column as X", "each"),
        ("signal_max", "signal_mx", "formats.0.keys.signal_mx: is no header key", "did you mean 'signal_max'?"),
        ("signal_max = 255", "signal_max = [255]", "formats.0.keys.signal_max: [255] is no value", "quotes"),
        ("keys =", "header_row = 0\nkeys =", "formats.0.header_row: is 0, but columns are named", "number"),
        ("keys =", "header_row = 1.5\nkeys =", "formats.0.header_row: 1.5 is no whole number", "count"),
        ("keys =", "header_row = -1\nkeys =", "formats.0.header_row: -1 is out of range", "between"),
        ("keys =", "separator = ':'\nkeys =", "formats.0.separator: ':' is not a value", "';'"),
        ("keys =", "decimal = ','\nkeys =", "formats.0.decimal: is the separator too", "really has"),
        ("keys =", "text_encoding = 'utf8'\nkeys =", "formats.0.text_encoding: 'utf8'", "did you mean 'utf-8'?"),
        ("keys =", "missing = 'NA'\nkeys =", "formats.0.missing: 'NA' is no list of texts", '["NA"'),
        ("keys =", "heading_row = 3\nkeys =", "formats.0.heading_row: is not a key", "did you mean 'header_row'?"),
    ],
)
def test_every_key_of_an_entry_is_checked_with_its_line(make_facility, old, new, what, do):
    changed = GOOD.replace(old, new, 1)
    root = make_facility(toml_more=changed)
    with pytest.raises(InputError) as caught:
        read_facility(root)
    problem = next(p for p in caught.value.problems if what in p.what)
    assert do in problem.do
    key = problem.what.split(":")[0].split(".")[2]
    text = (root / "facility.toml").read_text(encoding="utf-8").split("\n")
    assert text[problem.line - 1].startswith((key, "[[formats]]"))


def test_an_entry_that_reads_no_file_is_told(make_facility):
    content = "R,G,B,X,Y,Z\n" + lines(*ROWS)
    root = make_facility(toml_more=GOOD + GOOD, files={"readings/export/M1.csv": content})
    (warning,) = Archive(read_facility(root)).warnings
    assert warning.file == "facility.toml"
    assert warning.what.startswith("[formats.1] reads no file: every file that fits")
    (warning,) = Archive(read_facility(make_facility(name="none", toml_more=GOOD))).warnings
    assert warning.what == "[formats.0] reads no file: none fits 'readings/export/{display}.csv'"
    aside = '[[set_aside]]\nfile = "readings/export/M1.csv"\nreason = "torn"\n'
    root = make_facility(name="aside", toml_more=GOOD + aside, files={"readings/export/M1.csv": content})
    assert Archive(read_facility(root)).warnings == ()  # what is set aside is a file all the same


def test_a_changed_entry_makes_the_report_stale_that_it_reads(make_facility, tmp_path):
    from matchlib.matching.inputs import read_inputs

    content = "R,G,B,X,Y,Z\n" + lines(*ROWS)
    hashes = set()
    for place, more in enumerate(("", GOOD, GOOD.replace("255", "1023"))):
        files = {"readings/export/M1.csv": content} if more else {}
        root = make_facility(tmp_path / str(place), toml_more=more, files=files)
        hashes.add(read_inputs(read_facility(root), "studio-1", None).hash)
    assert len(hashes) == 3
