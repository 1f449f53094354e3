"""What was read at the sides and corners of a screen against ST 431-1:2006, Table 1 (5.2 and A.5)."""

from dataclasses import replace

import pytest

import matchlib
from matchlib.errors import InputError
from matchlib.reporting.pages import page_data
from matchlib.running.gate import check

WHITE = "patch,r,g,b,X,Y,Z\nwhite,4095,4095,4095,{:.6f},{:.6f},{:.6f}\n"
CENTRE = 48.0  # cd/m², white of P1; its noise is 0.05 %
FEW = 0.002  # relative: four times that noise


def white(position, share, xy=(0.314, 0.351), **keys):
    """Return a session of white alone, at a share of the centre's luminance; it is not complete."""
    x, y = xy
    light = share * CENTRE
    head = {"display": "P1", "measured": "2026-03-02T10:20:00", "instrument": "S1", "signal_max": "4095"}
    lines = [f"# {key}: {value}" for key, value in (head | {"position": position} | keys).items()]
    return "\n".join(lines) + "\n" + WHITE.format(light * x / y, light, light * (1 - x - y) / y)


def corner(place):
    return f"readings/P1_{place.replace(' ', '_')}.csv"


@pytest.fixture
def screen(make_facility):
    """Return ``screen(files)``: a room whose projector was read at these places too."""

    def make(places, **changes):
        files = {corner(place): text for place, text in places.items()}
        return matchlib.match_room(make_facility(files=files, **changes), "studio-2")

    return make


def checks(room, attribute="conformity"):
    return {entry.name: entry for entry in getattr(room.projector, attribute)}


@pytest.mark.parametrize(
    ("place", "share", "review", "theatre"),
    [
        ("left", 0.85, "pass", "pass"),
        ("left", 0.81, "pass", "pass"),
        ("right", 0.78, "fail", "pass"),  # review room 80 to 90 %, theatre 75 to 90 %
        ("right", 0.74, "fail", "fail"),
        ("left", 0.92, "fail", "fail"),
        ("top left", 0.78, "fail", None),  # corners are not specified for theatres
        ("bottom right", 0.89, "pass", None),
    ],
)
def test_luminance_beside_the_centre(screen, place, share, review, theatre):
    room = screen({place: white(place, share)})
    found = checks(room)[f"luminance at {place}"]
    assert found.value == pytest.approx(abs(share - 0.85), abs=FEW)
    assert (found.result, found.limit) == (review, pytest.approx(0.05))
    assert found.source.startswith("ST 431-1:2006, 5.2, review room: 80 to 90 % of the centre; here ")
    inside = checks(room, "in_theatre").get(f"luminance at {place}")
    assert (inside.result if inside else None) == theatre


@pytest.mark.parametrize(
    ("move", "review", "theatre"),
    [((0.007, 0.0), "pass", "pass"), ((-0.010, 0.0), "fail", "pass"), ((0.016, 0.0), "fail", "fail")],
)
def test_white_of_a_corner_is_advice(screen, move, review, theatre):
    room = screen({"top right": white("top right", 0.85, (0.314 + move[0], 0.351 + move[1]))})
    found = checks(room)["white x at top right"]
    assert (found.result, found.limit, found.unit) == (review, 0.008, "x")
    assert checks(room, "in_theatre")["white x at top right"].result == theatre
    assert checks(room)["white y at top right"].result == "pass"
    assert page_one(room)["lead"].startswith("The screen shows")  # A.5 is informative: no fault of the screen


def page_one(room):
    drawings = [drawing for name in matchlib.FIGURES for drawing in matchlib.draw(room, name)]
    return page_data(room, {(d.name, d.subject): (f"{d.name}.svg", d) for d in drawings})


def test_the_scale_of_one_instrument_cancels_and_of_two_it_does_not(screen):
    one = checks(screen({"left": white("left", 0.85)}, name="one"))["luminance at left"]
    two = checks(screen({"left": white("left", 0.85, instrument="C1")}, name="two"))["luminance at left"]
    assert one.uncertainty < FEW
    assert two.uncertainty == pytest.approx(0.85 * (0.02**2 + 0.04**2) ** 0.5, rel=0.02)  # k = 2, both scales
    corners = {"top left": white("top left", 0.85)}
    assert checks(screen(corners, name="three"))["white x at top left"].uncertainty < 0.0005
    corners = {"top left": white("top left", 0.85, instrument="C1")}
    expected = (0.0015**2 + 0.004**2) ** 0.5
    assert checks(screen(corners, name="four"))["white x at top left"].uncertainty == pytest.approx(
        expected, rel=0.05
    )


def test_the_report_says_what_holds_in_a_theatre_and_what_was_not_measured(screen):
    data = page_one(screen({"right": white("right", 0.78)}))
    (row,) = [row for row in data["conformity"] if row[0] == "luminance at right"]
    assert row[5:7] == ["outside", "within"]
    assert data["uneven"].startswith("Not measured at left, top left, top right")
    assert data["lead"].startswith("The screen itself is outside its standard: luminance at right.")
    nothing = page_one(screen({}, name="nothing"))
    assert nothing["uneven"].startswith("Not measured at the sides and corners")
    assert all(row[6] == "" for row in nothing["conformity"])


def test_the_newest_session_of_a_place_not_later_than_the_day(make_facility):
    files = {
        "readings/a.csv": white("left", 0.82, measured="2026-03-02T11:00:00"),
        "readings/b.csv": white("left", 0.72, measured="2026-03-02T12:00:00"),
        "readings/c.csv": white("left", 0.88, measured="2026-03-05T12:00:00"),
        "readings/native.csv": white("left", 0.40, measured="2026-03-02T13:00:00", mode="native"),
    }
    root = make_facility(files=files)
    room = matchlib.match_room(root, "studio-2", "2026-03-02")
    assert checks(room)["luminance at left"].value == pytest.approx(0.13, abs=FEW)
    later = matchlib.match_room(root, "studio-2")
    assert checks(later)["luminance at left"].value == pytest.approx(0.03, abs=FEW)
    assert set(files) < set(later.inputs)
    assert room.hash != later.hash
    assert (room.date, later.date) == ("2026-03-02", "2026-03-05")
    assert any("left was read on 2026-03-05, the centre on 2026-03-02" in warning for warning in later.warnings)


def test_the_centre_of_the_same_day_is_taken_though_it_is_not_complete(screen, displays):
    dim = {"measured": "2026-03-20T09:00:00"}
    room = screen(
        {"left": white("left", 0.68, measured="2026-03-20T09:10:00"), "centre": white("centre", 0.8, **dim)}
    )
    assert checks(room)["luminance at left"].value == pytest.approx(0.0, abs=FEW)  # .68 of .80 is .85
    assert room.projector.response.luminance == pytest.approx(displays["P1"].luminance, rel=0.01)


def test_a_place_that_cannot_be_read_is_a_warning(make_facility):
    broken = white("left", 0.85).replace("white,4095", "white,x")
    root = make_facility(files={"readings/left.csv": broken, "readings/right.csv": white("right", 0.85)})
    room = matchlib.match_room(root, "studio-2")
    assert "luminance at left" not in checks(room)
    assert "luminance at right" in checks(room)
    assert any("readings/left.csv" in warning and "'x'" in warning for warning in room.warnings)
    assert any("'x'" in warning for warning in check(root).warnings)


def test_places_without_use_are_told(screen):
    text = white("right", 0.85).replace("white,4095,4095,4095", "red,4095,0,0")
    room = screen({"top": white("top", 0.85), "right": text})
    assert any("sets no limit for top" in warning for warning in room.warnings)
    assert any("no white at right" in warning for warning in room.warnings)
    assert not [name for name in checks(room) if name.startswith("luminance at")]


def test_an_unknown_place_is_refused(make_facility):
    root = make_facility(files={"readings/left.csv": white("stalls", 0.85)})
    with pytest.raises(InputError, match="stalls"):
        matchlib.match_room(root, "studio-2")


def test_a_reference_monitor_is_not_held_against_cinema(make_facility, displays):
    edit = ('light = "xenon lamp"', 'light = "backlight"\nkind = "monitor"')
    shows = {"P1": replace(displays["P1"])}
    root = make_facility(toml_edit=edit, shows=shows, files={"readings/left.csv": white("left", 0.5)})
    room = matchlib.match_room(root, "studio-2")
    assert room.projector.conformity == ()
    assert page_one(room)["uneven"] == ""
