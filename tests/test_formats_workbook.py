"""``.xlsx``: the rows of a session on the first sheet; what is wrong told with the cell's address."""

import io
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pytest

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.readings.formats import workbook
from matchlib.readings.formats.recognise import read_session

FILE = "readings/M1.xlsx"
INSTRUMENT = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
FACILITY = Facility(Path("small"), "small", ZoneInfo("UTC"), {}, {}, {"S1": INSTRUMENT}, ())
KEYS = {"display": "M1", "measured": datetime(2026, 3, 2, 10), "instrument": "S1", "signal_max": 255}  # noqa: DTZ001
HEADER = ["patch", "r", "g", "b", "X", "Y", "Z"]
ROWS = [["white", 255, 255, 255, 43.1, 48.2, 45.9], ["NA", 255, 0, 0, 20.1, 10.2, 0.3]]


def book(*, change=None, sign="# ", rows=ROWS, **keys):
    """Return a workbook's bytes: key rows 1 to 4, header row 5, readings from row 6."""
    made = openpyxl.Workbook()
    for key, value in (KEYS | keys).items():
        made.active.append([f"{sign}{key}", value])
    made.active.append(HEADER)
    for row in rows:
        made.active.append(row)
    if change:
        change(made.active)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def read(data):
    return read_session(data, FILE, FACILITY, STANDARD["P3 DCI"])


def only(data):
    with pytest.raises(InputError) as caught:
        read(data)
    (problem,) = caught.value.problems
    assert problem.file == FILE
    return problem


@pytest.mark.parametrize("sign", ["# ", "#", ""])
def test_keys_labels_signals_and_readings(sign):
    session = read(book(sign=sign))
    assert session.labels == ("white", "NA")
    np.testing.assert_array_equal(session.xyz, [[43.1, 48.2, 45.9], [20.1, 10.2, 0.3]])
    np.testing.assert_array_equal(session.signal, [[1, 1, 1], [1, 0, 0]])
    assert session.header.measured == datetime(2026, 3, 2, 10, tzinfo=UTC)
    assert session.warnings == ()


def test_keys_in_one_cell_comments_blank_rows_and_other_sheets():
    def change(sheet):
        sheet["A1"], sheet["B1"] = "# display: M1", None
        sheet.insert_rows(3)
        sheet["A3"] = "# read in the dark"
        sheet.insert_rows(7)
        sheet.parent.create_sheet("later")["A1"] = "nothing"

    assert len(read(book(change=change)).xyz) == 2


def test_a_workbook_that_states_no_size_is_read_whole():
    source = zipfile.ZipFile(io.BytesIO(book()))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(name, data.replace(b'<dimension ref="A1:G7"/>', b'<dimension ref="A1"/>'))
    assert len(read(stream.getvalue()).xyz) == 2


def cell(address, value):
    def change(sheet):
        sheet[address] = value

    return change


def merge(sheet):
    sheet.merge_cells("F6:F7")


@pytest.mark.parametrize(
    ("change", "line", "column", "what"),
    [
        (cell("F7", "#N/A"), 7, "Y", "cell F7: '#N/A' is not a number"),
        (cell("F7", "=1+1"), 7, "Y", "cell F7 holds a formula whose value was never stored: the cell is empty"),
        (merge, 7, "Y", "cell F7 is one of the merged cells F6:F7: the cell is empty"),
        (cell("F7", None), 7, "Y", "cell F7: the cell is empty"),
        (cell("F7", True), 7, "Y", "cell F7: 'True' is not a number"),
        (cell("F7", date(2026, 3, 2)), 7, "Y", "cell F7: '2026-03-02' is not a number"),
        (cell("A7", None), 7, "patch", "cell A7: the cell is empty"),
        (cell("H7", 3), 7, "", "8 cells under 7 columns"),
        (cell("F5", "Q"), 5, "Y", "column 'Y' is missing"),
        (cell("B4", "full"), 4, "signal_max", "'full' is not a number"),
        (cell("A4", "# signal_mix"), None, "", "key 'signal_max' is missing"),
    ],
)
def test_what_is_refused_and_where(change, line, column, what):
    problem = only(book(change=change))
    assert what in problem.what
    assert (problem.line, problem.column) == (line, column)


def test_no_table_and_nothing_at_all():
    assert "no header row follows the key rows" in only(book(change=lambda sheet: sheet.delete_rows(5, 9))).what
    assert "no header row" in only(book(change=lambda sheet: sheet.delete_rows(1, 9))).what


def test_a_file_that_would_fill_the_memory_is_refused_before_it_is_unpacked():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", b" " * 70_000_000)
    problem = only(stream.getvalue())
    assert "unpacked, the file has 70,000,000 bytes" in problem.what


def test_a_sheet_of_more_cells_than_a_session_has_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "_MOST_CELLS", 20)
    assert "cells are more than any session has" in only(book()).what


def test_a_row_with_an_address_far_away_is_refused_without_a_wait():
    source = zipfile.ZipFile(io.BytesIO(book()))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name).replace(b'<row r="7"', b'<row r="999999999"'))
    assert "the first sheet is larger than any session" in only(stream.getvalue()).what


def test_a_zip_file_and_a_damaged_workbook():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("readings.csv", "1,2,3")
    assert "this is a zip file, but no .xlsx" in only(stream.getvalue()).what
    assert "a damaged .xlsx file" in only(book()[:2000]).what


def test_an_old_spreadsheet_or_one_with_a_password():
    problem = only(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600)
    assert "an old spreadsheet, or one with a password" in problem.what
    assert "save it as .xlsx" in problem.do


def test_a_bare_date_is_refused():
    problem = only(book(measured=date(2026, 3, 2)))
    assert (problem.line, problem.column) == (2, "measured")
    assert "'2026-03-02' is no date and time" in problem.what
