"""Shares of the mean difference: against all orders, on planted faults, and where a mixture is impossible."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import permutations

import numpy as np
import pytest

from matchlib.displays.response import fit_response
from matchlib.displays.simulate import Noise, SimulatedDisplay, session_patches
from matchlib.encoding import STANDARD, xy_to_unit_xyz
from matchlib.matching.causes import FACTORS, REMAINDER, Look, causes, ideal_look, look_of, shown
from matchlib.matching.ideal import Ideal, projector_figures
from matchlib.patches import standard_list
from matchlib.perception.difference import ciede2000
from matchlib.perception.viewing import ABSOLUTE, Wanted, wanted
from matchlib.readings.session import Header, Session

SCREEN = SimulatedDisplay(48, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.02)
FAULTY = SimulatedDisplay(
    *(41, (0.3055, 0.3450), (0.660, 0.330), (0.280, 0.650), (0.152, 0.058)),
    gamma=(2.4, 2.35, 2.3),
    black=0.06,
    black_xy=(0.280, 0.290),
)
SIGNAL = standard_list().signal
ALL = np.ones((1, 5), dtype=bool)
ROUNDING = 1e-12  # CIEDE2000: sums of a few terms of order one in double precision
NOTHING = 1e-10  # CIEDE2000: a difference of rounded XYZ, seen through cube roots near black


def look(display):
    white = display.black_xyz + display.matrix.sum(axis=1)
    return Look(white, SIGNAL ** np.array(display.gamma), display.matrix.T, display.black_xyz)


def wanted_of(display):
    return Wanted(display.show(SIGNAL), display.black_xyz + display.matrix.sum(axis=1))


def shares(monitor, ideal, wanted=None, mean=None):
    """Return the shares by cause; ``mean`` is by default what the monitor's look makes."""
    wanted = wanted or Wanted(shown(monitor, ideal, ~ALL)[0], ideal.white_xyz)
    if mean is None:
        mean = float(ciede2000(wanted.xyz, shown(monitor, ideal, ALL)[0], wanted.white).mean())
    found = causes(monitor, ideal, wanted, mean)
    assert [entry["cause"] for entry in found] == [*FACTORS, REMAINDER]
    assert sum(entry["share"] for entry in found) == pytest.approx(mean, abs=ROUNDING)
    return {entry["cause"]: entry["share"] for entry in found}


def mixture(monitor, ideal, chosen):
    """Return what one mixture shows, step by step and for one set only."""
    pick = {name: monitor if name in chosen else ideal for name in FACTORS}
    x, y, z = pick["white"].white_xyz
    white = np.array([x / y, 1.0, z / y]) * pick["luminance"].white_xyz[1]
    black = pick["black"].black_xyz
    red, green, blue = (row / row.sum() for row in pick["primaries"].primaries_xyz)
    r, g, b = np.linalg.inv(np.column_stack([red, green, blue])) @ (white - black)
    return np.array(
        [black + linear[0] * r * red + linear[1] * g * green + linear[2] * b * blue for linear in pick["tone"].linear]
    )


def over_all_orders(monitor, ideal, wanted):
    """Return the Shapley shares by their definition: each factor's gain, averaged over all 120 orders."""
    known = {}

    def value(chosen):
        if chosen not in known:
            xyz = mixture(monitor, ideal, chosen)
            known[chosen] = sum(ciede2000(wanted.xyz, xyz, wanted.white).tolist()) / len(xyz)
        return known[chosen]

    gains = dict.fromkeys(FACTORS, 0.0)
    orders = list(permutations(FACTORS))
    assert len(orders) == 120
    for order in orders:
        for place, name in enumerate(order):
            gains[name] += value(frozenset(order[: place + 1])) - value(frozenset(order[:place]))
    return {name: gain / len(orders) for name, gain in gains.items()}


@pytest.mark.parametrize("seed", range(4))
def test_shares_agree_with_all_orders(seed):
    random = np.random.default_rng(seed)
    xy = np.array([FAULTY.white_xy, FAULTY.red_xy, FAULTY.green_xy, FAULTY.blue_xy])
    white, red, green, blue = (tuple(pair) for pair in (xy + random.normal(0, 0.006, xy.shape)).tolist())
    black = float(random.uniform(0.0, 0.2))
    gamma = tuple(random.uniform(2.0, 2.8, 3).tolist())
    luminance = float(random.uniform(30, 70))
    monitor, ideal = look(SimulatedDisplay(luminance, white, red, green, blue, gamma, black)), look(SCREEN)
    wanted = wanted_of(SCREEN)
    found = shares(monitor, ideal, wanted)
    for name, share in over_all_orders(monitor, ideal, wanted).items():
        assert found[name] == pytest.approx(share, abs=ROUNDING)


def test_the_monitors_factors_together_are_its_fit():
    random = np.random.default_rng(5)
    patches = session_patches()
    xyz = Noise(relative=0.002, floor=0.001).read(FAULTY.show(patches.signal), random)
    header = Header("x.csv", "x", datetime(2026, 3, 2, tzinfo=UTC), "S1", 4095.0)
    inside = np.ones(len(xyz), dtype=bool)
    response = fit_response(Session(header, "", STANDARD["P3 DCI"], patches.labels, patches.signal, xyz, inside))
    monitor = look_of(response, SIGNAL)
    found = shown(monitor, look(SCREEN), ALL)[0]
    assert np.abs(found - response.forward(SIGNAL)).max() < 1e-12 * response.luminance
    assert monitor.white_xyz == pytest.approx(response.black_xyz + response.matrix @ np.ones(3), rel=1e-15)


def test_the_ideals_factors_together_are_the_ideal_over_the_references_black():
    header = Header("x.csv", "x", datetime(2026, 3, 2, tzinfo=UTC), "S1", 4095.0)
    patches = session_patches()
    inside = np.ones(len(patches.signal), dtype=bool)
    xyz = SCREEN.show(patches.signal)
    session = Session(header, "", STANDARD["P3 DCI"], patches.labels, patches.signal, xyz, inside)
    response = fit_response(session)
    aim = wanted(ABSOLUTE, response.forward(SIGNAL), response.white_xyz)
    ideal = projector_figures(response, session.encoding, session.encoding, aim)
    found = ideal_look(ideal, response.black_xyz, SIGNAL**ideal.gamma)
    assert shown(look(FAULTY), found, ~ALL)[0] == pytest.approx(SCREEN.show(SIGNAL), rel=1e-6, abs=1e-9)


def replace_white(of, xy):
    return replace(of, white_xyz=of.white_xyz[1] * xy_to_unit_xyz(xy))


PLANTED = (
    ("white", lambda: replace_white(look(SCREEN), (0.305, 0.345))),
    ("luminance", lambda: replace(look(SCREEN), white_xyz=0.8 * look(SCREEN).white_xyz)),
    ("tone", lambda: replace(look(SCREEN), linear=SIGNAL**2.2)),
    ("primaries", lambda: replace(look(SCREEN), primaries_xyz=look(FAULTY).primaries_xyz)),
    ("black", lambda: replace(look(SCREEN), black_xyz=look(FAULTY).black_xyz)),
)


@pytest.mark.parametrize(("fault", "make"), PLANTED, ids=[name for name, _ in PLANTED])
def test_one_fault_gets_all_of_it(fault, make):
    found = shares(make(), look(SCREEN))
    others = [abs(share) for name, share in found.items() if name != fault]
    assert found[fault] > 0.15
    assert max(others) < NOTHING


def mended(monitor, ideal, factor):
    """Return the monitor with one factor as the ideal's."""
    if factor == "white":
        return replace(monitor, white_xyz=monitor.white_xyz[1] / ideal.white_xyz[1] * ideal.white_xyz)
    if factor == "luminance":
        return replace(monitor, white_xyz=ideal.white_xyz[1] / monitor.white_xyz[1] * monitor.white_xyz)
    field = {"tone": "linear", "primaries": "primaries_xyz", "black": "black_xyz"}[factor]
    return replace(monitor, **{field: getattr(ideal, field)})


@pytest.mark.parametrize("factor", FACTORS)
def test_what_is_as_it_should_be_gets_nothing(factor):
    found = shares(mended(look(FAULTY), look(SCREEN), factor), look(SCREEN))
    assert abs(found.pop(factor)) < NOTHING
    assert min(abs(found[name]) for name in FACTORS if name != factor) > 0.01


def test_primaries_count_by_their_colour_only():
    monitor = look(FAULTY)
    scaled = replace(monitor, primaries_xyz=monitor.primaries_xyz * np.array([[0.5], [3.0], [7.0]]))
    assert shares(scaled, look(SCREEN)) == pytest.approx(shares(monitor, look(SCREEN)), abs=ROUNDING)


def test_two_faults_of_one_strength_share_it():
    """White patches only: a white of half the light by luminance, or by tone, is one and the same fault."""
    ideal = replace(look(SCREEN), linear=np.ones((3, 3)), black_xyz=np.zeros(3))
    monitor = replace(ideal, linear=np.full((3, 3), 0.5), white_xyz=0.5 * ideal.white_xyz)
    found = shares(monitor, ideal)
    assert found["luminance"] == pytest.approx(found["tone"], abs=ROUNDING)
    assert found["luminance"] > 5
    assert max(abs(found[name]) for name in ("white", "primaries", "black", REMAINDER)) < NOTHING


def test_a_dark_tone_hides_part_of_a_bright_picture_over_a_raised_black():
    """A share falls below zero where one fault works against several others; its own size bounds it."""
    bright = replace(SCREEN, luminance=64.0, black=0.8, red_xy=(0.675, 0.326), blue_xy=(0.1502, 0.073))
    ideal, gamma = look(SCREEN), (2.75,) * 3
    found = shares(look(replace(bright, gamma=gamma)), ideal)
    assert found["tone"] < -0.08
    assert found["luminance"] > 3
    assert found["black"] > 1
    assert sum(found.values()) < sum(shares(look(bright), ideal).values())
    assert shares(look(replace(SCREEN, gamma=gamma)), ideal)["tone"] > 0.5  # alone it is a fault


def test_what_the_ideal_leaves_and_what_the_fit_leaves_remain():
    ideal, wanted = look(replace(SCREEN, gamma=(2.5,) * 3)), wanted_of(SCREEN)
    left = float(ciede2000(wanted.xyz, shown(ideal, ideal, ALL)[0], wanted.white).mean())
    found = shares(ideal, ideal, wanted, mean=left + 0.25)
    assert left > 0.1
    assert found.pop(REMAINDER) == pytest.approx(left + 0.25, abs=ROUNDING)
    assert max(map(abs, found.values())) < NOTHING


def test_a_white_outside_the_primaries_keeps_its_luminance_and_light_stays_positive():
    monitor, ideal = replace_white(look(SCREEN), (0.12, 0.75)), look(SCREEN)  # beyond the green primary
    factors = np.array([[True, False, False, False, False]])
    found = shown(monitor, ideal, factors)[0]
    place = standard_list().labels.index("white")
    assert found.min() >= 0
    assert found[place, 1] == pytest.approx(ideal.white_xyz[1], rel=1e-12)
    red = found[standard_list().labels.index("red")]
    assert red == pytest.approx(ideal.black_xyz, abs=1e-12)  # red would have to be negative
    assert np.isfinite(list(shares(monitor, ideal).values())).all()


def test_a_black_brighter_than_the_white_shows_black_alone():
    ideal = look(SCREEN)
    monitor = replace(ideal, black_xyz=np.array([10.0, 70.0, 10.0]), white_xyz=4 * ideal.white_xyz)
    found = shown(monitor, ideal, np.array([[False, False, False, False, True]]))[0]
    assert found == pytest.approx(np.broadcast_to(monitor.black_xyz, found.shape), rel=1e-12)
    assert np.isfinite(list(shares(monitor, ideal).values())).all()


def test_black_of_another_colour_than_the_white_can_hold():
    """A blue black of much light takes more blue than a white of that luminance has."""
    ideal = look(SCREEN)
    monitor = replace(ideal, black_xyz=np.array([9.0, 5.0, 60.0]))
    found = shown(monitor, ideal, np.array([[False, False, False, False, True]]))[0]
    assert (found >= monitor.black_xyz - 1e-12).all()
    place = standard_list().labels.index("white")
    assert found[place, 1] == pytest.approx(ideal.white_xyz[1], rel=1e-12)


def test_ideal_takes_its_figures():
    ideal = Ideal(np.array([45.0, 48.0, 46.0]), look(SCREEN).primaries_xyz, 2.6)
    found = ideal_look(ideal, np.zeros(3), SIGNAL**ideal.gamma)
    assert shown(found, found, ALL)[0, -1] == pytest.approx(ideal.white_xyz * SIGNAL[-1, 0] ** 2.6, rel=1e-12)
