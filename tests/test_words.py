"""Words and the sheet: what a supervisor and a technician read."""

import csv
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

import matchlib
from matchlib.reporting import words
from matchlib.reporting.sheet import COLUMNS, safe, targets_csv

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="module")
def attic():
    return matchlib.match_room(DATA, "attic")


@pytest.mark.parametrize(
    ("mean", "word"), [(0.3, "alike"), (1.5, "close"), (3, "visible"), (6, "plain"), (40, "another picture")]
)
def test_sizes_have_words(mean, word):
    assert words.size_word(mean) == word


@pytest.mark.parametrize(
    ("xy", "hue"),
    [((0.640, 0.330), "red"), ((0.300, 0.600), "green"), ((0.150, 0.060), "blue")],
)
def test_tints_are_named_by_the_primary_they_lean_to(xy, hue):
    # BT.709 primaries, ITU-R BT.709-5
    assert words.tint(xy, (0.3127, 0.3290)) == hue


def test_the_answer_counts_the_matching_ones(attic):
    assert words.answer(attic) == "1 of 3 monitors matches the screen"
    one = replace(attic, monitors=attic.monitors[1:2])
    assert words.answer(one) == "the monitor does not match the screen"
    assert words.answer(replace(attic, monitors=attic.monitors[:1])) == "the monitor matches the screen"


def test_the_line_of_a_room_names_fault_now_and_after(attic):
    assert "A2: white too blue, 4.4 now, 0.3 after" in words.room_line(attic)


def test_the_sheet_rounds_to_what_menus_take(attic):
    rows = list(csv.DictReader(StringIO(targets_csv(attic))))
    assert tuple(rows[0]) == COLUMNS
    row = rows[1]
    target = attic.monitors[1].target
    assert row["luminance"] == f"{target.luminance:.1f}"
    assert row["white_x"] == f"{target.white_xy[0]:.4f}"
    assert row["gamma"] == f"{target.gamma:.2f}"
    assert rows[0]["note"].startswith("within tolerance: leave it")
    assert "turn the backlight down" in row["note"]


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@x", "\tx", "\rx"])
def test_cells_that_a_spreadsheet_would_run_are_neutralised(cell):
    assert safe(cell) == f"'{cell}"
    assert safe("plain = text") == "plain = text"


def test_a_note_from_the_inventory_cannot_run(attic):
    odd = attic.monitors[0]
    changed = replace(attic, monitors=(replace(odd, row=replace(odd.row, location="=HYPERLINK(1)")),))
    assert "'=HYPERLINK(1)" in targets_csv(changed)
