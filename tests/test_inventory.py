"""``monitors.csv``: the inventory as a spreadsheet writes it, and what is wrong told with line and way out."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.facility.inventory import read_inventory

FILE = "monitors.csv"
NATIVE = "peak_luminance,black,red_x,red_y,green_x,green_y,blue_x,blue_y"
FIGURES = "320,0.018,0.684,0.314,0.211,0.720,0.149,0.050"


def read(text):
    return read_inventory(text.encode() if isinstance(text, str) else text, FILE)


def refused(text):
    with pytest.raises(InputError) as caught:
        read(text)
    for problem in caught.value.problems:
        assert problem.file == FILE
        assert problem.what
    return caught.value.problems


def only(text):
    problems = refused(text)
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def cell(column, value):
    """Return an inventory of one row with a further column."""
    return f"monitor,room,panel,{column}\nM1,studio-1,LCD,{value}\n"


def facility_problems(folder):
    with pytest.raises(InputError) as caught:
        read_facility(folder)
    return caught.value.problems


def test_every_column_is_read():
    text = (
        "monitor,room,panel,preset,encoding,adjusts,dims,dims_min,hours,hours_date,location,serial,adjusted,note,"
        f"{NATIVE}\n"
        'M1,studio-1,wide-gamut LCD,film,BT.709,white gamma,backlight,0.08,3120,2026-09-01,"desk 3, left",'
        f'S/N 7,2026-06-15,"two\nlines",{FIGURES}\n'
    )
    (monitor,), warnings = read(text)
    assert (monitor.id, monitor.room, monitor.panel, monitor.preset) == (
        "M1",
        "studio-1",
        "wide-gamut LCD",
        "film",
    )
    assert monitor.encoding.name == "BT.709"
    assert monitor.adjusts == ("white", "gamma")
    assert (monitor.dims, monitor.dims_min) == ("backlight", 0.08)
    assert (monitor.hours, monitor.hours_date, monitor.adjusted) == (3120, "2026-09-01", "2026-06-15")
    assert (monitor.location, monitor.serial, monitor.note) == ("desk 3, left", "S/N 7", "two\nlines")
    assert (monitor.native.peak_luminance, monitor.native.black) == (320, 0.018)
    assert (monitor.native.red_xy, monitor.native.blue_xy) == ((0.684, 0.314), (0.149, 0.050))
    assert warnings == []


def test_what_is_not_given_takes_its_default():
    (monitor,), _ = read("monitor,room,panel\nM1,studio-1,OLED\n")
    assert monitor.adjusts == ("luminance", "white", "gamma", "primaries")
    assert (monitor.dims, monitor.dims_min, monitor.preset, monitor.encoding) == ("signal", 0.1, "", None)
    assert (monitor.hours, monitor.native) == (None, None)


@pytest.mark.parametrize("separator", [";", "\t"], ids=["semicolon", "tab"])
def test_a_spreadsheet_with_a_decimal_comma(separator):
    rows = [
        ["monitor", "room", "panel", "dims_min", "hours", *NATIVE.split(",")],
        [
            "M1",
            "studio-1",
            "LCD, wide",
            "0,08",
            "3120,5",
            *(figure.replace(".", ",") for figure in FIGURES.split(",")),
        ],
    ]
    (monitor,), _ = read("\ufeff" + "\r\n".join(separator.join(row) for row in rows) + "\r\n")
    assert (monitor.panel, monitor.dims_min, monitor.hours) == ("LCD, wide", 0.08, 3120.5)
    assert monitor.native.green_xy == (0.211, 0.720)


def test_a_decimal_comma_under_commas_is_refused():
    problem = only(cell("hours", '"3120,5"'))
    assert (problem.line, problem.column) == (2, "hours")
    assert "'3120,5' is not a number; write decimals with a point" in problem.what


def test_a_spreadsheets_empty_rows_and_columns_are_passed_over():
    monitors, warnings = read("monitor,room,panel,,\nM1,studio-1,LCD,,\n,,,,\n\nM2,studio-1,LCD,,\n,,,,\n")
    assert [monitor.id for monitor in monitors] == ["M1", "M2"]
    assert warnings == []


def test_labels_that_table_readers_take_for_nothing_are_text():
    monitors, _ = read("monitor,room,panel,note\nNA,null,nan,None\n007,null,#1,NULL\n")
    assert [monitor.id for monitor in monitors] == ["NA", "007"]
    assert [(monitor.room, monitor.panel, monitor.note) for monitor in monitors] == [
        ("null", "nan", "None"),
        ("null", "#1", "NULL"),
    ]


def test_an_unknown_column_is_a_warning_that_names_it_and_offers_the_nearest():
    monitors, (warning,) = read(cell("seriall", "7"))
    assert len(monitors) == 1
    assert (warning.file, warning.line, warning.column) == (FILE, 1, "seriall")
    assert "column 'seriall' is not known and not used" in warning.what
    assert "did you mean 'serial'?" in warning.do


def test_a_warning_names_the_line_of_the_header_row():
    _, (warning,) = read("\n\n" + cell("seriall", "7"))
    assert warning.line == 3


def test_an_unknown_column_becomes_a_warning_of_the_facility(make_facility):
    monitors = "monitor,room,panel,desk\nM1,studio-1,LCD,4\nM3,studio-2,LCD,5\n"
    (warning,) = read_facility(make_facility(monitors=monitors)).warnings
    assert "'desk'" in warning.what


def test_no_inventory(make_facility):
    (problem,) = facility_problems(make_facility(monitors=None))
    assert problem.file == FILE
    assert "the file is missing" in problem.what
    assert "every facility folder has a monitors.csv" in problem.do


@pytest.mark.parametrize("text", ["", "\n \n", "\ufeff"], ids=["nothing", "blank lines", "mark"])
def test_an_empty_inventory(text):
    problem = only(text)
    assert "the file is empty" in problem.what
    assert "monitor,room,panel" in problem.do


def test_an_inventory_of_quotes():
    assert "monitor" in str(refused('""\n')[0])


def test_no_header_row():
    problems = refused("M1,studio-1,LCD\n")
    assert [(problem.line, problem.column) for problem in problems] == [
        (1, "monitor"),
        (1, "room"),
        (1, "panel"),
    ]
    assert "column 'monitor' is missing" in problems[0].what
    assert "add it to the header row" in problems[0].do


@pytest.mark.parametrize("column", ["monitor", "room", "panel"])
def test_a_needed_column_is_missing(column):
    header = ",".join(name for name in ("monitor", "room", "panel") if name != column)
    problem = only(f"{header}\nM1,studio-1\n")
    assert (problem.line, problem.column) == (1, column)
    assert f"column {column!r} is missing" in problem.what


def test_a_column_twice():
    problem = only("monitor,room,panel,room\nM1,studio-1,LCD,studio-2\n")
    assert (problem.line, problem.column) == (1, "room")
    assert "stands twice" in problem.what
    assert "keep one" in problem.do


def test_a_header_row_alone():
    problem = only("monitor,room,panel\n")
    assert "no monitor is listed" in problem.what
    assert "add a row" in problem.do


@pytest.mark.parametrize("column", ["monitor", "room", "panel"])
def test_an_empty_cell_where_one_is_needed(column):
    cells = {"monitor": "M1", "room": "studio-1", "panel": "LCD"} | {column: " "}
    problem = only(f"monitor,room,panel\n{','.join(cells.values())}\n")
    assert (problem.line, problem.column) == (2, column)
    assert "the cell is empty" in problem.what
    assert "write it out" in problem.do


@pytest.mark.parametrize(("row", "count"), [("M2,studio-1", 2), ("M2,studio-1,LCD,x", 4)])
def test_a_short_or_long_row(row, count):
    problem = only(f"monitor,room,panel\nM1,studio-1,LCD\n{row}\n")
    assert problem.line == 3
    assert f"{count} cells under 3 columns" in problem.what
    assert "one cell a column" in problem.do


@pytest.mark.parametrize(
    ("column", "value", "what", "do"),
    [
        ("hours", "many", "'many' is not a number", ""),
        ("hours", "NaN", "'NaN' is not a number", ""),
        ("hours", "inf", "'inf' is not a number", ""),
        ("hours", "-5", "-5 is out of range", "between 0 and"),
        ("dims_min", "0", "0 is out of range", "between 0.001 and 1"),
        ("dims", "lamp", "'lamp' is not a value of this column", "'backlight'"),
        ("adjusts", "luminance wite", "'wite' is nothing a menu takes", "did you mean 'white'?"),
        ("encoding", "BT709", "'BT709' cannot be read", "did you mean 'BT.709'?"),
        ("hours_date", "last week", "'last week' cannot be read", "YYYY-MM-DD"),
        ("hours_date", "2026-02-30", "'2026-02-30' cannot be read", "YYYY-MM-DD"),
        ("hours_date", "01.09.2026", "'01.09.2026' cannot be read", "YYYY-MM-DD"),
        ("hours_date", "2026-09-01T10:00:00", "cannot be read", "YYYY-MM-DD"),
        ("adjusted", "soon", "'soon' cannot be read", "YYYY-MM-DD"),
        ("preset", "../../x", "'../../x' is no id: it begins with '.'", "1 to 64 letters"),
    ],
)
def test_a_wrong_cell(column, value, what, do):
    problem = only(cell(column, value))
    assert (problem.line, problem.column) == (2, column)
    assert what in problem.what
    assert do in problem.do
    assert problem.do or ";" in problem.what  # the way out stands in one of the two


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("../../x", "begins with '.'"),
        ("=1+1", "begins with '='"),
        ("@x", "begins with '@'"),
        ("con", "is a device name"),
        ("nul.csv", "is a device name"),
        ("M1.", "ends in '.'"),
        ("a/b", "contains '/'"),
        ("e\N{COMBINING ACUTE ACCENT}", "is not in Unicode normal form C"),
        ("x" * 65, "has 65 characters"),
    ],
)
@pytest.mark.parametrize("column", ["monitor", "room"])
def test_what_is_no_id(column, name, fault):
    cells = {"monitor": "M1", "room": "studio-1", "panel": "LCD"} | {column: name}
    problem = only(f"monitor,room,panel\n{','.join(cells.values())}\n")
    assert (problem.line, problem.column) == (2, column)
    assert f"{name!r} is no id: it {fault}" in problem.what
    assert "1 to 64 letters" in problem.do


def test_two_ids_that_differ_by_case():
    problem = only("monitor,room,panel\nM1,studio-1,LCD\nm1,studio-1,LCD\n")
    assert (problem.line, problem.column) == (3, "monitor")
    assert "'m1' differs from 'M1' by case only" in problem.what
    assert "rename one" in problem.do


def test_a_monitor_twice():
    problem = only("monitor,room,panel\nM1,studio-1,LCD\nM2,studio-1,LCD\nM1,studio-1,LCD\n")
    assert (problem.line, problem.column) == (4, "monitor")
    assert "'M1' stands on line 2 too" in problem.what
    assert "keep one row" in problem.do


def test_one_preset_in_two_rooms():
    problem = only("monitor,room,panel,preset\nM1,studio-1,LCD,film\nM1,studio-2,LCD,film\n")
    assert (problem.line, problem.column) == (3, "monitor")
    assert "'M1' preset 'film' stands on line 2 too, in room 'studio-1'" in problem.what
    assert "one preset stands in one room" in problem.what
    assert "name another preset" in problem.do


def test_two_presets_of_one_monitor_are_two_rows():
    monitors, _ = read("monitor,room,panel,preset\nM1,studio-1,LCD,film\nM1,studio-2,LCD,video\nM1,studio-1,LCD,\n")
    assert [(monitor.id, monitor.preset) for monitor in monitors] == [
        ("M1", "film"),
        ("M1", "video"),
        ("M1", ""),
    ]


def test_native_limits_are_given_whole_or_not_at_all():
    problem = only("monitor,room,panel,peak_luminance,black\nM1,studio-1,LCD,320,0.02\n")
    assert (problem.line, problem.column) == (2, "red_x")
    assert "native limits are given in part" in problem.what
    assert "add red_x, red_y, green_x, green_y, blue_x, blue_y, or none" in problem.do


def test_a_black_above_the_peak():
    problem = only(f"monitor,room,panel,{NATIVE}\nM1,studio-1,LCD,{FIGURES.replace('0.018', '400')}\n")
    assert (problem.line, problem.column) == (2, "black")
    assert "400 is not below peak_luminance 320" in problem.what
    assert problem.do


def test_a_chromaticity_out_of_range():
    problem = only(f"monitor,room,panel,{NATIVE}\nM1,studio-1,LCD,{FIGURES.replace('0.684', '684')}\n")
    assert (problem.line, problem.column) == (2, "red_x")
    assert "684 is out of range" in problem.what


def test_every_problem_is_told_at_once():
    problems = refused("monitor,room,panel,hours\nM1,studio-1,,x\nM2,,LCD,1\nM3\n")
    assert [(problem.line, problem.column) for problem in problems] == [
        (2, "panel"),
        (2, "hours"),
        (3, "room"),
        (4, ""),
    ]


def test_an_unclosed_quote():
    problem = only('monitor,room,panel\nM1,studio-1,"LCD\nM2,studio-1,LCD\n')
    assert problem.line == 2
    assert "not RFC 4180" in problem.what
    assert "close every quoted cell" in problem.do


def test_an_unknown_room_offers_the_nearest(make_facility):
    problems = facility_problems(
        make_facility(monitors="monitor,room,panel\nM1,studio-1,LCD\nM2,studoi-1,LCD\nM3,studio-2,LCD\n")
    )
    (problem,) = problems
    assert "no room 'studoi-1'" in problem.what
    assert "did you mean 'studio-1'?" in problem.do
    assert (problem.file, problem.line, problem.column) == (FILE, 3, "room")


def test_a_monitor_and_a_projector_never_share_an_id(make_facility):
    problems = facility_problems(
        make_facility(monitors="monitor,room,panel\nM1,studio-1,LCD\nP1,studio-1,LCD\nM3,studio-2,LCD\n")
    )
    (problem,) = problems
    assert "'P1' is a projector's id too" in problem.what
    assert "rename one" in problem.do
    assert (problem.file, problem.line, problem.column) == (FILE, 3, "monitor")


def test_a_monitor_and_a_projector_whose_ids_differ_by_case(make_facility):
    problems = facility_problems(
        make_facility(monitors="monitor,room,panel\nM1,studio-1,LCD\np1,studio-1,LCD\nM3,studio-2,LCD\n")
    )
    assert "by case only" in problems[0].what


def test_an_inventory_of_garbage_is_refused_before_it_is_read(make_facility):
    root = make_facility(monitors=None)
    with (root / FILE).open("wb") as stream:
        stream.truncate(200_000_000)
    (problem,) = facility_problems(root)
    assert problem.file == FILE
    assert "200,000,000 bytes" in problem.what
    assert problem.do


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.text(alphabet='monitrepal,;\t\n" .1-éM#=', max_size=60).map("monitor,room,panel\nM1,studio-1,LCD\n".__add__)
)
def test_any_rows_are_read_or_refused_in_words_that_name_the_file(text):
    problems = ()
    try:
        monitors, _ = read(text)
    except InputError as error:
        problems = error.problems
    assert {problem.file for problem in problems} <= {FILE}
    assert problems or monitors[0].id == "M1"
