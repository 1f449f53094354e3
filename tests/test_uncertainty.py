"""Uncertainty carried to the differences: coverage on displays of known truth, the linear law, reproducibility."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from matchlib.displays.response import fit_response, fit_shares
from matchlib.displays.simulate import Noise, SimulatedDisplay, session_patches
from matchlib.encoding import STANDARD
from matchlib.facility.rooms import Instrument
from matchlib.matching.errors_of_readings import Display, Scatter, display_of, noise_of, sources_of
from matchlib.matching.expecting import Expecting
from matchlib.matching.figures_uncertainty import expanded_figures, figures_read, linear_parts
from matchlib.matching.lengths import Length
from matchlib.matching.misreading import EACH
from matchlib.matching.uncertainty import SAMPLES, Uncertainty, linear_law, uncertainty_of
from matchlib.patches import standard_list
from matchlib.perception.difference import ciede2000, uv, xy
from matchlib.perception.viewing import ABSOLUTE
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Header, Session, average_repeats
from matchlib.readings.session_drift import Drift, drift_of

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


def trial(random, second, monitor=MONITOR):
    """Return the uncertainty that one simulated visit finds; instruments err as they state."""
    common, scale = random.standard_normal(2), random.standard_normal()
    found = []
    for display, instrument in ((SCREEN, SPECTRO), (monitor, second)):
        share = instrument.common_xy if second is SPECTRO else 0.0
        own_scale = scale if instrument is SPECTRO else random.standard_normal()
        step = np.sqrt(share) * common + np.sqrt(1 - share) * random.standard_normal(2)
        shown = display.show(PATCHES.signal)
        read = misread(shown, instrument.luminance / 2 * own_scale, instrument.xy / 2 * step)
        found.append(errors_of(session(NOISE.read(read, random)), instrument))
    return uncertainty_of(found[0], found[1], ABSOLUTE, found[0].response.gamma)


def truth(monitor=None):
    monitor = monitor or MONITOR
    ours, theirs = SCREEN.show(SIGNAL), monitor.show(SIGNAL)
    whites = SCREEN.show(np.ones(3)), monitor.show(np.ones(3))
    differences = ciede2000(ours, theirs, whites[0])
    u, v = uv(whites[1]) - uv(whites[0])
    return {
        "mean_difference": differences.mean(),
        "p95_difference": np.percentile(differences, 95),
        "white": np.hypot(u, v),
        "white_u": u,
        "white_v": v,
        "luminance": whites[1][1] / whites[0][1] - 1,
        "gamma": monitor.gamma[0] - SCREEN.gamma[0],
    }


@pytest.mark.slow(minutes=1)
@pytest.mark.parametrize(("second", "seed"), [(SPECTRO, 1), (CONTACT, 2)], ids=["one instrument", "two instruments"])
def test_intervals_cover_the_truth(second, seed, capsys):
    # 95 ± 2 %: over 1,000 trials the share itself scatters by 0.7 % (binomial).
    random, known = np.random.default_rng(seed), truth()
    hits = dict.fromkeys(known, 0)
    for _ in range(TRIALS):
        found = trial(random, second)
        for name, value in known.items():
            if name == "p95_difference":  # slow, and not asked for
                continue
            spread = found.spread(name)
            hits[name] += spread.low <= value <= spread.high
    with capsys.disabled():
        print(f"\ncoverage of 95 % intervals, {TRIALS} visits, monitor read by {second.kind}")
        for name, count in hits.items():
            if name == "p95_difference":
                continue
            print(f"  {name:<16} {100 * count / TRIALS:5.1f} %")
    for name in ("mean_difference", "white_u", "white_v", "luminance", "gamma"):
        assert 0.93 <= hits[name] / TRIALS <= 0.97, name


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
    # Of a truth of zero only readings too long for it can miss: the interval is one-sided there, and so at 1 u.
    assert 0.93 <= hits / trials <= 0.97


def display(shown, sources, scatter=None):
    read = session(shown.show(PATCHES.signal))
    response, patches = fit_response(read), average_repeats(read)
    fitted = response.forward(patches.signal), fit_shares(patches, response)
    return Display(response, SIGNAL, sources, scatter, Drift(), *fitted)


def test_one_instrument_has_one_luminance_scale_and_two_have_two():
    one, other = sources_of(SPECTRO, METERS), sources_of(CONTACT, METERS)
    same = uncertainty_of(display(SCREEN, one), display(MONITOR, one), ABSOLUTE, 2.6).spread("luminance")
    two = uncertainty_of(display(SCREEN, one), display(MONITOR, other), ABSOLUTE, 2.6).spread("luminance")
    assert same.standard < 1e-12
    ratio = MONITOR.show(np.ones(3))[1] / SCREEN.show(np.ones(3))[1]
    assert two.standard == pytest.approx(ratio * np.hypot(0.01, 0.02), rel=0.01)  # √(0.01² + 0.02²)


def test_common_xy_decides_how_far_white_is_known():
    # u(x₂ − x₁) = u √(2 (1 − c)) with correlation c (JCGM 100:2008, 5.2.2)
    found = {}
    for share in (0.0, 0.5, 1.0):
        sources = sources_of(SPECTRO, METERS)
        sources = type(sources)(sources.instrument, 0.0, sources.xy, share)
        found[share] = linear_law(display(SCREEN, sources), display(MONITOR, sources), ABSOLUTE)["white_u"]
    assert found[0.5] / found[0.0] == pytest.approx(np.sqrt(0.5), rel=0.02)
    assert found[1.0] < 0.05 * found[0.0]


def test_monte_carlo_and_the_linear_law_agree_away_from_zero():
    one = sources_of(SPECTRO, METERS)
    far = replace(MONITOR, luminance=40, white_xy=(0.3000, 0.3300), gamma=(2.2,) * 3)
    scatter = Scatter(0.001, np.full(3, 0.001), 0.001, 0.002)
    ours, theirs = display(SCREEN, one, scatter), display(far, one, scatter)
    drawn, law = uncertainty_of(ours, theirs, ABSOLUTE, 2.6), linear_law(ours, theirs, ABSOLUTE)
    # The draws have the variance of the errors exactly; what is left is how the differences bend within one u.
    for name in ("white_u", "white_v", "luminance", "gamma", "mean_difference"):
        assert drawn.spread(name).standard == pytest.approx(law[name], rel=0.05), name


def test_a_nominal_reference_has_no_errors_and_draws_are_the_same_each_time():
    sources = sources_of(SPECTRO, METERS)
    ours, theirs = display(SCREEN, None), display(MONITOR, sources)
    first, second = (uncertainty_of(ours, theirs, ABSOLUTE, 2.6) for _ in range(2))
    assert all(first.samples[name].tobytes() == second.samples[name].tobytes() for name in first.samples)
    assert first.spread("luminance").standard == pytest.approx(0.01 * 46 / 48, rel=0.01)


def test_values_without_errors_are_the_differences_themselves():
    found = uncertainty_of(display(SCREEN, None), display(MONITOR, None), ABSOLUTE, 2.6)
    known = truth()
    for name, value in known.items():
        assert found.values[name] == pytest.approx(value, abs=3e-3), name
        assert found.spread(name).standard < 1e-12
    assert found.probability({"gamma": 0.2, "white": 0.1}) == 1.0
    assert found.probability({"gamma": 0.05, "white": 0.1}) == 0.0


def test_figures_of_a_display_by_the_linear_law_agree_with_monte_carlo():
    # JCGM 101:2008, 8: the law validated against draws of the same errors, here 20,000
    found = errors_of(session(NOISE.read(SCREEN.show(PATCHES.signal), np.random.default_rng(3))), CONTACT)
    drawn = figures_read(found, np.random.default_rng(4).standard_normal((20_000, EACH)))
    for name, parts in linear_parts(found).items():
        law = np.sqrt((parts**2).sum(axis=0))
        assert drawn[name].std(axis=0) == pytest.approx(law, rel=0.03), name


def test_figures_of_a_display_scatter_as_their_uncertainty_says():
    # Simulated visits: errors of the instrument and noise put on readings, fitted anew.
    random, read, u = np.random.default_rng(5), [], []
    for _ in range(250):
        moved = misread(
            SCREEN.show(PATCHES.signal), 0.01 * random.standard_normal(), 0.00075 * random.standard_normal(2)
        )
        response = fit_response(session(NOISE.read(moved, random)))
        read.append([response.luminance, response.black, *xy(response.white_xyz), response.gamma])
    for _ in range(20):
        found = errors_of(session(NOISE.read(SCREEN.show(PATCHES.signal), random)), SPECTRO)
        parts = {name: np.sqrt((part**2).sum(axis=0)) for name, part in linear_parts(found).items()}
        u.append(np.hstack([parts[name] for name in ("luminance", "black", "white_xy", "gamma")]))
    # 250 visits tell a deviation to 4.5 %, and ten degrees of freedom the noise to 22 %, 20 sessions of it to 5 %
    assert np.std(read, axis=0) == pytest.approx(np.sqrt(np.mean(np.square(u), axis=0)), rel=0.2)


def repeated(change, noise, seed):
    """Return a session of greys with white at its start, its middle and its end, drifting by ``change``."""
    signal = np.repeat(
        np.concatenate([np.ones(2), np.linspace(0.1, 0.9, 40), np.ones(2), np.linspace(0.1, 0.9, 40), [1]]), 3
    )
    signal = signal.reshape(-1, 3)
    factors = np.exp(np.log1p(change) * np.linspace(-0.5, 0.5, len(signal)))
    xyz = Noise(noise).read(SCREEN.show(signal) * factors[:, None], np.random.default_rng(seed))
    return replace(session(xyz), labels=("",) * len(xyz), signal=signal, in_range=np.ones(len(xyz), dtype=bool))


def test_drift_is_told_from_noise_and_counted_once():
    drifting = repeated(0.03, 0.001, 1)
    found = drift_of(drifting)
    assert found.change == pytest.approx(0.03, abs=0.002)
    assert found.luminance == pytest.approx(0.03 / np.sqrt(12), rel=0.07)  # JCGM 100:2008, 4.3.7
    # the noise that is left is that of a steady session
    assert noise_of(drifting, SPECTRO, found).relative == pytest.approx(0.001, rel=0.2)
    assert noise_of(drifting, SPECTRO, Drift()).relative > 0.005


def test_noise_alone_is_no_drift():
    told = [drift_of(repeated(0.0, 0.002, seed)) for seed in range(100)]
    assert all(found.told for found in told)
    assert sum(found.luminance > 0 for found in told) <= 12  # 4.55 % expected
    assert not drift_of(session(SCREEN.show(PATCHES.signal))).told  # its repeats stand side by side


def test_drift_widens_what_is_known_of_a_display():
    still = errors_of(session(SCREEN.show(PATCHES.signal)), SPECTRO)
    moving = replace(still, drift=Drift(0.01, 0.001, 0.03, told=True))
    assert expanded_figures(moving)["luminance"] == pytest.approx(48.02 * 2 * np.hypot(0.01, 0.01), rel=0.01)
    assert expanded_figures(moving)["white_xy"][0] == pytest.approx(2 * np.hypot(0.00075, 0.001), rel=0.02)
    assert expanded_figures(moving)["gamma"] == expanded_figures(still)["gamma"]


def expecting(monitor, share):
    """Return what is expected of a target that shows what the screen does, its instrument common or not."""
    sources = replace(sources_of(SPECTRO, METERS), common_xy=share)
    ours, theirs = display(SCREEN, sources), display(monitor, sources)
    now = uncertainty_of(ours, theirs, ABSOLUTE, 2.6).samples["mean_difference"]
    return Expecting(ours, theirs, None, ABSOLUTE, now)


def test_errors_common_to_screen_and_monitor_are_in_no_gain_and_own_ones_are():
    after, black = SCREEN.show(SIGNAL), SCREEN.black_xyz
    common, mean = expecting(MONITOR, 1.0).gain(1.2, 0.0, after, black)
    own, own_mean = expecting(MONITOR, 0.0).gain(1.2, 0.0, after, black)
    assert common.mean == own.mean == 1.2
    assert mean < 0.3 * own_mean
    assert common.uncertainty < 0.3 * own.uncertainty


def test_what_is_gained_is_surer_than_both_ends_of_it():
    # Now and after are nearly alike: the errors of one instrument are in both, and cancel.
    beside = replace(MONITOR, gamma=(2.51,) * 3)
    found = expecting(MONITOR, 0.0)
    gain, u_mean = found.gain(0.0, 0.0, beside.show(SIGNAL), beside.black_xyz)
    assert gain.uncertainty < 0.3 * 2 * u_mean
    assert found.now.std() == pytest.approx(u_mean, rel=0.2)


@pytest.mark.slow(minutes=1)
@pytest.mark.parametrize("multiple", [0, 1, 3])
def test_the_mean_difference_is_covered_near_zero_too(multiple, capsys):
    """Two instruments, a truth of 0, 1 and 3 times u, told by white alone; the interval is one-sided near zero."""
    random, trials = np.random.default_rng(10 + multiple), TRIALS
    shift = multiple * 0.0021  # of white in x; a mean difference of 1 u comes of about so much
    monitor = replace(SCREEN, white_xy=(SCREEN.white_xy[0] - shift, SCREEN.white_xy[1]))
    known, low, high, u = truth(monitor), 0, 0, []
    for _ in range(trials):
        found = trial(random, CONTACT, monitor)
        spread = found.spread("mean_difference")
        low, high = low + (known["mean_difference"] < spread.low), high + (known["mean_difference"] > spread.high)
        u.append(spread.standard)
    with capsys.disabled():
        share = 100 * (1 - (low + high) / trials)
        told = f"truth {known['mean_difference']:.2f}, u {np.mean(u):.2f}"
        print(f"\nmean difference, {multiple} steps ({told}): covered {share:.1f} %")
    assert 0.93 <= share / 100 <= 0.97
