"""Displays of known truth, read with seeded noise, recovered through a session file and the fit."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.displays.response import fit_response
from matchlib.displays.simulate import Noise, SimulatedDisplay, SimulatedSession, session_patches
from matchlib.encoding import STANDARD
from matchlib.facility.rooms import Facility, Instrument
from matchlib.patches import standard_list
from matchlib.perception.difference import ciede2000, uv, xy
from matchlib.readings.formats.session_csv import read_session

DISPLAYS = 48
NOISE = Noise(0.001)  # one factor a reading, and a third of it a channel
WHITE = 0.0003  # Δu′v′; three readings scatter by about .00007
GAMMA = 0.004  # five standard deviations of a slope through a dozen greys at 0.1 %
PEAK = 0.0035  # relative; six standard deviations of three readings
PRIMARY = 0.0006  # Δu′v′; a third of 0.1 % a channel, largest in the reds
FORWARD = 0.15  # CIEDE2000, mean over the standard list; one reading of 0.1 % is about .03
SIX_DIGITS = 1e-5  # session files are written with six significant digits

KEYS = {
    "display": "P1",
    "measured": "2026-10-02T09:40:00+01:00",
    "instrument": "S1",
    "signal_max": "4095",
}


def random_display(seed):
    """Return a display from inexpensive to wide, dim to bright, with or without a black to see."""
    random = np.random.default_rng(seed)
    red, green, blue = np.array([[0.65, 0.32], [0.25, 0.66], [0.15, 0.06]]) + random.uniform(-0.03, 0.03, size=(3, 2))
    red[1] = min(red[1], 0.999 - red[0])  # a light there is
    gamma = random.uniform(1.6, 2.6) + random.uniform(-0.08, 0.08, size=3)
    return SimulatedDisplay(
        luminance=random.uniform(40, 300),
        white_xy=tuple(random.uniform((0.29, 0.30), (0.33, 0.36))),
        red_xy=tuple(red),
        green_xy=tuple(green),
        blue_xy=tuple(blue),
        gamma=tuple(gamma),
        black=float(random.choice([0.0, 0.001, 0.02, 0.1, 0.4])),
        black_xy=tuple(random.uniform((0.26, 0.26), (0.36, 0.36))),
    )


def read(display, noise, seed=0, patches=None, keys=None):
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
    facility = Facility(Path(), "simulated", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    text = SimulatedSession(display, keys or KEYS, noise, seed).text(patches)
    return read_session(text.encode(), "readings/P1.csv", facility, STANDARD["P3 DCI"])


def true_gamma(display):
    """Return the log–log slope of the greys' true light above black, peak to 5 % (RP 431-2:2011, Annex A)."""
    signal = np.round(np.round(np.arange(1, 17) / 16, 4) * 4095) / 4095
    light = (signal[:, None] ** np.array(display.gamma)) @ display.matrix[1]
    used = light >= 0.05 * light[-1]
    x, y = np.log(signal[used]), np.log(light[used])
    return float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())


@pytest.mark.parametrize("seed", range(DISPLAYS))
def test_a_display_is_recovered_from_noisy_readings(seed):
    display = random_display(seed)
    response = fit_response(read(display, NOISE, seed + 1_000))
    white = display.show(np.ones(3))
    assert np.hypot(*(uv(response.white_xyz) - uv(white))) < WHITE
    assert abs(response.luminance / white[1] - 1) < PEAK
    assert abs(response.gamma - true_gamma(display)) < GAMMA
    assert np.abs(response.channel_gamma - display.gamma).max() < GAMMA * 1.5  # each ramp alone
    assert np.linalg.norm(uv(response.primaries_xyz) - uv(display.matrix.T), axis=1).max() < PRIMARY
    assert response.black == pytest.approx(display.black, rel=PEAK, abs=1e-12)
    signal = standard_list().signal
    assert ciede2000(display.show(signal), response.forward(signal), white).mean() < FORWARD


@pytest.mark.parametrize("seed", range(0, DISPLAYS, 8))
def test_a_display_is_recovered_exactly_from_exact_readings(seed):
    display = random_display(seed)
    response = fit_response(read(display, Noise(0.0)))
    assert response.white_xyz == pytest.approx(display.show(np.ones(3)), rel=SIX_DIGITS)
    assert response.primaries_xyz == pytest.approx(display.matrix.T, rel=2 * SIX_DIGITS, abs=1e-4)
    assert response.matrix == pytest.approx(display.matrix, rel=3 * SIX_DIGITS, abs=2e-4)
    assert response.black_xyz == pytest.approx(display.black_xyz, rel=SIX_DIGITS, abs=1e-12)
    assert response.gamma == pytest.approx(true_gamma(display), abs=2 * SIX_DIGITS)
    assert response.channel_gamma == pytest.approx(np.array(display.gamma), abs=1e-4)  # less of it in the darks
    assert abs(response.additivity_error) < 2 * SIX_DIGITS


def test_steps_between_the_readings_are_met_by_the_curve():
    """Sixteen steps carry a power law to within hundredths of the eye's threshold."""
    display = random_display(3)
    response = fit_response(read(display, Noise(0.0)))
    signal = np.random.default_rng(31).uniform(0, 1, size=(2_000, 3))
    differences = ciede2000(display.show(signal), response.forward(signal), display.show(np.ones(3)))
    assert differences.max() < 0.1


@pytest.mark.parametrize("seed", [0, 3, 6, 8])
@pytest.mark.parametrize("black", [0.02, 0.4])
@pytest.mark.parametrize("noise", [0.0, 0.001])
def test_a_black_that_was_not_read_comes_from_the_fit(seed, black, noise):
    """The dark steps of the ramps share one black: their colours betray it."""
    display = replace(random_display(seed), black=black)
    patches = session_patches()
    lit = patches.signal.max(axis=1) > 0
    kept = type(patches)(tuple(np.array(patches.labels)[lit].tolist()), patches.signal[lit])
    response = fit_response(read(display, Noise(noise), seed, patches=kept))
    assert not response.black_read
    # 2 %, and 0.1 % of the darkest steps of a bright display
    assert response.black == pytest.approx(black, rel=0.02, abs=0.003 * noise / 0.001)
    assert response.gamma == pytest.approx(true_gamma(display), abs=GAMMA)


def test_greys_alone_give_the_tone_where_the_ramps_have_few_steps():
    display = random_display(5)
    patches = session_patches()
    full = patches.signal.max(axis=1) == 1
    grey = np.ptp(patches.signal, axis=1) == 0
    kept = type(patches)(tuple(np.array(patches.labels)[full | grey].tolist()), patches.signal[full | grey])
    response = fit_response(read(display, Noise(0.0), patches=kept))
    assert response.gamma == pytest.approx(true_gamma(display), abs=2 * SIX_DIGITS)
    signal = standard_list().signal
    assert ciede2000(display.show(signal), response.forward(signal), display.show(np.ones(3))).max() < 0.1


def test_ramps_alone_give_the_gamma_where_there_are_few_greys():
    """Fewer than five greys: the mean of the three ramps' slopes."""
    display = random_display(6)
    patches = session_patches()
    kept = (np.ptp(patches.signal, axis=1) > 0) | (patches.signal[:, 0] == 1) | (patches.signal.max(axis=1) == 0)
    few = type(patches)(tuple(np.array(patches.labels)[kept].tolist()), patches.signal[kept])
    response = fit_response(read(display, Noise(0.0), patches=few))
    assert response.gamma == pytest.approx(float(np.mean(display.gamma)), abs=1e-4)


def test_video_range_and_full_range_give_one_display():
    """Codes 64 to 940 and 0 to 1023 of one display: the same figures."""
    display = random_display(7)
    lines = SimulatedSession(display, KEYS | {"signal_max": "876"}, Noise(0.0)).text().splitlines()
    table = lines.index("patch,r,g,b,X,Y,Z")
    shifted = [row.split(",") for row in lines[table + 1 :]]
    shifted = [",".join([row[0], *(str(int(code) + 64) for code in row[1:4]), *row[4:]]) for row in shifted]
    head = [line.replace("signal_max: 876", "signal_max: 940") for line in lines[:table]]
    text = "\n".join([*head, "# signal_min: 64", lines[table], *shifted])
    instrument = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
    facility = Facility(Path(), "simulated", ZoneInfo("UTC"), {}, {}, {"S1": instrument}, ())
    response = fit_response(read_session(text.encode(), "readings/P1.csv", facility, STANDARD["BT.709"]))
    full = fit_response(read(display, Noise(0.0)))
    assert response.gamma == pytest.approx(full.gamma, abs=1e-3)  # other codes, other roundings of the steps
    assert xy(response.white_xyz) == pytest.approx(xy(full.white_xyz), abs=SIX_DIGITS)


def test_noise_is_what_it_says():
    """One factor a reading of 0.2 %, a factor of a third of it a channel, and a floor."""
    xyz = np.full((200_000, 3), 50.0)
    found = Noise(0.002).read(xyz, np.random.default_rng(32)) / 50
    common, own = 0.002, 0.002 / 3
    assert found.std() == pytest.approx(np.hypot(common, own), rel=0.01)
    assert np.cov(found.T)[0, 1] == pytest.approx(common**2, rel=0.03)
    floor = Noise(0.0, floor=0.004).read(np.zeros((200_000, 3)), np.random.default_rng(33))
    assert floor.std() == pytest.approx(0.004, rel=0.01)


def test_the_same_seed_gives_the_same_file():
    display = random_display(8)
    one, same, other = (SimulatedSession(display, KEYS, NOISE, seed).text() for seed in (5, 5, 6))
    assert one == same
    assert one != other
