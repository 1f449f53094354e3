"""Causes told: the picture and the sentence on a monitor's page."""

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree as ET

import pytest

import matchlib
from matchlib.errors import InputError
from matchlib.matching.causes import FACTORS, REMAINDER
from matchlib.perception.difference import CIEDE2000, Score
from matchlib.reporting import words
from matchlib.reporting.plots.causes import causes, signed

DATA = Path(__file__).parents[1] / "data"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def room():
    return matchlib.match_room(DATA, "attic")


def of(*shares):
    """Return causes with these shares; what is not given is zero."""
    given = [*shares, *[0.0] * (6 - len(shares))]
    return tuple({"cause": name, "share": share} for name, share in zip((*FACTORS, REMAINDER), given, strict=True))


def told(*shares):
    """Return the sentence on a monitor whose mean is the sum of the shares."""
    found = of(*shares)
    mean = sum(entry["share"] for entry in found)
    return words.main_causes(SimpleNamespace(causes=found, difference=Score(CIEDE2000, mean, mean, mean, "white")))


@pytest.mark.parametrize(
    ("shares", "sentence"),
    [
        ((1.8, 0.2, 0.3, 0.1, 0.1, 0.1), "most of it is the white: 1.8 of 2.6"),
        ((1.0, 0.3, 0.9, 0.2, 0.1, 0.1), "the white (1.0) and the tone (0.9) of 2.6"),
        ((0.9, 0.0, 1.0, 0.8), "the tone (1.0), the white (0.9) and the primaries (0.8) of 2.7"),
        ((0.5, 0.1, 1.9, 0.1), "most of it is the tone: 1.9 of 2.6"),
        ((0.4, 0.5, 0.4, 1.2, 0.2), "the largest part is the primaries: 1.2 of 2.7"),
        ((0.5, 0.5, 0.5, 0.5, 0.5, 0.5), "nothing stands out"),
        ((0.02, 0.01), "nothing stands out"),
        ((0.0, 0.0, 0.0, 0.0, 0.0, 0.0), "nothing stands out"),
        ((0.1, 0.1, 0.1, 0.0, 0.0, 1.3), "most of it is what no single cause explains: 1.3 of 1.6"),
        ((0.9, 0.6, -0.2, 0.6, 0.4), "the white (0.9), the luminance (0.6) and the primaries (0.6) of 2.3; "
         "the tone hides part of the others (\u22120.2)"),
        ((2.2, 0.0, -0.4, 0.0, 0.0, 0.4), "most of it is the white: 2.2 of 2.2; "
         "the tone hides part of the white (\u22120.4)"),
        ((3.0, 0.0, -0.4), "the white makes 3.0, part of it hidden, so that 2.6 is left; "
         "the tone hides part of the white (\u22120.4)"),
        ((0.0, 2.0, 0.0, -0.3), "the luminance makes 2.0, part of it hidden, so that 1.7 is left; "
         "the primaries hide part of the luminance (\u22120.3)"),
        ((7.8, 0.2, -0.3), "the white makes 7.8, part of it hidden, so that 7.7 is left"),
    ],
)  # fmt: skip
def test_the_sentence(shares, sentence):
    assert told(*shares) == sentence


def test_no_causes_no_sentence(room):
    assert words.main_causes(replace(room.monitors[0], causes=None)) == ""


@pytest.fixture
def drawing(room):
    return causes(room, replace(room.monitors[1], causes=of(1.8, 1.1, -0.4, 0.02, -0.001, 0.08)))


def words_in(drawing):
    return ["".join(entry.itertext()) for entry in ET.fromstring(drawing.svg).iter(f"{SVG}text")]  # noqa: S314


def bars_in(drawing):
    """Return left and right end of each bar, top to bottom, pt."""
    root = ET.fromstring(drawing.svg)  # noqa: S314 - our own bytes
    shapes = [path for path in root.iter(f"{SVG}path") if path.get("clip-path") and path.get("d", "").count("L") == 3]
    ends = []
    for path in shapes:
        x = [float(pair[0]) for pair in re.findall(r"([-\d.]+) ([-\d.]+)", path.get("d"))]
        ends.append((min(x), max(x)))
    return ends


def test_the_picture_steps_from_nothing_to_the_mean(drawing):
    ends = bars_in(drawing)
    assert len(ends) == 7
    scale = (ends[-1][1] - ends[-1][0]) / 2.599
    zero = ends[-1][0]
    shares = (1.8, 1.1, -0.4, 0.02, -0.001, 0.08)
    for place, (left, right) in enumerate(ends[:-1]):
        start, end = sum(shares[:place]), sum(shares[: place + 1])
        assert ((left - zero) / scale, (right - zero) / scale) == pytest.approx(sorted((start, end)), abs=1e-4)


def test_the_picture_needs_no_colour_and_carries_names_and_numbers(drawing):
    assert words_in(drawing) == [
        *("white", "luminance", "tone", "primaries", "black", "the rest", "together"),
        *("1.80", "1.10", "\u22120.40", "0.02", "0.00", "0.08", "2.60"),
    ]
    text = drawing.svg.decode()
    assert text.count("<pattern") == 1  # hatched: a share below zero
    colours = {colour.lower() for colour in re.findall(r"#[0-9A-Fa-f]{6}", text)}
    assert all(colour[1:3] == colour[3:5] == colour[5:7] for colour in colours)


def test_the_words_beside_the_picture_carry_the_numbers(drawing):
    assert drawing.alt == (
        "Where the mean difference comes from, in CIEDE2000: white 1.80, luminance 1.10, tone \u22120.40, "
        "primaries 0.02, black 0.00, the rest 0.08; together 2.60. A share below zero hides part of the others."
    )
    assert (drawing.name, drawing.subject) == ("causes", "A2")


def test_the_picture_is_a_strip_across_the_page_and_the_same_each_time(room, drawing):
    root = ET.fromstring(drawing.svg)  # noqa: S314 - our own bytes
    assert (root.get("width"), root.get("height")) == ("482.4pt", "54.72pt")
    again = causes(room, replace(room.monitors[1], causes=of(1.8, 1.1, -0.4, 0.02, -0.001, 0.08)))
    assert again.svg == drawing.svg


@pytest.mark.parametrize("shares", [(), (0.01, -0.02, 0.02), (60.0, -20.0), (-0.2, 0.1, 0.3)])
def test_small_great_and_negative_beginnings_are_drawn(room, shares):
    drawing = causes(room, replace(room.monitors[1], causes=of(*shares)))
    assert words_in(drawing)[-1] == signed(sum(shares))
    width = float(ET.fromstring(drawing.svg).get("width")[:-2])  # noqa: S314 - our own bytes
    assert all(0 <= left <= right <= 0.93 * width for left, right in bars_in(drawing))


def test_no_minus_before_zero():
    assert (signed(-0.004), signed(-0.006), signed(0.0)) == ("0.00", "\u22120.01", "0.00")


def test_a_monitor_without_causes_has_no_picture(room):
    with pytest.raises(InputError, match="its causes are not known"):
        causes(room, replace(room.monitors[1], causes=None))
