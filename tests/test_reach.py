"""What a panel can show, against brute force and plane geometry."""

from types import SimpleNamespace

import numpy as np
import pytest

from matchlib.displays.reach import Panel, gamut_planes, nearest_white, panel_from_limits, reaches
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.encoding import primaries_matrix, xy_to_unit_xyz
from matchlib.facility.rooms import NativeLimits
from matchlib.perception.difference import xy

CASES = 1_000
CUBE = np.stack(np.meshgrid(*[np.linspace(0, 1, 9)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
HAIR = 1e-9  # of full drive: rounding of the brute force, far below a code of any panel
ROUND_OFF = 1e-10


def random_display(random, luminance, black):
    """Return matrix and black of a display with primaries strewn around BT.709's and P3's."""
    primaries = np.array([[0.66, 0.32], [0.26, 0.66], [0.15, 0.06]]) + random.uniform(-0.03, 0.03, size=(3, 2))
    white = random.uniform((0.29, 0.30), (0.34, 0.36))
    black_xy = random.uniform((0.25, 0.25), (0.40, 0.40))
    return primaries_matrix(primaries, luminance * xy_to_unit_xyz(white)), black * xy_to_unit_xyz(black_xy)


def shown_everywhere(T, b_T, N, b_N):
    """Return whether every colour of a 9³ cube of the target, corners included, needs a drive of 0 to 1."""
    drive = np.linalg.solve(N, (b_T + CUBE @ T.T - b_N).T)
    return bool(drive.min() >= -HAIR and drive.max() <= 1 + HAIR), float(min(drive.min(), 1 - drive.max()))


def test_reach_against_a_brute_force_cube():
    """Seeded targets and panels with unequal blacks; no case may disagree, and both answers must occur."""
    random = np.random.default_rng(21)
    answers, disagreements, undecidable = [], [], 0
    for _ in range(CASES):
        N, b_N = random_display(random, random.uniform(80, 300), random.uniform(0, 0.3))
        T, b_T = random_display(random, random.uniform(40, 160), 0.0)
        if random.uniform() < 0.5:  # a target inside the panel, so that "yes" is not rare
            mix = np.eye(3) * 0.9 + random.uniform(0, 0.08, size=(3, 3))
            T = N @ mix * random.uniform(0.2, 1.05)
        b_T = b_N + random.uniform(-0.02, 0.3) * b_T + N @ random.uniform(-2e-5, 4e-4, size=3)
        brute, margin = shown_everywhere(T, b_T, N, b_N)
        if abs(margin) < HAIR:
            undecidable += 1
            continue
        answers.append(brute)
        if reaches(T, b_T, N, b_N) != brute:
            disagreements.append((T, b_T, N, b_N))
    assert undecidable == 0
    assert not disagreements
    assert 0.2 * CASES < sum(answers) < 0.8 * CASES


def test_a_panel_reaches_itself_and_nothing_brighter():
    random = np.random.default_rng(22)
    N, b_N = random_display(random, 200, 0.1)
    assert reaches(N, b_N, N, b_N)
    assert reaches(N * (1 - HAIR), b_N, N, b_N)
    assert not reaches(N * (1 + HAIR), b_N, N, b_N)
    assert not reaches(N * 1.01, b_N, N, b_N)
    assert not reaches(N * 0.5, b_N * 0.5, N, b_N)  # black lower than the panel's


def inside_triangle(point, corners):
    """Return whether a chromaticity lies in a triangle, by the signs of three cross products."""
    sides = np.roll(corners, -1, axis=0) - corners
    to_point = point - corners
    cross = sides[:, 0] * to_point[:, 1] - sides[:, 1] * to_point[:, 0]
    return bool(np.all(cross >= 0) or np.all(cross <= 0))


def test_gamut_planes_against_point_in_triangle():
    random = np.random.default_rng(23)
    inside = []
    for _ in range(40):
        N, _ = random_display(random, 100, 0)
        planes, corners = gamut_planes(N.T), xy(N.T)
        for point in random.uniform((0.05, 0.02), (0.75, 0.8), size=(50, 2)):
            light = random.uniform(0.1, 100) * xy_to_unit_xyz(point)
            inside.append(inside_triangle(point, corners))
            assert bool(np.all(planes @ light <= 0)) == inside[-1]
    assert 200 < sum(inside) < 1_800


def test_gamut_planes_of_a_hull_hold_both_gamuts():
    """The hull of two triangles: every mixture of their corners is inside, a spectral green is not."""
    random = np.random.default_rng(24)
    one, two = (random_display(random, 100, 0)[0] for _ in range(2))
    corners = np.vstack([one.T, two.T])
    planes = gamut_planes(corners)
    mixtures = random.dirichlet(np.ones(6), size=500) @ corners
    assert (mixtures @ planes.T).max() <= ROUND_OFF * np.abs(mixtures).max()
    assert (planes @ xy_to_unit_xyz((0.17, 0.797))).max() > 0


def test_native_limits_give_the_panel_they_describe():
    shown = SimulatedDisplay(100, (0.3127, 0.3290), (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), black=0.2)
    limits = NativeLimits(250.0, 0.5, (0.68, 0.31), (0.21, 0.71), (0.149, 0.055))
    calibrated = SimpleNamespace(white_xyz=shown.show(np.ones(3)), black_xyz=shown.black_xyz, black=0.2)
    panel = panel_from_limits(limits, calibrated)
    assert xy(panel.matrix.T) == pytest.approx(
        np.array([limits.red_xy, limits.green_xy, limits.blue_xy]), abs=ROUND_OFF
    )
    white = panel.matrix.sum(axis=1) + panel.black_xyz
    assert white[1] == pytest.approx(250.0)
    assert panel.black_xyz[1] == pytest.approx(0.5)
    assert xy(white) == pytest.approx(xy(calibrated.white_xyz), abs=ROUND_OFF)
    assert "the calibrated white was taken" in panel.guessed


def test_a_white_in_the_gamut_stays_and_one_outside_moves_to_its_edge():
    random = np.random.default_rng(25)
    N, b_N = random_display(random, 200, 0.0)
    panel = Panel(N, b_N, "made up")
    within = 48 * xy_to_unit_xyz((0.314, 0.351))
    assert nearest_white(panel, within) is within
    outside = 48 * xy_to_unit_xyz((0.10, 0.80))
    moved = nearest_white(panel, outside)
    assert moved[1] == pytest.approx(48)
    assert np.all(np.linalg.solve(N, moved) > 0)
