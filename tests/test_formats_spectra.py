"""Spectra to X, Y, Z: against colour-science's own path, a published illuminant, and what is refused."""

from pathlib import Path
from zoneinfo import ZoneInfo

import colour
import numpy as np
import pytest

from matchlib.encoding import STANDARD
from matchlib.errors import InputError
from matchlib.facility.rooms import Facility, Instrument
from matchlib.readings.formats.recognise import read_session
from matchlib.readings.formats.spectra import to_tristimulus
from matchlib.readings.session import Spectra

FILE = "readings/M1.csv"
INSTRUMENT = Instrument("S1", "spectroradiometer", 0.02, 0.0015, 0.01, contact=False, common_xy=0.5)
FACILITY = Facility(Path("small"), "small", ZoneInfo("UTC"), {}, {}, {"S1": INSTRUMENT}, ())
TABLE = Path(__file__).parent / "reference" / "wide_gamut_lcd" / "good_session_spectra.csv"
OBSERVER = "CIE 1931 2 Degree Standard Observer"
SUM_OR_INTERPOLATION = 5e-5  # of the largest of X, Y, Z: 4 nm summed, against 1 nm by interpolation; 3.5e-5 measured
TO_FOUR_PLACES = 6e-5


def text(*rows, header, luminance_unit="cd/m2", radiance_unit=""):
    keys = {"display": "M1", "measured": "2026-03-02T10:00:00Z", "instrument": "S1", "signal_max": "255"}
    keys |= {"luminance_unit": luminance_unit, "radiance_unit": radiance_unit}
    return "\n".join([*(f"# {key}: {value}" for key, value in keys.items()), header, *rows]) + "\n"


def read(content):
    return read_session(content.encode(), FILE, FACILITY, STANDARD["P3 DCI"])


def only(content):
    with pytest.raises(InputError) as caught:
        read(content)
    (problem,) = caught.value.problems
    return problem


def spectral_text(start=380, end=780, step=20, light="0.001", unit="W/sr/m2/nm", **keys):
    names = [f"nm{wavelength}" for wavelength in range(start, end + 1, step)]
    rows = ["255,255,255," + ",".join([light] * len(names)), "0,0,0," + ",".join(["0"] * len(names))]
    return text(*rows, header=",".join(["r,g,b", *names]), radiance_unit=unit, **keys)


def test_the_sum_at_4_nm_agrees_with_colour_science_at_1_nm():
    table = np.genfromtxt(TABLE, delimiter=",", skip_header=1)[:, 7:]
    wavelengths = np.arange(380, 781, 4.0)
    bright = table[table.sum(axis=1) > 0.2 * table.sum(axis=1).max()]
    found = to_tristimulus(Spectra(wavelengths, bright))
    shape = colour.SpectralShape(380, 780, 1)
    observer = colour.MSDS_CMFS[OBSERVER].copy().trim(shape)
    for xyz, row in zip(found, bright, strict=True):
        fine = colour.SpectralDistribution(row, wavelengths).interpolate(shape)
        expected = colour.sd_to_XYZ(fine, observer, k=683, method="Integration")
        assert np.abs(xyz - expected).max() / expected.max() < SUM_OR_INTERPOLATION


@pytest.mark.parametrize(
    ("name", "white"),
    # CIE 015:2018, table of illuminants (2° observer)
    [("D65", (0.31272, 0.32903)), ("A", (0.44758, 0.40745)), ("E", (0.33333, 0.33333))],
)
def test_illuminants_have_their_chromaticities(name, white):
    spectrum = colour.SDS_ILLUMINANTS[name].copy().align(colour.SpectralShape(380, 780, 5))
    (xyz,) = to_tristimulus(Spectra(np.asarray(spectrum.wavelengths), np.asarray(spectrum.values)[None]))
    assert xyz[:2] / xyz.sum() == pytest.approx(white, abs=TO_FOUR_PLACES)


def test_a_watt_at_555_nm_is_683_lumens():
    """The definition of the lumen (SI Brochure, 9th edition: K_cd = 683 lm/W at 540 THz, 555 nm in air)."""
    wavelengths = np.arange(380, 781, 5.0)
    light = np.where(wavelengths == 555, 1 / 5, 0.0)  # one W·sr⁻¹·m⁻² in one band of 5 nm
    assert to_tristimulus(Spectra(wavelengths, light[None]))[0, 1] == pytest.approx(683, rel=2e-4)


def test_columns_stand_in_any_order_and_coarse_steps_are_told():
    names = [f"nm{wavelength}" for wavelength in range(780, 379, -20)]
    light = [str(wavelength / 1e6) for wavelength in range(780, 379, -20)]
    content = text("255,255,255," + ",".join(light), header=",".join(["r,g,b", *names]), radiance_unit="W/sr/m2/nm")
    session = read(content)
    np.testing.assert_array_equal(session.spectra.wavelengths, np.arange(380, 781, 20))
    np.testing.assert_allclose(session.spectra.radiance[0], np.arange(380, 781, 20) / 1e6)
    assert any("coarser than the 5 nm of CIE 015:2018" in warning.what for warning in session.warnings)


def test_a_shorter_range_is_told():
    notes = [warning.what for warning in read(spectral_text(start=400, end=700)).warnings]
    assert any("light outside it is taken as none" in note for note in notes)


def test_wavelengths_beyond_the_observer_have_no_effect():
    wide = read(spectral_text(start=340, end=900))
    np.testing.assert_allclose(wide.xyz, read(spectral_text(start=360, end=820)).xyz, rtol=1e-12)


def test_tristimulus_values_of_the_file_are_used_and_its_spectra_kept():
    content = spectral_text().replace("r,g,b,", "X,Y,Z,r,g,b,").replace("\n255,", "\n9,10,11,255,")
    session = read(content.replace("\n0,0,0,", "\n0,0,0,0,0,0,"))
    np.testing.assert_array_equal(session.xyz, [[9, 10, 11], [0, 0, 0]])
    assert session.spectra.radiance.shape == (2, 21)
    assert "the file's own tristimulus values are used" in session.warnings[0].what


def measured(factor=1.0, luminance_unit="cd/m2"):
    """Return the real readings of a wide-gamut LCD with their spectra; ``factor``: of the X, Y, Z beside them."""
    table = np.genfromtxt(TABLE, delimiter=",", skip_header=1)[:, 1:]
    table[:, 3:6] *= factor
    names = ["r", "g", "b", "X", "Y", "Z", *(f"nm{wavelength}" for wavelength in range(380, 781, 4))]
    rows = [",".join([*(f"{255 * value:.4f}" for value in row[:3]), *map(repr, row[3:].tolist())]) for row in table]
    return text(*rows, header=",".join(names), radiance_unit="W/sr/m2/nm", luminance_unit=luminance_unit)


def other_than_spectra(content):
    return [warning for warning in read(content).warnings if "of what their spectra give" in warning.what]


def test_real_tristimulus_values_agree_with_their_spectra():
    assert other_than_spectra(measured()) == []
    assert other_than_spectra(measured(1.005)) == []


@pytest.mark.parametrize(("factor", "unit"), [(1.02, "cd/m2"), (0.98, "cd/m2"), (1.0, "fL"), (1 / 3.4262, "cd/m2")])
def test_tristimulus_values_that_are_not_those_of_their_spectra_are_told(factor, unit):
    (warning,) = other_than_spectra(measured(factor, unit))
    assert "of 22 readings are beyond 1 % of what their spectra give" in warning.what  # all but black, near the floor
    assert warning.line is not None
    assert warning.column in {"X", "Y", "Z"}


def test_the_unit_is_never_guessed():
    problem = only(spectral_text(unit=""))
    assert (problem.line, problem.column) == (7, "nm380")
    assert "per nm or per band is never guessed" in problem.what
    assert "W/sr/m2/nm (per nm) or W/sr/m2 (per band of one step)" in problem.do


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"start": 440}, "spectra from 440 to 780 nm give no X, Y, Z"),
        ({"end": 680}, "spectra from 380 to 680 nm give no X, Y, Z"),
        ({"step": 40}, "steps of 40 nm are too coarse"),
        ({"luminance_unit": "fL"}, "luminance_unit fL beside spectra alone"),
        ({"light": "1e9"}, "more light than any display has"),
        ({"light": "-0.01"}, "negative beyond the instrument's floor"),
        ({"light": "x"}, "'x' is not a number"),
        ({"unit": "W/sr"}, "'W/sr' is no unit of spectral radiance"),
    ],
)
def test_spectra_from_which_no_tristimulus_values_can_be_had(changes, what):
    with pytest.raises(InputError) as caught:
        read(spectral_text(**changes))
    assert what in str(caught.value)
    assert all(problem.file == FILE and (problem.line or problem.column) for problem in caught.value.problems)


def test_unequal_steps_are_refused():
    problem = only(spectral_text().replace("nm500", "nm505"))
    assert "the step after" in problem.what
    assert "equal steps" in problem.do


def test_a_spectrum_alone_is_no_session(tmp_path):
    """An IES TM-27 file as colour-science writes it."""
    path = tmp_path / "white.spdx"
    header = colour.io.Header_IESTM2714(description="invented")
    spectrum = colour.SpectralDistribution_IESTM2714(
        str(path), header, spectral_quantity="radiance", data={380 + 5 * n: 0.01 for n in range(81)}
    )
    spectrum.write()
    with pytest.raises(InputError) as caught:
        read_session(path.read_bytes(), FILE, FACILITY, STANDARD["P3 DCI"])
    (problem,) = caught.value.problems
    assert "IES TM-27 file: one spectrum" in problem.what
    assert "columns nm380, nm385" in problem.do
