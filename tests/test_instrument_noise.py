"""Noise from repeats: factors of the GUM, recovery of a known noise, how many repeats."""

import numpy as np
import pytest

from matchlib.readings.instrument_noise import NoiseModel, fit_noise, repeats_needed, t_factor
from matchlib.readings.session import Patches


@pytest.mark.parametrize(
    ("count", "factor"),
    # JCGM 100:2008, Table G.2: t at 95.45 % for n − 1 degrees of freedom
    [(2, 13.97), (3, 4.53), (4, 3.31), (5, 2.87), (6, 2.65), (8, 2.43), (10, 2.32), (20, 2.14)],
)
def test_factors_of_student(count, factor):
    assert t_factor(count - 1) == pytest.approx(factor, abs=0.005)


def repeated(noise, count, seed):
    luminance = np.geomspace(0.005, 100, 25)
    read = luminance + noise.deviation(luminance) * np.random.default_rng(seed).standard_normal((count, 25))
    xyz = np.repeat(read.mean(axis=0)[:, None], 3, axis=1)
    scatter = np.repeat(read.std(axis=0, ddof=1)[:, None], 3, axis=1)
    signal = np.repeat(np.linspace(0, 1, 25)[:, None], 3, axis=1)
    return Patches(((),) * 25, signal, xyz, np.full(25, float(count)), scatter, 0.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("floor", "relative"), [(0.002, 0.0015), (0.01, 0.004), (0.0003, 0.01)])
def test_a_known_noise_is_recovered(floor, relative, seed):
    # Some 12 patches of 9 degrees of freedom tell each part to about 1/√(2·108) = 7 %; three of those.
    found = fit_noise(repeated(NoiseModel(floor, relative, 0), 10, seed))
    assert found.floor == pytest.approx(floor, rel=0.22)
    assert found.relative == pytest.approx(relative, rel=0.22)
    assert found.freedom == 25 * 9


def test_without_repeats_there_is_no_model():
    patches = repeated(NoiseModel(0.01, 0.001, 0), 2, 1)
    single = Patches(patches.labels, patches.signal, patches.xyz, np.ones(25), patches.scatter * np.nan, 0.0)
    assert fit_noise(single) is None


def test_repeats_needed_by_hand():
    # σ = √(0.01² + (0.003 · 0.1)²) ≈ 0.0100; U = 2.0 σ / √n ≤ 0.005 asks n = 16.01 → 17 (k = 2.0 without a fit)
    assert repeats_needed(NoiseModel(0.01, 0.003, 0), 0.1, 0.05) == 17
    assert repeats_needed(NoiseModel(0.01, 0.003, 0), 50.0, 0.05) == 1
    with pytest.raises(ValueError, match="must be above 0"):
        repeats_needed(NoiseModel(0.01, 0.003, 0), 0.0, 0.05)


def test_so_many_repeats_do_reach_the_wanted_uncertainty():
    noise = NoiseModel(0.004, 0.002, 200)
    count = repeats_needed(noise, 0.05, 0.04)
    means = 0.05 + noise.deviation(0.05) * np.random.default_rng(2).standard_normal((4000, count)).mean(axis=1)
    assert np.mean(np.abs(means / 0.05 - 1) <= 0.04) == pytest.approx(0.9545, abs=0.012)
