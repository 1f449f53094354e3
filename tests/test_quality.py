"""Every check fires on a file made to have its fault, on no session of the demo, and on the faults of real ones.

Real readings: ``reference/warmup_sweeps``, ``reference/oled_load``, ``reference/wide_gamut_lcd``, each with a
SOURCE.txt. The planted files are simulated displays of known truth with one thing made wrong.
"""

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import matchlib
from matchlib.arrays import read_only
from matchlib.displays.simulate import Noise, SimulatedDisplay, session_patches
from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.file import read_facility
from matchlib.facility.rooms import Instrument
from matchlib.matching.result import RoomMatch
from matchlib.readings.archive import Archive
from matchlib.readings.checks.evidence import Evidence
from matchlib.readings.checks.finding import Context
from matchlib.readings.checks.ramps import slope_falls
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.quality import CHECKS, SEVERITIES, check_session, find
from matchlib.readings.session import Header, Session
from matchlib.running.gate import check

DATA = Path(__file__).parents[1] / "data"
REFERENCE = Path(__file__).parent / "reference"
PANEL = SimulatedDisplay(46.0, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.03)
NOISE = Noise(relative=0.0015, floor=0.0004)
METER = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
FILE = "readings/M1.csv"
KEYS = {"display": "M1", "measured": "2026-03-02T10:00:00", "instrument": "S1", "signal_max": "1023"}
ABSENT = "2026-01-05T10:00:00"  # of an earlier session


def made(edit=None, display=PANEL, signal=None):
    """Return signals and readings of a session, one thing made wrong in them."""
    signal = session_patches(16, 3).signal.copy() if signal is None else signal.copy()
    xyz = NOISE.read(display.show(signal), np.random.default_rng(7))
    if edit is None:
        return signal, xyz
    return edit(signal, xyz) or (signal, xyz)


def text(signal, xyz, top=1023, **keys):
    """Return a session file without labels."""
    head = "".join(f"# {key}: {value}\n" for key, value in (KEYS | keys).items())
    codes = np.round(signal * top).astype(int)
    rows = (
        ",".join([*map(str, code), *(f"{value:.6g}" for value in light)])
        for code, light in zip(codes.tolist(), xyz.tolist(), strict=True)
    )
    return head + "r,g,b,X,Y,Z\n" + "\n".join(rows) + "\n"


def at(signal, *wanted):
    return np.flatnonzero(np.abs(signal - wanted).max(axis=1) < 1e-6)


def grey(signal):
    return np.flatnonzero(np.ptp(signal, axis=1) == 0)


def sweeps(count):
    """Return a session's signals with its greys read again and again before and after it."""
    first = session_patches(16, 1).signal
    levels = np.repeat(np.arange(1, 17)[:, None] / 16, 3, axis=1)
    return np.vstack([*[levels] * (count // 2), first, *[levels] * (count - count // 2)])


# --- one thing made wrong; each takes signals and readings and changes them in place or returns others ----------
def alike(signal, xyz):
    xyz[:] = xyz[at(signal, 1, 1, 1)[0]] * (1 + 0.001 * np.sin(np.arange(len(xyz)))[:, None])


def black_is_white(signal, xyz):
    xyz[at(signal, 0, 0, 0)] = 0.6 * xyz[at(signal, 1, 1, 1)[0]]


def black_above_a_step(signal, xyz):
    xyz[at(signal, 0, 0, 0)] += 0.3


def no_red(signal, xyz):
    xyz[at(signal, 1, 0, 0)] = 0.5 * xyz[at(signal, 0, 0, 0)[0]]


def x_and_z(signal, xyz):
    return signal, xyz[:, ::-1]


def red_and_green(signal, xyz):
    return signal[:, [1, 0, 2]], xyz


def zero(signal, xyz):
    xyz[at(signal, 0.5, 0.5, 0.5)] = 0


def foot_lamberts(signal, xyz):
    return signal, xyz / 3.4262591


def clipped_white(signal, xyz):
    rows = grey(signal)
    rows = rows[signal[rows, 0] > 0.8]
    xyz[rows] = xyz[at(signal, 0.8125, 0.8125, 0.8125)[0]] * (1 + 0.001 * np.sin(rows)[:, None])


def crushed_black(signal, xyz):
    rows = grey(signal)
    rows = rows[(signal[rows, 0] > 0) & (signal[rows, 0] < 0.3)]
    xyz[rows] = xyz[at(signal, 0, 0, 0)[0]]


def falling(signal, xyz):
    one, two = at(signal, 0.5, 0.5, 0.5)[0], at(signal, 0.5625, 0.5625, 0.5625)[0]
    xyz[[one, two]] = xyz[[two, one]]


def kink(signal, xyz):
    xyz[at(signal, 0.5, 0.5, 0.5)] *= 1.12


def leaking(signal, xyz):
    rows = np.flatnonzero((signal[:, 0] > 0.2) & (signal[:, 0] < 0.8) & (signal[:, 1:].max(axis=1) == 0))
    xyz[rows] += 0.6 * PANEL.matrix.sum(axis=1) / 46


def boosted_white(signal, xyz):
    xyz[at(signal, 1, 1, 1)] *= 1.08


def limited_white(signal, xyz):
    xyz[at(signal, 1, 1, 1)] *= 0.92


def drifting(_signal, xyz):
    xyz *= np.linspace(1, 0.95, len(xyz))[:, None]


def white_shifts(_signal, xyz):
    xyz *= np.linspace(1, [1.0, 1.0, 1.02], len(xyz))


def tone_drifts(signal, xyz):
    turn = np.linspace(0, 0.1, len(xyz))[:, None]
    xyz *= np.maximum(signal.max(axis=1), 0.01)[:, None] ** turn


def warming(_signal, xyz):
    xyz *= 1 + 0.15 * np.exp(-np.arange(len(xyz)) / (0.2 * len(xyz)))[:, None]


def loaded(_signal, xyz):
    xyz *= 1 - 0.15 * np.random.default_rng(3).random(len(xyz))[:, None]


def spike(signal, xyz):
    xyz[at(signal, 1, 1, 1)[1]] *= 0.93


def dark(signal, xyz):
    rows = np.flatnonzero((signal.max(axis=1) < 0.3) & (signal.max(axis=1) > 0))
    xyz[rows] = 0.004


def lit_room(_signal, xyz):
    xyz += [0.095, 0.1, 0.109]


def untouched(signal, xyz):
    return signal, xyz


PLANTED = {
    "readings alike": (alike, "refuse", "the patches never reached the screen"),
    "black": (black_is_white, "refuse", "black reads 27"),
    "black above a step": (black_above_a_step, "warn", "above the next step of the"),
    "primaries without light": (no_red, "refuse", "full red reads 0.01482 cd/m², no more than black"),
    "X and Z swapped": (x_and_z, "refuse", "with X and Z exchanged all three primaries are ordinary"),
    "r, g, b swapped": (red_and_green, "refuse", "full red shows green"),
    "zero not read": (zero, "refuse", "exactly 0, 0, 0, first at R 50.05 G 50.05 B 50.05"),
    "saturated ramp": (clipped_white, "warn", "the grey ramp is saturated"),
    "saturated ramp, dark end": (crushed_black, "warn", "the grey ramp is clipped at the dark end"),
    "ramp falls": (falling, "warn", "the grey ramp falls from"),
    "contours": (kink, "note", "climbs more slowly above"),
    "primary shifts": (leaking, "warn", "primaries change colour along their ramps, black subtracted: red at"),
    "sum of primaries": (boosted_white, "warn", "white is brighter than its parts"),
    "sum of primaries, limited": (limited_white, "warn", "white is dimmer than its parts"),
    "outliers": (spike, "warn", "-7 % from its neighbours"),
    "below the floor": (dark, "warn", "less than the instrument's floor of 0.01 cd/m²"),
}
REPEATED = {
    "white drift": (drifting, "warn", "white drifts by -4."),
    "white drift, colour": (white_shifts, "warn", "white changes colour by 0.00"),
    "tone drift": (tone_drifts, "warn", "the tone curve drifts"),
    "warm-up": (warming, "warn", "had not warmed up when it began"),
    "screen load": (loaded, "warn", "the light depends on what else the screen shows"),
}
ELSEWHERE = {
    "luminance unit",
    "signal range",
    "room light",
    "older than the adjustment",
    "filed twice",
    "contact and veil",
}
NAMES = {check.name for check in CHECKS}


def told(root, name="M1"):
    """Return what the archive finds in a monitor's session, whether it counts or is refused."""
    facility = read_facility(root)
    choice = Archive(facility).calibrated_choice(next(m for m in facility.monitors if m.id == name))
    return choice, {(found.check, found.severity, found.evidence) for found in choice.findings}


def expect(root, name, severity, words):
    choice, found = told(root)
    check_name = name if name in NAMES else name.split(",")[0]
    if severity == "refuse":
        assert choice.session is None
        assert any(words in problem.what and problem.file == FILE for problem in choice.problems), choice.problems
    else:
        assert any((c, s) == (check_name, severity) and words in e for c, s, e in found), found
    return found


def test_every_check_has_a_planted_file():
    planted = {name for name in {*PLANTED, *REPEATED} if name in NAMES}
    assert planted | ELSEWHERE == NAMES
    assert len(NAMES) == len(CHECKS)


def test_only_the_checks_of_plausibility_refuse(make_facility):
    """check_session runs no others."""
    for edit, severity, _ in PLANTED.values():
        if severity == "refuse":
            root = make_facility(name=edit.__name__, files={FILE: text(*made(edit))})
            facility = read_facility(root)
            entry = Archive(facility).of("M1")[0]
            session = read_session((root / entry.file).read_bytes(), entry.file, facility, STANDARD["P3 DCI"])
            with pytest.raises(InputError, match="the session is refused"):
                check_session(session, Context(instrument=METER))


def test_the_session_in_which_faults_are_planted_has_none(make_facility):
    root = make_facility(files={FILE: text(*made())})
    choice, found = told(root)
    assert choice.session is not None
    assert found == set()
    repeated = made(signal=sweeps(6))
    assert told(make_facility(name="again", files={FILE: text(*repeated)}))[1] == set()


@pytest.mark.parametrize("name", PLANTED)
def test_a_check_fires_on_a_file_made_to_have_its_fault(make_facility, name):
    edit, severity, words = PLANTED[name]
    found = expect(make_facility(files={FILE: text(*made(edit))}), name, severity, words)
    assert len({entry[0] for entry in found}) <= 5, found  # and not everything at once


@pytest.mark.parametrize("name", REPEATED)
def test_a_check_of_repeats_fires_on_a_file_made_to_have_its_fault(make_facility, name):
    edit, severity, words = REPEATED[name]
    found = expect(make_facility(files={FILE: text(*made(edit, signal=sweeps(6)))}), name, severity, words)
    assert len({entry[0] for entry in found}) <= 5, found


def test_white_may_stand_while_the_tone_drifts(make_facility):
    root = make_facility(files={FILE: text(*made(tone_drifts, signal=sweeps(6)))})
    assert "white drift" not in {name for name, _, _ in told(root)[1]}


def test_a_luminance_in_fl_is_seen_beside_an_earlier_session(make_facility):
    earlier = text(*made(), measured=ABSENT)
    root = make_facility(files={FILE: text(*made(foot_lamberts)), "readings/M1_january.csv": earlier})
    expect(root, "luminance unit", "warn", "as if fL had been declared as cd/m²")


def test_a_luminance_in_fl_is_seen_on_a_projector_by_its_nominal_peak(make_facility):
    keys = {"display": "P1", "measured": "2026-03-02T10:00:00"}
    root = make_facility(files={"readings/P1.csv": text(*made(foot_lamberts), **keys)})
    findings = Archive(read_facility(root)).projector_choice("P1").findings
    assert [found.check for found in findings if found.severity == "warn"] == ["luminance unit"]


def test_cd_m2_declared_as_fl_is_seen_too(make_facility):
    earlier = text(*made(), measured=ABSENT)
    later = text(*made(), luminance_unit="fL")
    root = make_facility(files={FILE: later, "readings/M1_january.csv": earlier})
    expect(root, "luminance unit", "warn", "as if cd/m² had been declared as fL")


@pytest.mark.parametrize(("top", "declared"), [(255, 1023), (1023, 4095), (940, 1023), (100, 255)])
def test_a_mistaken_signal_range_is_named_where_the_session_is_passed_over(make_facility, top, declared):
    root = make_facility(files={FILE: text(*made(), top=top, signal_max=declared)})
    choice, _ = told(root)
    assert choice.session is None
    assert choice.problems == ()
    (warning,) = [w for w in choice.warnings if "looks as if" in w.what or "look as if" in w.what]
    assert f"signal_max is {declared} but no code is above {top}" in warning.what
    assert f"write '# signal_max: {top}'" in warning.do


def test_room_light_is_told_by_a_contact_session(make_facility):
    contact = text(*made(), instrument="C1", measured=ABSENT)
    root = make_facility(files={FILE: text(*made(lit_room)), "readings/M1_contact.csv": contact})
    expect(root, "room light", "warn", "was due by readings/M1_contact.csv, which saw no room light")


def test_room_light_is_told_by_the_contrast_of_the_panel(make_facility):
    monitors = "monitor,room,panel\nM1,studio-1,OLED\nM2,studio-1,wide-gamut LCD\nM3,studio-2,OLED\n"
    root = make_facility(monitors=monitors, files={FILE: text(*made(lit_room))})
    expect(root, "room light", "warn", "less than any OLED shows (2000:1)")


def test_room_light_in_one_session_is_a_note(make_facility):
    expect(make_facility(files={FILE: text(*made(lit_room))}), "room light", "note", "one session cannot tell")


def test_a_session_that_saw_no_room_light_is_not_suspected(make_facility):
    root = make_facility(files={FILE: text(*made(lit_room), instrument="C1")})
    assert "room light" not in {name for name, _, _ in told(root)[1]}


PAIR = """
[[corrections]]
instrument = "C1"
session = "readings/pairs/M1_C1.csv"
reference_session = "readings/pairs/M1_S1.csv"
"""


@pytest.mark.parametrize(("mode", "fires"), [("calibrated", True), ("native", False)])
def test_room_light_is_told_by_the_contact_session_of_a_correction(make_facility, mode, fires):
    contact = text(*made(), instrument="C1", measured=ABSENT, mode=mode)
    beside = text(*made(lit_room), measured=ABSENT, mode=mode)
    files = {"readings/pairs/M1_C1.csv": contact, "readings/pairs/M1_S1.csv": beside}
    root = make_facility(toml_more=PAIR, files=files | {FILE: text(*made(lit_room))})
    words = "was due by readings/pairs/M1_C1.csv, which saw no room light"
    assert any(severity == "warn" and words in evidence for _, severity, evidence in told(root)[1]) == fires


def test_a_contact_instrument_that_claims_room_light_contradicts_itself(make_facility):
    root = make_facility(files={FILE: text(*made(), instrument="C1", veil="included")})
    expect(root, "contact and veil", "warn", "C1 is a contact instrument and sees none")
    root = make_facility(name="plain", files={FILE: text(*made(), instrument="C1")})
    assert "contact and veil" not in {name for name, _, _ in told(root)[1]}


@pytest.mark.parametrize(("day", "fires"), [("2026-03-03", True), ("2026-03-02", False), ("2026-02-01", False)])
def test_a_session_older_than_the_last_adjustment(make_facility, day, fires):
    monitors = f"monitor,room,panel,adjusted\nM1,studio-1,wide-gamut LCD,{day}\nM2,studio-1,LCD,\nM3,studio-2,OLED,\n"
    root = make_facility(monitors=monitors, files={FILE: text(*made())})
    found = {(name, severity) for name, severity, _ in told(root)[1]}
    assert (("older than the adjustment", "warn") in found) == fires


def test_the_same_readings_under_another_display_or_date(make_facility):
    twin = text(*made(), display="M2", measured="2026-03-04T10:00:00")
    old = text(*made(), measured=ABSENT)
    root = make_facility(files={FILE: text(*made()), "readings/M2.csv": twin, "readings/M1_january.csv": old})
    found = {evidence for name, severity, evidence in told(root)[1] if (name, severity) == ("filed twice", "warn")}
    assert len(found) == 2
    assert any(words.startswith("readings/M2.csv, of M2, holds the same readings") for words in found)
    assert any(words.startswith("readings/M1_january.csv, of this display") for words in found)
    assert ("filed twice", "warn") in {(name, severity) for name, severity, _ in told(root, "M2")[1]}


def test_a_native_session_with_the_same_readings_is_a_note(make_facility):
    root = make_facility(files={FILE: text(*made()), "readings/M1_native.csv": text(*made(), mode="native")})
    expect(root, "filed twice", "note", "readings/M1_native.csv, the native session, holds the same readings")


def test_a_later_twin_is_not_there_yet(make_facility):
    twin = text(*made(), display="M2", measured="2026-03-04T10:00:00")
    facility = read_facility(make_facility(files={FILE: text(*made()), "readings/M2.csv": twin}))
    choice = Archive(facility, date(2026, 3, 3)).calibrated_choice(facility.monitors[0])
    assert "filed twice" not in {found.check for found in choice.findings}


def test_other_windows_with_another_white_are_a_sign_of_load(make_facility):
    small = text(*made(display=replace(PANEL, luminance=60.0)), measured=ABSENT, window="10 %")
    root = make_facility(files={FILE: text(*made(), window="100 %"), "readings/M1_january.csv": small})
    expect(root, "screen load", "warn", "with a window of 100 %")


# --- the demo: nothing to warn of -----------------------------------------------------------------------------
def demo_choices():
    archive = Archive(read_facility(DATA))
    choices = [archive.projector_choice(name) for name in archive.facility.projectors]
    for monitor in archive.facility.monitors:
        choices += [archive.calibrated_choice(monitor), archive.native_choice(monitor)]
    return [choice for choice in choices if choice.session is not None]


def test_no_check_fires_on_any_session_of_the_demo():
    choices = demo_choices()
    assert len(choices) == 2 + 2 * 8
    findings = [found for choice in choices for found in choice.findings]
    assert [found for found in findings if found.severity != "note"] == []
    assert len(findings) <= len(choices) / 2


@pytest.mark.parametrize("seed", range(40))
def test_a_display_without_fault_gives_no_warning(seed):
    """Seeded displays and noise up to twice the usual, each signal read one to ten times."""
    random = np.random.default_rng(seed)
    shows = replace(PANEL, luminance=random.uniform(30, 400), gamma=(random.uniform(1.8, 2.6),) * 3)
    signal = session_patches(int(random.choice([5, 10, 16])), int(random.choice([1, 2, 5]))).signal
    signal = np.vstack([signal] * int(random.choice([1, 2])))
    noise = Noise(relative=random.choice([0.0005, 0.0015, 0.003, 0.006]), floor=0.002)
    found = find(real(signal, noise.read(shows.show(signal), random)), Context(instrument=METER, panel="LCD"))
    assert [finding for finding in found if finding.severity != "note"] == []


# --- real readings -------------------------------------------------------------------------------------------
def real(signal, xyz):
    """Return a session of real readings in their order."""
    signal = np.asarray(signal, dtype=float)
    if signal.ndim == 1:
        signal = np.repeat(signal[:, None], 3, axis=1)
    header = Header("readings/real.csv", "M1", datetime(2023, 8, 9, tzinfo=UTC), "S1", 1.0)
    usable = np.all((signal >= 0) & (signal <= 1), axis=1)
    return Session(header, "", STANDARD["P3 D65"], (), read_only(signal), read_only(xyz), usable)


def found_in(session, panel=""):
    return {found.check: found for found in find(session, Context(instrument=METER, panel=panel))}


def sweep_session(name, first=1, last=50):
    """Return sweeps ``first`` to ``last``; only Y was read, so X and Z are those of an equal-energy white."""
    table = np.genfromtxt(REFERENCE / "warmup_sweeps" / name, delimiter=",", names=True, dtype=None, encoding="utf-8")
    number = np.array([int(sweep.removeprefix("Test")) for sweep in table["sweep"]])
    kept = (number >= first) & (number <= last)
    luminance = table["mean_cd_m2"][kept]
    return real(table["level"][kept], np.repeat(luminance[:, None], 3, axis=1))


def test_the_unstable_warm_up_is_found_though_white_alone_is_blind_to_it():
    found = found_in(sweep_session("unstable_tone_curve.csv"))
    assert found["tone drift"].severity == "warn"
    assert "repeated patches move" in found["tone drift"].evidence
    assert found["warm-up"].severity == "warn"
    assert "white drift" not in found


def test_the_outliers_of_the_first_sweep_are_found():
    """Levels .226 and .258 of the first sweep read 34.2 and 23.9 (SOURCE.txt); the ramp falls there."""
    assert (
        "falls from 34.17 cd/m² at 22.58 %"
        in found_in(sweep_session("unstable_tone_curve.csv", 1, 1))["ramp falls"].evidence
    )
    words = found_in(sweep_session("unstable_tone_curve.csv", 1, 12))["outliers"].evidence
    assert "reads 34.17 cd/m², +22 %" in words
    assert "reads 23.92 cd/m², -28 %" in words


def test_the_stable_tone_curve_has_no_tone_drift():
    for first, last in ((1, 50), (1, 8), (10, 50)):
        assert "tone drift" not in found_in(sweep_session("stable_tone_curve.csv", first, last))


def oled_session():
    table = np.genfromtxt(REFERENCE / "oled_load" / "readings.csv", delimiter=",", names=True)
    return real(table["target_grey"], np.column_stack([table["X"], table["Y"], table["Z"]]))


def test_the_oled_that_depends_on_its_load_is_found():
    found = found_in(oled_session(), "OLED")
    assert found["screen load"].severity == "warn"
    assert "9 of 9 repeated patches scatter" in found["screen load"].evidence
    assert not {"white drift", "tone drift", "warm-up"} & set(found)


def lcd_session(name):
    """Return the uniform patches, the ambient added back to the ramps (as test_measured_panel does)."""
    table = np.genfromtxt(
        REFERENCE / "wide_gamut_lcd" / name, delimiter=",", names=True, dtype=None, encoding="utf-8"
    )
    xyz = np.column_stack([table["X"], table["Y"], table["Z"]])
    xyz = xyz + xyz[table["block"] == "ambient"][0] * (table["block"] == "ramp_ambient_subtracted")[:, None]
    kept = np.isin(table["block"], ("ambient", "ramp_ambient_subtracted", "additivity"))
    return real(np.column_stack([table["R"], table["G"], table["B"]])[kept], xyz[kept])


def test_the_failed_session_is_refused_and_judged_no_further():
    found = found_in(lcd_session("failed_session.csv"), "wide-gamut LCD")
    assert {name: finding.severity for name, finding in found.items()} == {"readings alike": "refuse"}
    with pytest.raises(InputError, match="never reached the screen"):
        check_session(lcd_session("failed_session.csv"))


def test_the_good_session_has_primaries_that_shift_and_no_other_fault():
    """Its red and blue change along their ramps: no matrix follows them (the fit's error in test_measured_panel)."""
    session = lcd_session("good_session.csv")
    assert set(found_in(session, "wide-gamut LCD")) == {"primary shifts"}
    assert 0.0027 / 3 < Evidence(session).relative_noise < 0.0027  # 0.27 % (SOURCE.txt), tails left out


def test_the_noise_of_simulated_repeats_is_recovered():
    """Seeded: 112 readings of 16 greys tell a standard deviation to 1/√(2·80), 8 %; the median to twice that."""
    session = real(*made(signal=sweeps(6)))
    known = NOISE.relative * np.sqrt(1 + 1 / 27)  # a factor common to X, Y, Z, and a third of it a channel
    assert Evidence(session, 0.01).relative_noise == pytest.approx(known, rel=0.25)


# ICDM IDMS, 6.14, worked example of slope monotonicity: V and L. Its first derivatives from the top are 1.9636,
# 1.6463, 1.2718, 1.2764, …: the slope falls where 127 to 159 meets 159 to 191, which the example books at the upper
# end of its interval, V = 191.
SLOPE_V = (0, 31, 63, 95, 127, 159, 191, 223, 255)
SLOPE_L = (0.1, 0.28, 1.10, 3.47, 7.93, 13.52, 19.09, 26.30, 34.90)


def test_the_published_example_of_slope_monotonicity_fails_where_it_should():
    signal = np.array(SLOPE_V) / 255
    assert [SLOPE_V[place] for place in slope_falls(signal, np.array(SLOPE_L))] == [159]
    slopes = np.diff(SLOPE_L) / 34.90 / np.diff(signal)
    assert slopes[::-1][:6] == pytest.approx([1.9636, 1.6463, 1.2718, 1.2764, 1.0184, 0.5411], abs=1e-4)


def test_a_power_law_passes_slope_monotonicity():
    signal = np.linspace(0, 1, 17)
    assert slope_falls(signal, 48 * signal**2.6) == []


# --- whatever is read, the checks answer ----------------------------------------------------------------------
@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(*[st.sampled_from((0.0, 0.25, 0.5, 0.9, 1.0))] * 3, *[st.floats(-0.01, 300)] * 3),
        min_size=1,
        max_size=40,
    )
)
def test_the_checks_answer_in_words_whatever_was_read(rows):
    table = np.array(rows)
    for found in find(real(table[:, :3], table[:, 3:])):
        assert found.severity in SEVERITIES
        assert found.evidence
        assert found.advice
        assert "nan" not in found.evidence.split()


# --- where the findings go --------------------------------------------------------------------------------------
def test_findings_reach_the_match_the_json_and_the_gate(make_facility):
    root = make_facility(files={FILE: text(*made(spike))})
    room = matchlib.match_room(root, "studio-1")
    (first, second) = room.monitors
    assert [found.check for found in first.findings] == ["outliers"]
    assert second.findings == ()
    content = json.loads(room.to_json())
    (entry,) = content["monitors"][0]["findings"]
    assert {"check", "severity", "evidence", "advice"} <= set(entry)
    assert content["projector"]["findings"] == []
    assert RoomMatch.from_json(room.to_json()).monitors[0].findings == first.findings
    lines = check(root).sessions
    assert any(line.strip().startswith("warn · outliers: readings far from their repeats") for line in lines)


def test_page_one_names_warnings_and_the_table_names_all(make_facility):
    from matchlib.reporting import pages

    room = matchlib.match_room(make_facility(files={FILE: text(*made(spike))}), "studio-1")
    assert any(note.startswith("M1: outliers: ") for note in pages.page_one_notes(room))
    ((name, finding),) = pages.findings_of(room)
    assert (name, finding.severity) == ("M1", "warn")
    noted = matchlib.match_room(make_facility(name="lit", files={FILE: text(*made(lit_room))}), "studio-1")
    assert [finding.severity for _, finding in pages.findings_of(noted)] == ["note"]
    assert not any("room light" in note for note in pages.page_one_notes(noted))


def test_a_twin_in_another_room_changes_the_hash(make_facility):
    """The finding is of a file that is no input of the room, so it must count by itself."""
    alone = matchlib.match_room(make_facility(files={FILE: text(*made())}), "studio-1")
    twin = text(*made(), display="M3", measured="2026-03-04T10:00:00")
    root = make_facility(name="twin", files={FILE: text(*made()), "readings/M3.csv": twin})
    beside = matchlib.match_room(root, "studio-1")
    assert alone.inputs == beside.inputs
    assert [found.check for found in beside.monitors[0].findings] == ["filed twice"]
    assert alone.hash != beside.hash
