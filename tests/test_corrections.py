"""A simulated panel behind its correction shows the target, as far as it can."""

import numpy as np
import pytest

from matchlib.arrays import read_only
from matchlib.displays.correction import signal_cube
from matchlib.displays.nodes import Exponent, Lut1D
from matchlib.displays.reach import reaches
from matchlib.displays.response import Response, monotone_tone
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.encoding import STANDARD, signal_to_linear
from matchlib.errors import InputError
from matchlib.matching.corrections import Shape, curves_correction, table_correction
from matchlib.perception.difference import ciede2000

D65, DCI = (0.3127, 0.3290), (0.314, 0.351)
P3 = {"red_xy": (0.68, 0.32), "green_xy": (0.265, 0.69), "blue_xy": (0.15, 0.06)}
BT709 = {"red_xy": (0.64, 0.33), "green_xy": (0.30, 0.60), "blue_xy": (0.15, 0.06)}
WIDE = {"red_xy": (0.69, 0.309), "green_xy": (0.20, 0.73), "blue_xy": (0.149, 0.05)}
NARROW = {"red_xy": (0.63, 0.335), "green_xy": (0.31, 0.59), "blue_xy": (0.153, 0.065)}
CURVES_WORST = 0.05  # CIEDE2000, worst: nothing that a picture shows
TABLE_MEAN, TABLE_WORST = 0.02, 0.15  # CIEDE2000: straight lines between 33 nodes
FLOAT_32 = 3e-7  # of full drive: a few last bits of 32-bit float
STEPS = np.linspace(0, 1, 33)[1:]


def odd_tone(gamma, bend):
    """Return a curve that is no gamma, as panels have."""
    return monotone_tone(STEPS, STEPS**gamma * (1 + bend * np.sin(2 * np.pi * STEPS) * (1 - STEPS)))


ODD = (odd_tone(2.2, 0.05), odd_tone(2.15, -0.04), odd_tone(2.3, 0.08))
PURE = (monotone_tone(STEPS, STEPS**2.2),) * 3


def panel_of(display, tone=ODD):
    """Return a display's response with a tone of its own."""
    matrix, black = display.matrix, display.black_xyz
    white = read_only(matrix.sum(axis=1) + black)
    primaries, gammas = read_only(matrix.T), read_only([2.2] * 3)
    return Response(read_only(black), read_only(matrix), tone, white, primaries, 2.2, gammas, True, 0.0)


def signals():
    """Return 10,000 random signals, the corners, and greys finer than any 10-bit signal."""
    random = np.random.default_rng(81)
    greys = np.repeat(np.linspace(0, 1, 4_096)[:, None], 3, axis=1)
    return np.vstack([random.uniform(size=(10_000, 3)), signal_cube(2), greys])


def shows(matrix, black, tone):
    return lambda signal: black + tone(signal) @ matrix.T


def difference(correction, panel, wanted, signal):
    shown = panel.forward(correction.apply(signal))
    return ciede2000(wanted(signal), shown, wanted(np.ones(3)))


def video(signal):
    return signal_to_linear(signal, STANDARD["BT.709"])


def srgb(signal):
    return np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4)


IN_REACH = {
    "BT.709 on a wide panel": (SimulatedDisplay(48, D65, **BT709), SimulatedDisplay(320, D65, **WIDE, black=0.018)),
    "a raised black": (SimulatedDisplay(100, D65, **BT709), SimulatedDisplay(200, D65, **WIDE, black=0.3)),
    "its own primaries": (SimulatedDisplay(48, DCI, **WIDE), SimulatedDisplay(110, D65, **WIDE, black=0.001)),
}
TONES = {"gamma 2.6": 2.6, "BT.1886 without black": video, "sRGB": srgb, "a fitted curve": odd_tone(2.45, 0.03)}


def forward_of(tone):
    if isinstance(tone, float):
        return lambda signal: signal**tone
    return getattr(tone, "forward", tone)


@pytest.mark.parametrize("panel_tone", [ODD, PURE], ids=["odd", "pure"])
@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("name", IN_REACH)
def test_curves_land_on_a_target_in_reach(name, tone, panel_tone):
    target, display = IN_REACH[name]
    panel = panel_of(display, panel_tone)
    black = panel.black_xyz + (1e-3 * panel.white_xyz if name == "BT.709 on a wide panel" else 0)
    correction = curves_correction(panel, target.matrix, black, TONES[tone])
    wanted = shows(target.matrix, black, forward_of(TONES[tone]))
    assert difference(correction, panel, wanted, signals()).max() < CURVES_WORST


@pytest.mark.parametrize("panel_tone", [ODD, PURE], ids=["odd", "pure"])
@pytest.mark.parametrize("name", IN_REACH)
def test_a_table_lands_on_a_target_in_reach(name, panel_tone):
    target, display = IN_REACH[name]
    panel = panel_of(display, panel_tone)
    wanted = shows(target.matrix, panel.black_xyz, lambda signal: signal**2.6)
    signal = signals()
    found = difference(table_correction(panel, wanted, wanted(np.ones(3))), panel, wanted, signal)
    assert found[:10_000].mean() < TABLE_MEAN
    assert found.max() < TABLE_WORST


def kinked(gamma):
    """Return a tone with a kink, as scattered readings of neighbouring steps leave: 12 % between two steps."""
    signal = np.sort(np.append(STEPS, 0.265))
    light = signal**gamma
    light[signal == 0.265] *= 0.9
    light[signal == STEPS[8]] *= 1.02
    return monotone_tone(signal, light)


def test_the_bends_of_tones_stand_apart_from_the_table():
    """Straight lines between nodes would cut them, by more than a table may be off."""
    target, display = IN_REACH["BT.709 on a wide panel"]
    bent, followed = panel_of(display, (kinked(2.0),) * 3), (kinked(2.6),) * 3
    signal = signals()
    for panel, shape in ((bent, Shape()), (panel_of(display, PURE), Shape(followed=followed))):
        tone = followed[0].forward if shape.followed else lambda signal: signal**2.6
        wanted = shows(target.matrix, panel.black_xyz, tone)
        apart = difference(table_correction(panel, wanted, wanted(np.ones(3)), shape=shape), panel, wanted, signal)
        only = table_correction(panel, wanted, wanted(np.ones(3)), shape=Shape(cube_only=True))
        assert apart[:10_000].mean() < TABLE_MEAN
        assert apart.max() < TABLE_WORST
        assert len(only.nodes) == 1
        assert difference(only, panel, wanted, signal).max() > 3 * TABLE_WORST


def test_the_claims_above_can_fail():
    """1,024 equal steps over linear light are far off in the darks; a table of 9 nodes is too coarse."""
    target, display = IN_REACH["BT.709 on a wide panel"]
    panel = panel_of(display)
    wanted = shows(target.matrix, panel.black_xyz, lambda signal: signal**2.6)
    signal = signals()
    good = curves_correction(panel, target.matrix, panel.black_xyz, 2.6)
    x = np.linspace(0, 1, 1_024)
    equal = Lut1D(np.stack([tone.inverse(x) for tone in panel.tone], axis=-1).astype(np.float32))
    coarse = type(good)(good.input, good.matrix, good.clamp, equal)
    assert difference(coarse, panel, wanted, signal).max() > 20 * CURVES_WORST
    few = table_correction(panel, wanted, wanted(np.ones(3)), shape=Shape(nodes=9))
    assert difference(few, panel, wanted, signal).max() > TABLE_WORST


def test_a_pure_gamma_is_an_exponent_and_any_other_tone_a_table():
    target, display = IN_REACH["BT.709 on a wide panel"]
    pure = curves_correction(panel_of(display, PURE), target.matrix, np.zeros(3), (2.4, 2.5, 2.6))
    assert isinstance(pure.input, Exponent)
    assert pure.input.powers == pytest.approx([2.4, 2.5, 2.6])
    assert isinstance(pure.output, Exponent)
    assert pure.output.powers == pytest.approx(np.full(3, 1 / 2.2))
    odd = curves_correction(panel_of(display), target.matrix, np.zeros(3), (2.4, srgb, ODD[0]))
    assert (odd.input.values.shape, odd.input.half_domain) == ((4_097, 3), False)
    assert (odd.output.values.shape, odd.output.half_domain) == ((65_536, 3), True)
    alike = curves_correction(panel_of(display, (ODD[0],) * 3), target.matrix, np.zeros(3), srgb)
    assert alike.input.values.shape == (4_097, 1)
    assert alike.output.values.shape == (65_536, 1)


# Rows of A = N⁻¹T whose positive parts sum to full drive, and one of which dips to exactly 0 (design 5, reach).
BORDER = np.array([[0.75, 0.25, 0.0], [0.125, 0.75, 0.125], [0.0, 0.5, 0.5]])


@pytest.mark.parametrize(
    ("change", "inside"), [(0.0, True), (1e-4, False), (-1e-4, False)], ids=["border", "above", "below"]
)
def test_a_target_on_the_border_of_reach_is_shown_and_a_hair_outside_is_not(change, inside):
    panel = panel_of(SimulatedDisplay(128, D65, **WIDE, black=0.02))
    A = BORDER.copy()
    A[0, 2 if change < 0 else 0] += change
    matrix = panel.matrix @ A
    hair = 1e-12  # of rounding in N⁻¹T
    inner = panel.matrix @ (A * (1 - hair) + hair * 1e-3)
    assert reaches(inner, panel.black_xyz, panel.matrix, panel.black_xyz) is inside
    correction = curves_correction(panel, matrix, panel.black_xyz, 2.6)
    corners = signal_cube(2).astype(np.float32)
    asked = correction.matrix.apply(correction.input.apply(corners))
    clipped = np.abs(asked - correction.clamp.apply(asked)).max()
    assert bool(clipped < FLOAT_32) is inside
    wanted = shows(matrix, panel.black_xyz, lambda signal: signal**2.6)
    table = table_correction(panel, wanted, panel.white_xyz)
    off = [np.abs(panel.forward(kind.apply(corners)) - wanted(corners)).max() for kind in (correction, table)]
    clipped_light = 1e-4 * panel.matrix[:, 0].max()
    for error in off:
        assert bool(error < 0.1 * clipped_light) is inside


def test_out_of_reach_a_table_is_better_than_curves():
    target, panel = SimulatedDisplay(48, DCI, **P3), panel_of(SimulatedDisplay(200, D65, **NARROW, black=0.02))
    wanted = shows(target.matrix, panel.black_xyz, lambda signal: signal**2.6)
    signal = signals()
    curves = difference(curves_correction(panel, target.matrix, panel.black_xyz, 2.6), panel, wanted, signal)
    table = difference(table_correction(panel, wanted, wanted(np.ones(3))), panel, wanted, signal)
    assert table.mean() < 0.9 * curves.mean()
    assert table.max() < 0.9 * curves.max()
    drive = np.linalg.solve(panel.matrix, target.matrix) @ (signal**2.6).T
    inside = ((drive >= 0) & (drive <= 1)).all(axis=0)
    assert curves[inside].max() < CURVES_WORST
    assert table[inside].mean() < TABLE_MEAN


def test_a_lower_top_holds_both_kinds_back():
    target, panel = SimulatedDisplay(150, D65, **P3), panel_of(SimulatedDisplay(200, D65, **WIDE, black=0.02))
    wanted = shows(target.matrix, panel.black_xyz, lambda signal: signal**2.4)
    white = np.ones((1, 3))
    for correction in (
        curves_correction(panel, target.matrix, panel.black_xyz, 2.4, top=0.5),
        table_correction(panel, wanted, wanted(np.ones(3)), top=0.5, shape=Shape(nodes=5)),
    ):
        assert panel.linear(correction.apply(white)).max() == pytest.approx(0.5, abs=1e-6)


class Bent:
    """A panel whose channels disturb each other, with an inverse of its own."""

    def forward(self, signal):
        return 50 * signal * (1 + 0.1 * np.roll(signal, 1, axis=-1) * (1 - signal))

    def inverse(self, xyz):
        signal = xyz / 50
        for _ in range(50):
            signal = xyz / 50 / (1 + 0.1 * np.roll(signal, 1, axis=-1) * (1 - signal))
        return signal


def test_a_panel_that_is_not_additive_answers_through_its_own_inverse():
    panel = Bent()
    signal = np.random.default_rng(82).uniform(size=(2_000, 3))

    def wanted(signal):
        return 40 * signal

    shown = panel.forward(table_correction(panel, wanted, np.full(3, 50.0), shape=Shape(nodes=17)).apply(signal))
    assert shown == pytest.approx(wanted(signal), abs=0.02)
    with pytest.raises(InputError, match=r"top = 0\.8 .*leave it at 1"):
        table_correction(panel, wanted, np.full(3, 50.0), top=0.8)
