"""Panels with spectra, a colorimeter whose filters err, and what a correction mends and what it does not.

Spectra and filters are invented; the CIE's functions come from colour-science.
"""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from matchlib.displays.simulate import Noise, SimulatedSession, session_patches
from matchlib.displays.simulate_spectra import (
    COLORIMETER,
    COLORIMETER_AGED,
    OLED,
    PANELS,
    SPECTRORADIOMETER,
    WAVELENGTHS,
    WHITE_LED_LCD,
    WIDE_GAMUT_LCD,
    FilterErrors,
    Seen,
    SpectralDisplay,
    error_matrix,
    responsivities,
)
from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.patches import PatchList
from matchlib.perception.difference import uv, xy
from matchlib.readings.formats.session_csv import read_session
from matchlib.readings.instrument import FOUR_COLOUR, correction_from, residual

# The stated expanded uncertainties of the reference, as in the demo's facility.toml
STATED_XY, STATED_LUMINANCE = 0.0015, 0.02
OWN_XY = 0.004  # stated by the colorimeter
DISPLAY = "M1"
UNITS = 12  # other units of a kind, their peaks moved by half a nanometre
NAMES = [panel.name for panel in PANELS]


@pytest.fixture(scope="module")
def facility():
    meters = {
        "S1": Instrument("S1", "spectroradiometer", STATED_LUMINANCE, STATED_XY, 0.01, contact=False, common_xy=0.5),
        "C1": Instrument("C1", "colorimeter", 0.04, OWN_XY, 0.01, contact=True, common_xy=0.0),
    }
    return Facility(Path(), "simulated", ZoneInfo("UTC"), {}, {}, meters, ())


def session(facility, display, instrument, seed, patches=None):
    name = "S1" if instrument is SPECTRORADIOMETER else "C1"
    keys = {"display": DISPLAY, "measured": f"2026-05-01T10:{seed % 60:02}:00Z", "instrument": name}
    keys["signal_max"] = "65535"
    shown = SimulatedSession(Seen(display, instrument), keys, instrument.noise, seed)
    file = f"readings/{DISPLAY}_{name}.csv"
    return read_session(shown.text(patches).encode(), file, facility, STANDARD["BT.709"])


def made_for(facility, panel):
    """Return the correction from one unit of a kind, read by both."""
    unit = SpectralDisplay(panel)
    pair = [session(facility, unit, meter, seed) for meter, seed in ((COLORIMETER, 1), (SPECTRORADIOMETER, 2))]
    return correction_from(*pair, panel.name)


@pytest.fixture(scope="module")
def corrections(facility):
    return {panel.name: made_for(facility, panel) for panel in PANELS}


def other_patches(seed=3, count=60):
    """Return mixed colours that no session for a correction holds."""
    signal = np.round(np.random.default_rng(seed).uniform(0.2, 0.97, (count, 3)), 4)
    usual = {tuple(row) for row in session_patches().signal.tolist()}
    assert not usual & {tuple(row) for row in signal.tolist()}
    return PatchList(tuple(f"mixed {place}" for place in range(count)), signal)


def readings(facility, panel, unit):
    """Return XYZ by the colorimeter and true XYZ of another unit, otherwise set, on other patches."""
    random = np.random.default_rng(500 + unit)
    display = SpectralDisplay(panel.another(random), 80.0, (0.309, 0.332), 2.2, 0.02)
    patches = other_patches(unit)
    read = session(facility, display, COLORIMETER, 20 + unit, patches)
    return read.xyz, Seen(display, SPECTRORADIOMETER).show(read.signal)


def worst_xy(read, true):
    return float(np.abs(xy(read) - xy(true)).max())


# --- panels and instruments -----------------------------------------------------------------------------------
# Common practice, no source: where the primaries of such panels lie.
@pytest.mark.parametrize(
    ("panel", "red", "green", "blue"),
    [
        (WHITE_LED_LCD, (0.64, 0.34), (0.31, 0.61), (0.15, 0.06)),
        (WIDE_GAMUT_LCD, (0.68, 0.315), (0.21, 0.72), (0.15, 0.05)),
        (OLED, (0.68, 0.32), (0.22, 0.73), (0.14, 0.05)),
    ],
    ids=NAMES,
)
def test_primaries_lie_where_those_of_such_panels_do(panel, red, green, blue):
    assert panel.spectra.shape == (3, len(WAVELENGTHS))
    assert xy(SPECTRORADIOMETER.see(panel.spectra)) == pytest.approx(np.array([red, green, blue]), abs=0.02)


@pytest.mark.parametrize("panel", PANELS, ids=NAMES)
def test_a_spectral_display_shows_the_white_that_it_says(panel):
    display = SpectralDisplay(panel, 91.0, (0.314, 0.351), 2.6, 0.05)
    white, black = Seen(display, SPECTRORADIOMETER).show(np.array([[1.0, 1, 1], [0, 0, 0]]))
    assert white[1] == pytest.approx(91.05, rel=1e-9)
    assert black[1] == pytest.approx(0.05, rel=1e-9)
    assert xy(white) == pytest.approx((0.314, 0.351), abs=1e-9)


def test_without_errors_the_filters_are_the_cie_functions():
    """White of equal energy: x = y = 1/3 (CIE 015:2018); the sum of V(λ) at 1 nm is 106.857, from memory."""
    curves = responsivities(FilterErrors())
    assert xy(curves.sum(axis=1)) == pytest.approx((1 / 3, 1 / 3), abs=2e-5)
    assert curves[1].sum() / 683 == pytest.approx(106.857, abs=0.002)
    assert WAVELENGTHS[curves[1].argmax()] == 555


def test_a_colorimeter_reads_illuminant_a_right():
    """x = 0.44758, y = 0.40745 (CIE 015:2018, Table T.3, from memory)."""
    import colour

    lamp = colour.SDS_ILLUMINANTS["A"].copy().align(colour.SpectralShape(380, 780, 1)).values
    seen = COLORIMETER.see(lamp)
    assert xy(seen) == pytest.approx((0.44758, 0.40745), abs=2e-4)
    assert seen == pytest.approx(SPECTRORADIOMETER.see(lamp), rel=1e-4)
    assert (COLORIMETER_AGED.see(lamp) < seen * 0.9965).all()  # all three filters have lost light


@pytest.mark.parametrize("panel", PANELS, ids=NAMES)
def test_on_one_panel_the_error_is_a_matrix(panel):
    signal = other_patches().signal
    display = SpectralDisplay(panel, black=0.03)
    seen, true = (Seen(display, meter).show(signal) for meter in (COLORIMETER, SPECTRORADIOMETER))
    np.testing.assert_allclose(true @ error_matrix(panel, COLORIMETER).T, seen, rtol=1e-9)


def test_noise_of_the_reference_alone_averages_out(facility):
    display = SpectralDisplay(OLED)
    patches = PatchList(("white",) * 400, np.ones((400, 3)))
    read = session(facility, display, SPECTRORADIOMETER, 5, patches).xyz
    true = Seen(display, SPECTRORADIOMETER).show(np.ones(3))
    assert read.mean(axis=0) == pytest.approx(true, rel=4 * 0.0006 / 20)
    assert read[:, 1].std() / true[1] == pytest.approx(SPECTRORADIOMETER.noise.relative, rel=0.2)


# --- corrections ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("panel", PANELS, ids=NAMES)
def test_it_misreads_every_panel_and_is_corrected_on_other_units_and_other_patches(facility, corrections, panel):
    correction = corrections[panel.name]
    assert correction.method == FOUR_COLOUR
    for unit in range(UNITS):
        read, true = readings(facility, panel, unit)
        corrected = correction.apply(read, panel.name)
        before, after = residual(read, true), residual(corrected, true)
        assert worst_xy(read, true) > OWN_XY
        assert before.uv > 3 * after.uv
        assert worst_xy(corrected, true) < STATED_XY
        assert np.abs(corrected[:, 1] / true[:, 1] - 1).max() < STATED_LUMINANCE


def test_another_panels_correction_is_refused_and_would_be_wrong(facility, corrections):
    """By force it leaves more than the reference's uncertainty on every other kind of panel."""
    for made_on in PANELS:
        correction = corrections[made_on.name]
        for used_on in PANELS:
            if used_on is made_on:
                continue
            read, true = readings(facility, used_on, 0)
            with pytest.raises(InputError, match=f"it does not hold for '{used_on.name}'"):
                correction.apply(read, used_on.name)
            forced = read @ correction.matrix.T
            assert worst_xy(forced, true) > STATED_XY


def test_print_the_table_of_panels_and_corrections(facility, corrections, capsys):
    """Rows: who is read; columns: as read, with each kind's matrix. Its own is the best of every row."""
    with capsys.disabled():
        head = "".join(f"{f'with {name}':>28}" for name in NAMES)
        print(f"\n{'Δu′v′ / luminance, rms':24}{'as read':>18}{head}")
        for panel in PANELS:
            read, true = readings(facility, panel, 0)
            with_each = [residual(read @ corrections[name].matrix.T, true) for name in NAMES]
            cells = [f"{entry.uv:.4f} / {100 * entry.luminance:.2f} %" for entry in with_each]
            before = residual(read, true)
            row = "".join(f"{cell:>28}" for cell in cells)
            print(f"{panel.name:24}{f'{before.uv:.4f} / {100 * before.luminance:.2f} %':>18}{row}")
            assert min(range(3), key=lambda place: with_each[place].uv) == NAMES.index(panel.name)


def test_a_colorimeter_without_errors_needs_no_correction(facility):
    exact = replace(COLORIMETER, filters=FilterErrors(), noise=Noise(0.0))
    unit = SpectralDisplay(OLED)
    pair = [session(facility, unit, meter, seed) for meter, seed in ((exact, 1), (SPECTRORADIOMETER, 2))]
    correction = correction_from(*pair, OLED.name)
    assert correction.before.uv < 0.0005
    assert correction.matrix == pytest.approx(np.eye(3), abs=0.003)
    assert np.hypot(*(uv(pair[0].xyz[3]) - uv(pair[1].xyz[3]))) < 0.0005
