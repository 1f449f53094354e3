"""The nearest colour in reach, against scipy's bounded least squares from several starts."""

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize

from matchlib.displays.simulate import SimulatedDisplay
from matchlib.matching.nearest import nearest_in_reach
from matchlib.perception.difference import ciede2000, ciede2000_vector, xyz_to_lab

D65, DCI = (0.3127, 0.3290), (0.314, 0.351)
BT709 = {"red_xy": (0.64, 0.33), "green_xy": (0.30, 0.60), "blue_xy": (0.15, 0.06)}
P3 = {"red_xy": (0.68, 0.32), "green_xy": (0.265, 0.69), "blue_xy": (0.15, 0.06)}
BT2020 = {"red_xy": (0.708, 0.292), "green_xy": (0.170, 0.797), "blue_xy": (0.131, 0.046)}
ABOVE_BEST = 0.01  # CIEDE2000: a hundredth of what anyone sees
EXACT = 1e-12

# wanted and panel: a projector's gamut on a narrow panel; a very wide gamut; a raised black; a panel too dim
CASES = {
    "P3 on BT.709": (SimulatedDisplay(48, DCI, **P3, black=0.01), SimulatedDisplay(200, D65, **BT709, black=0.02)),
    "BT.2020 on BT.709": (
        SimulatedDisplay(48, D65, **BT2020, black=0.01),
        SimulatedDisplay(100, D65, **BT709, black=0.1),
    ),
    "raised black": (SimulatedDisplay(100, D65, **BT2020), SimulatedDisplay(100, D65, **P3, black=0.3)),
    "too dim": (SimulatedDisplay(48, DCI, **P3, black=0.01), SimulatedDisplay(36, D65, **BT709, black=0.05)),
}


def white_of(display):
    return display.show(np.ones(3))


def difference(wanted, white, panel, drive):
    return ciede2000(wanted, panel.black_xyz + drive @ panel.matrix.T, white)


def best_of_several(wanted, white, panel, starts, top=1.0):
    """Return the least CIEDE2000 of one colour by scipy, searched over the cube root of the drive."""
    lab = xyz_to_lab(wanted, white)

    def vector(root):
        return ciede2000_vector(lab, xyz_to_lab(panel.black_xyz + root**3 @ panel.matrix.T, white))

    edge = np.cbrt(top)
    starts = np.clip(np.cbrt(starts), 1e-3 * edge, 0.999 * edge)
    return min(np.sqrt(2 * least_squares(vector, start, bounds=(0, edge), max_nfev=40).cost) for start in starts)


@pytest.mark.parametrize("name", CASES)
def test_never_above_the_best_of_several_starts(name):
    """50 seeded colours out of reach a case, 200 in all; five starts each."""
    wanted_display, panel = CASES[name]
    random = np.random.default_rng(61)
    white = white_of(wanted_display)
    wanted = wanted_display.show(random.uniform(size=(2_000, 3)))
    drive = nearest_in_reach(wanted, white, panel.matrix, panel.black_xyz)
    found = difference(wanted, white, panel, drive)
    out = np.flatnonzero(found > 1e-6)
    assert len(out) >= 50
    chosen = random.choice(out, 50, replace=False)
    gaps = []
    for place in chosen:
        starts = np.vstack([drive[place], np.full(3, 0.1), random.uniform(size=(3, 3))])
        gaps.append(found[place] - best_of_several(wanted[place], white, panel, starts))
    assert max(gaps) <= ABOVE_BEST


@pytest.mark.parametrize("name", CASES)
def test_better_than_clipped_drives_and_inside_the_box(name):
    wanted_display, panel = CASES[name]
    white = white_of(wanted_display)
    wanted = wanted_display.show(np.random.default_rng(62).uniform(size=(2_000, 3)))
    drive = nearest_in_reach(wanted, white, panel.matrix, panel.black_xyz)
    asked = (wanted - panel.black_xyz) @ np.linalg.inv(panel.matrix).T
    clipped = difference(wanted, white, panel, np.clip(asked, 0, 1))
    found = difference(wanted, white, panel, drive)
    assert drive.min() >= 0
    assert drive.max() <= 1
    assert np.all(found <= clipped + 1e-9)
    assert found.mean() < 0.95 * clipped[found > 1e-6].mean()
    inside = ((asked >= 0) & (asked <= 1)).all(axis=1)
    assert drive[inside] == pytest.approx(asked[inside], abs=EXACT)


def test_a_lower_top_is_kept_and_used():
    panel = SimulatedDisplay(200, D65, **P3, black=0.02)
    wanted = panel.black_xyz + np.array([[0.2, 0.3, 0.1], [0.9, 0.9, 0.9], [0.9, 0.05, 0.05]]) @ panel.matrix.T
    drive = nearest_in_reach(wanted, white_of(panel), panel.matrix, panel.black_xyz, top=0.5)
    assert drive[0] == pytest.approx([0.2, 0.3, 0.1], abs=EXACT)
    assert drive.max() <= 0.5
    starts = np.random.default_rng(63).uniform(0, 0.5, size=(5, 3))
    found = difference(wanted, white_of(panel), panel, drive)
    for place in (1, 2):
        best = best_of_several(wanted[place], white_of(panel), panel, starts, top=0.5)
        assert found[place] <= best + ABOVE_BEST


def test_no_colour_and_nothing_out_of_reach():
    panel = SimulatedDisplay(200, D65, **P3, black=0.02)
    white = white_of(panel)
    assert nearest_in_reach(np.zeros((0, 3)), white, panel.matrix, panel.black_xyz).shape == (0, 3)
    own = panel.show(np.random.default_rng(64).uniform(size=(50, 3)))
    assert difference(own, white, panel, nearest_in_reach(own, white, panel.matrix, panel.black_xyz)).max() < 1e-9


def test_blacker_than_black_is_shown_as_black():
    panel = SimulatedDisplay(100, D65, **P3, black=0.3)
    drive = nearest_in_reach(np.array([[0.0, 0.0, 0.0]]), white_of(panel), panel.matrix, panel.black_xyz)
    assert drive == pytest.approx(np.zeros((1, 3)), abs=1e-4)


def test_greys_too_bright_for_the_panel_find_the_least_difference_too():
    """Beside a grey chroma is a cone and hue has no direction; a simplex search, which needs no slopes, judges."""
    wanted_display, panel = CASES["too dim"]
    white = white_of(wanted_display)
    wanted = np.array([[0.93], [0.97], [1.0], [1.1]]) * white
    found = difference(wanted, white, panel, nearest_in_reach(wanted, white, panel.matrix, panel.black_xyz))
    starts = np.random.default_rng(65).uniform(size=(6, 3))
    for place, colour in enumerate(wanted):

        def shown(root, colour=colour):
            return float(difference(colour, white, panel, np.clip(root, 0, 1) ** 3))

        options = {"xatol": 1e-8, "fatol": 1e-9, "maxiter": 2_000}
        ends = [minimize(shown, s, method="Nelder-Mead", bounds=[(0, 1)] * 3, options=options).fun for s in starts]
        assert 0 < found[place] <= min(ends) + ABOVE_BEST
