"""Uncertainty carried to the differences: coverage on displays of known truth, the linear law, reproducibility."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from matchlib.displays.response import fit_response, fit_shares
from matchlib.displays.simulate import Noise, SimulatedDisplay, session_patches
from matchlib.encoding import STANDARD
from matchlib.facility.rooms import Instrument
from matchlib.matching.errors_of_readings import Display, Scatter, display_of, sources_of
from matchlib.matching.lengths import Length
from matchlib.matching.uncertainty import SAMPLES, Uncertainty, linear_law, uncertainty_of
from matchlib.patches import standard_list
from matchlib.perception.difference import ciede2000, uv
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Header, Session, average_repeats
from matchlib.readings.session_drift import Drift

SPECTRO = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.002, contact=False, common_xy=0.5)
CONTACT = Instrument("C1", "colorimeter", 0.04, 0.004, 0.01, contact=True, common_xy=0.0)
METERS = Meters({"S1": SPECTRO, "C1": CONTACT}, {})
SCREEN = SimulatedDisplay(48, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.02)
MONITOR = SimulatedDisplay(
    46, (0.3105, 0.3480), (0.676, 0.322), (0.270, 0.682), (0.151, 0.062), gamma=(2.5,) * 3, black=0.04
)
NOISE = Noise(relative=0.0015, floor=0.0005)
PATCHES = session_patches()
SIGNAL = standard_list().signal
TRIALS = 1000


def session(xyz):
    header = Header("x.csv", "x", datetime(2026, 3, 2, tzinfo=UTC), "S1", 4095.0)
    inside = np.ones(len(xyz), dtype=bool)
    return Session(header, "", STANDARD["P3 DCI"], PATCHES.labels, PATCHES.signal, xyz, inside)


def misread(xyz, scale, step):
    """Return what an instrument says whose x, y are off by ``step`` and whose Y by ``scale``."""
    total = xyz.sum(axis=1, keepdims=True)
    xy = xyz[:, :2] / total + step
    y = xyz[:, 1] * (1 + scale)
    return np.stack([y * xy[:, 0] / xy[:, 1], y, y * (1 - xy.sum(axis=1)) / xy[:, 1]], axis=1)


def errors_of(read, instrument):
    return display_of(read, fit_response(read), SIGNAL, sources_of(instrument, METERS), instrument)


def trial(random, second):
    """Return the uncertainty that one simulated visit finds; instruments err as they state."""
    common, scale = random.standard_normal(2), random.standard_normal()
    found = []
    for display, instrument in ((SCREEN, SPECTRO), (MONITOR, second)):
        share = instrument.common_xy if second is SPECTRO else 0.0
        own_scale = scale if instrument is SPECTRO else random.standard_normal()
        step = np.sqrt(share) * common + np.sqrt(1 - share) * random.standard_normal(2)
        shown = display.show(PATCHES.signal)
        read = misread(shown, instrument.luminance / 2 * own_scale, instrument.xy / 2 * step)
        found.append(errors_of(session(NOISE.read(read, random)), instrument))
    return uncertainty_of(found[0], found[1], "absolute", found[0].response.gamma)


def truth():
    ours, theirs = SCREEN.show(SIGNAL), MONITOR.show(SIGNAL)
    whites = SCREEN.show(np.ones(3)), MONITOR.show(np.ones(3))
    differences = ciede2000(ours, theirs, whites[0])
    u, v = uv(whites[1]) - uv(whites[0])
    return {
        "mean_difference": differences.mean(),
        "p95_difference": np.percentile(differences, 95),
        "white": np.hypot(u, v),
        "white_u": u,
        "white_v": v,
        "luminance": whites[1][1] / whites[0][1] - 1,
        "gamma": MONITOR.gamma[0] - SCREEN.gamma[0],
    }


@pytest.mark.slow
@pytest.mark.parametrize(("second", "seed"), [(SPECTRO, 1), (CONTACT, 2)], ids=["one instrument", "two instruments"])
def test_intervals_cover_the_truth(second, seed, capsys):
    # 95 ± 3 %: over 640 trials the share itself scatters by 0.9 % (binomial).
    random, known = np.random.default_rng(seed), truth()
    hits = dict.fromkeys(known, 0)
    for _ in range(TRIALS):
        found = trial(random, second)
        for name, value in known.items():
            spread = found.spread(name)
            hits[name] += spread.low <= value <= spread.high
    with capsys.disabled():
        print(f"\ncoverage of 95 % intervals, {TRIALS} visits, monitor read by {second.kind}")
        for name, count in hits.items():
            print(f"  {name:<16} {100 * count / TRIALS:5.1f} %")
    for name in ("mean_difference", "white_u", "white_v", "luminance", "gamma"):
        assert 0.92 <= hits[name] / TRIALS <= 0.98, name


@pytest.mark.parametrize("multiple", [0, 1, 3])
def test_a_length_is_covered_near_zero_too(multiple, capsys):
    """Of a length in u′v′ whose truth is 0, 1 or 3 standard uncertainties; one-sided where it may be zero."""
    random = np.random.default_rng(multiple)
    trials, hits, naive = 1000, 0, 0
    for _ in range(trials):
        read = np.array([multiple, 0.0]) + random.standard_normal(2)
        errors = random.standard_normal((2, SAMPLES))
        samples = np.hypot(*(read[:, None] + errors))
        value = float(np.hypot(*read))
        length = Length(read[None], errors.T[:, None], lambda lengths: lengths.mean(axis=-1))
        spread = Uncertainty({"white": samples}, {"white": value}, {"white": length}, {"white": np.inf}).spread(
            "white"
        )
        hits += spread.low <= multiple <= spread.high
        naive += abs(value - multiple) <= 2 * spread.standard
        assert value + spread.expanded >= spread.high - 1e-12
    with capsys.disabled():
        print(f"\nlength, truth {multiple} u: covered {hits / 10:.1f} % (value ± 2u: {naive / 10:.1f} %)")
    assert hits / trials >= 0.92


def display(shown, sources, scatter=None):
    read = session(shown.show(PATCHES.signal))
    response, patches = fit_response(read), average_repeats(read)
    fitted = response.forward(patches.signal), fit_shares(patches, response)
    return Display(response, SIGNAL, sources, scatter, Drift(), *fitted)


def test_one_instrument_has_one_luminance_scale_and_two_have_two():
    one, other = sources_of(SPECTRO, METERS), sources_of(CONTACT, METERS)
    same = uncertainty_of(display(SCREEN, one), display(MONITOR, one), "absolute", 2.6).spread("luminance")
    two = uncertainty_of(display(SCREEN, one), display(MONITOR, other), "absolute", 2.6).spread("luminance")
    assert same.standard < 1e-12
    ratio = MONITOR.show(np.ones(3))[1] / SCREEN.show(np.ones(3))[1]
    assert two.standard == pytest.approx(ratio * np.hypot(0.01, 0.02), rel=0.01)  # √(0.01² + 0.02²)


def test_common_xy_decides_how_far_white_is_known():
    # u(x₂ − x₁) = u √(2 (1 − c)) with correlation c (JCGM 100:2008, 5.2.2)
    found = {}
    for share in (0.0, 0.5, 1.0):
        sources = sources_of(SPECTRO, METERS)
        sources = type(sources)(sources.instrument, 0.0, sources.xy, share)
        found[share] = linear_law(display(SCREEN, sources), display(MONITOR, sources), "absolute")["white_u"]
    assert found[0.5] / found[0.0] == pytest.approx(np.sqrt(0.5), rel=0.02)
    assert found[1.0] < 0.05 * found[0.0]


def test_monte_carlo_and_the_linear_law_agree_away_from_zero():
    one = sources_of(SPECTRO, METERS)
    far = replace(MONITOR, luminance=40, white_xy=(0.3000, 0.3300), gamma=(2.2,) * 3)
    scatter = Scatter(0.001, np.full(3, 0.001), 0.001, 0.002)
    ours, theirs = display(SCREEN, one, scatter), display(far, one, scatter)
    drawn, law = uncertainty_of(ours, theirs, "absolute", 2.6), linear_law(ours, theirs, "absolute")
    # The draws have the variance of the errors exactly; what is left is how the differences bend within one u.
    for name in ("white_u", "white_v", "luminance", "gamma", "mean_difference"):
        assert drawn.spread(name).standard == pytest.approx(law[name], rel=0.05), name


def test_a_nominal_reference_has_no_errors_and_draws_are_the_same_each_time():
    sources = sources_of(SPECTRO, METERS)
    ours, theirs = display(SCREEN, None), display(MONITOR, sources)
    first, second = (uncertainty_of(ours, theirs, "absolute", 2.6) for _ in range(2))
    assert all(first.samples[name].tobytes() == second.samples[name].tobytes() for name in first.samples)
    assert first.spread("luminance").standard == pytest.approx(0.01 * 46 / 48, rel=0.01)


def test_values_without_errors_are_the_differences_themselves():
    found = uncertainty_of(display(SCREEN, None), display(MONITOR, None), "absolute", 2.6)
    known = truth()
    for name, value in known.items():
        assert found.values[name] == pytest.approx(value, abs=3e-3), name
        assert found.spread(name).standard < 1e-12
    assert found.probability({"gamma": 0.2, "white": 0.1}) == 1.0
    assert found.probability({"gamma": 0.05, "white": 0.1}) == 0.0
