"""Mutated files of every format are read to the right numbers, or refused in words that name the file.

The rows of the good file have numbers of their own. Whatever is done to its structure (lines, columns, cells
lost, doubled, exchanged, cut), each row that is read must be one of them, whole: a shifted or torn row shows.
"""

import io
import zipfile
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Format, Instrument
from matchlib.readings.formats.recognise import read_session
from matchlib.readings.session import average_repeats, missing_from

FILE, MAPPED = "readings/M1.dat", "readings/export/M1.csv"
KEYS = {"display": "M1", "measured": "2026-10-02T09:40:00Z", "instrument": "S1", "signal_max": "1023"}
ENTRY = Format(
    "formats.0",
    "readings/export/*.csv",
    {"patch": "Name", "r": "Red", "g": "Green", "b": "Blue", "X": "X", "Y": "Y", "Z": "Z"},
    KEYS,
    separator=";",
    decimal=",",
    header_row=2,
    units_rows=1,
    missing=("NA",),
)
INSTRUMENT = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
FACILITY = Facility(Path("small"), "small", ZoneInfo("UTC"), {}, {}, {"S1": INSTRUMENT}, (), formats=(ENTRY,))
SIGNALS = [
    (1023, 1023, 1023),
    (1023, 0, 0),
    (0, 1023, 0),
    (0, 0, 1023),
    (0, 0, 0),
    *((n, n, n) for n in (200, 450, 700)),
]
ROWS = [(f"p {n}", *signal, 41.25 + n, 48.5 + 2 * n, 39.125 + n / 4) for n, signal in enumerate(SIGNALS)]
TRUTH = {(tuple(row[1:4]), tuple(row[4:])) for row in ROWS}
LABELS = {(row[0], tuple(row[1:4])) for row in ROWS}
FIELDS = ("SAMPLE_NAME", "RGB_R", "RGB_G", "RGB_B", "XYZ_X", "XYZ_Y", "XYZ_Z")
COLUMNS = ("patch", "r", "g", "b", "X", "Y", "Z")
JUNK = ["", "NA", "nan", "1e999", "x", '"', "#", "-", "1,,5", "1.5.2", "é", "\u2028", "BEGIN_DATA", "END_DATA", "a b"]
EXAMPLES = {"CGATS.17": 700, "column map": 700, "session CSV": 1000}


def cgats():
    head = ["CGATS.17", *(f'{key.upper()} "{value}"' for key, value in KEYS.items()), "NUMBER_OF_FIELDS 7"]
    head += ["BEGIN_DATA_FORMAT", " ".join(FIELDS), "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(ROWS)}", "BEGIN_DATA"]
    return [*head, *(" ".join([f'"{row[0]}"', *map(repr, row[1:])]) for row in ROWS), "END_DATA"]


def semicolons():
    rows = [";".join([row[0], *(repr(value).replace(".", ",") for value in row[1:]), ""]) for row in ROWS]
    return ["Export", "Name;Red;Green;Blue;X;Y;Z;", ";;;;cd/m2;cd/m2;cd/m2;", *rows]


def session_csv():
    rows = [",".join([row[0], *map(repr, row[1:])]) for row in ROWS]
    return [*(f"# {key}: {value}" for key, value in KEYS.items()), ",".join(COLUMNS), *rows]


TEXTS = {
    "CGATS.17": (cgats(), " ", FILE),
    "column map": (semicolons(), ";", MAPPED),
    "session CSV": (session_csv(), ",", FILE),
}


def book(rows, keys=KEYS):
    made = openpyxl.Workbook()
    for key, value in keys.items():
        made.active.append([f"# {key}", value])
    for row in rows:
        made.active.append(row)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def read(data, file):
    """Return the session, or None where it is refused in words that name the file."""
    problems = None
    try:
        session = read_session(data, file, FACILITY, STANDARD["P3 DCI"])
        missing_from(average_repeats(session))
    except InputError as error:
        problems = error.problems
    if problems is None:
        return session
    assert problems
    assert {problem.file for problem in problems} == {file}
    assert all(problem.what for problem in problems)
    return None


def assert_right(session):
    """Every row read is a row of the good file, whole and under its own name."""
    codes = np.rint(session.signal * 1023).astype(int).tolist()
    for code, xyz in zip(codes, session.xyz.tolist(), strict=True):
        assert (tuple(code), tuple(xyz)) in TRUTH
    for label, code in zip(session.labels, codes, strict=bool(session.labels)):
        assert label not in dict(LABELS) or (label, tuple(code)) in LABELS  # a label that was changed is another


def change_lines(draw, lines, separator):
    """Do one thing to the structure of a text, no digit changed."""
    place = draw(st.integers(0, len(lines) - 1))
    kind = draw(
        st.sampled_from(["drop", "double", "swap", "cell lost", "cell doubled", "junk", "join", "halve", "blank"])
    )
    cells = lines[place].split(separator)
    cell = draw(st.integers(0, len(cells) - 1))
    if kind == "drop":
        del lines[place]
    elif kind == "double":
        lines.insert(place, lines[place])
    elif kind == "swap":
        other = draw(st.integers(0, len(lines) - 1))
        lines[place], lines[other] = lines[other], lines[place]
    elif kind == "join" and place + 1 < len(lines):
        lines[place] += separator + lines.pop(place + 1)
    elif kind == "halve":
        lines[place : place + 1] = [separator.join(cells[:cell]), separator.join(cells[cell:])]
    elif kind == "blank":
        lines.insert(place, draw(st.sampled_from(["", "  ", separator * 6, "# a comment"])))
    else:
        cells[cell : cell + 1] = {"cell lost": [], "cell doubled": [cells[cell]] * 2}.get(
            kind, [draw(st.sampled_from(JUNK))]
        )
        lines[place] = separator.join(cells)
    return lines or [""]


@pytest.mark.parametrize("name", TEXTS)
def test_what_is_mutated_below_is_good(name):
    lines, _, file = TEXTS[name]
    session = read("\n".join(lines).encode(), file)
    assert_right(session)
    assert len(session.xyz) == len(session.labels) == len(ROWS)
    assert session.warnings == ()


def _fuzz(name, structural):
    lines, separator, file = TEXTS[name]

    @settings(max_examples=EXAMPLES[name], deadline=None, derandomize=True, database=None)
    @given(st.data())
    def run(data):
        text = list(lines)
        for _ in range(data.draw(st.integers(1, 3))):
            text = change_lines(data.draw, text, separator)
        end = data.draw(st.sampled_from(["\n", "\r\n", "\r"]))
        content = data.draw(st.sampled_from([b"", b"\xef\xbb\xbf"])) + end.join(text).encode()
        if not structural:
            place = data.draw(st.integers(0, len(content)))
            content = (
                content[:place] + data.draw(st.binary(max_size=3)) + content[place + data.draw(st.integers(0, 3)) :]
            )
        session = read(content, file)
        if session is None:
            counts["refused"] += 1
            return
        counts["read"] += 1
        assert np.isfinite(session.xyz).all()
        if structural:
            assert_right(session)

    counts = {"read": 0, "refused": 0}
    run()
    return counts


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_whose_structure_was_broken_is_read_right_or_refused(name):
    counts = _fuzz(name, structural=True)
    assert min(counts.values()) > 20, counts


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_with_broken_bytes_is_read_or_refused(name):
    counts = _fuzz(name, structural=False)
    assert min(counts.values()) > 20, counts


CELLS = st.sampled_from([None, "", "NA", "x", "#N/A", "#DIV/0!", "=1+1", True, "1,5", "# display", "measured"])


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(st.data())
def test_a_workbook_whose_cells_were_broken_is_read_right_or_refused(data):
    rows = [list(COLUMNS), *map(list, ROWS)]
    for _ in range(data.draw(st.integers(1, 2))):
        place, cell = data.draw(st.integers(0, len(rows) - 1)), data.draw(st.integers(0, 6))
        kind = data.draw(st.sampled_from(["cell", "drop", "double", "swap", "shift", "blank"]))
        if kind == "cell" and cell < len(rows[place]):
            rows[place][cell] = data.draw(CELLS)
        elif kind == "drop":
            del rows[place]
        elif kind == "double":
            rows.insert(place, list(rows[place]))
        elif kind == "swap":
            rows[0], rows[place] = rows[place], rows[0]
        elif kind == "shift":
            rows[place][cell:cell] = [None]
        else:
            rows.insert(place, [])
    session = read(book(rows), FILE)
    if session is not None:
        assert_right(session)


@settings(max_examples=400, deadline=None, derandomize=True, database=None)
@given(st.data())
def test_a_workbook_with_broken_bytes_is_read_right_or_refused(data):
    place = data.draw(st.integers(0, len(WORKBOOK)))
    broken = WORKBOOK[:place] + data.draw(st.binary(max_size=3)) + WORKBOOK[place + data.draw(st.integers(0, 40)) :]
    session = read(broken, FILE)
    if session is not None:
        assert_right(session)


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(st.data())
def test_a_workbook_with_broken_xml_is_read_or_refused(data):
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(WORKBOOK)) as source, zipfile.ZipFile(stream, "w") as target:
        wanted = data.draw(st.sampled_from(source.namelist()))
        for name in source.namelist():
            content = source.read(name)
            if name == wanted:
                place = data.draw(st.integers(0, len(content)))
                content = (
                    content[:place]
                    + data.draw(st.binary(max_size=3))
                    + content[place + data.draw(st.integers(0, 9)) :]
                )
            target.writestr(name, content)
    session = read(stream.getvalue(), FILE)
    assert session is None or np.isfinite(session.xyz).all()


WORKBOOK = book([list(COLUMNS), *map(list, ROWS)])
