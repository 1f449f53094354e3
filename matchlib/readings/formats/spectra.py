"""Spectral columns to CIE 1931 tristimulus values, at the door; the spectra are kept."""

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.errors import InputError, Problem
from matchlib.readings.formats.table import Table
from matchlib.readings.session import Header, Spectra

LUMENS_PER_WATT = 683.0  # K_m of CIE 015:2018, section 7 (self-luminous objects, absolute scale)
USUAL_RANGE = (380.0, 780.0)  # nm; CIE 015:2018, section 7.2: what most work needs
LEAST_RANGE = (400.0, 700.0)  # nm; with less, X and Z cannot be believed (our own limit, no source)
USUAL_STEP = 5.0  # nm; CIE 015:2018, section 7.2: the abridged tables have steps of 5 nm
LARGEST_STEP = 20.0  # nm; our own limit, no source
_OBSERVER = "CIE 1931 2 Degree Standard Observer"
_OBSERVER_RANGE = (360.0, 830.0)  # nm, of its tables
_EQUAL = 1e-3  # nm: steps that differ by less are equal


def read_spectra(table: Table, radiance: Array, header: Header) -> tuple[Spectra, list[Problem]]:
    """Return the spectra of a table's ``nmNNN`` columns, and what was done with them, in words.

    Args:
        table: For its spectral columns.
        radiance: Shape (n, m), in the unit that the header declares, shortest wave first.
        header: Declares per nm or per band.

    Raises:
        InputError: No unit declared, unequal steps, a range or a step from which no X, Y, Z can be had.
    """
    wavelengths = np.array([wavelength for wavelength, _ in table.spectral()])
    first = table.title(table.spectral()[0][1])

    def refusal(what: str, do: str) -> InputError:
        return InputError(Problem(what, do, header.file, table.line, first))

    if not header.radiance_unit:
        do = "declare radiance_unit: W/sr/m2/nm (per nm) or W/sr/m2 (per band of one step)"
        raise refusal("spectra without key 'radiance_unit': per nm or per band is never guessed", do)
    if len(wavelengths) < 2 or wavelengths[0] > LEAST_RANGE[0] or wavelengths[-1] < LEAST_RANGE[1]:
        what = f"spectra from {wavelengths[0]:g} to {wavelengths[-1]:g} nm give no X, Y, Z"
        raise refusal(what, "give columns from nm380 to nm780, at least nm400 to nm700")
    steps = np.diff(wavelengths)
    if np.ptp(steps) > _EQUAL or steps.min() < _EQUAL:
        place = int(np.argmax(np.abs(steps - np.median(steps))))
        what = f"the step after {wavelengths[place]:g} nm is {steps[place]:g} nm, others are {np.median(steps):g}"
        raise refusal(what, "give every wavelength once, in equal steps")
    if steps[0] > LARGEST_STEP:
        raise refusal(f"steps of {steps[0]:g} nm are too coarse", "give spectra in steps of 5 nm or less")
    step = float(wavelengths[-1] - wavelengths[0]) / len(steps)
    given = {"X", "Y", "Z"} <= set(table.names) or {"x", "y", "Y"} <= set(table.names)
    if header.scale != 1 and not given:
        do = "take luminance_unit out: spectra have their own unit"
        raise InputError(Problem("luminance_unit fL beside spectra alone", do, header.file, None, "luminance_unit"))
    per_nm = radiance / step if header.radiance_unit == "W/sr/m2" else radiance
    notes = [Problem(text, "", header.file, table.line, first) for text in _notes(wavelengths, step, header, given)]
    return Spectra(read_only(wavelengths), read_only(per_nm)), notes


def _notes(wavelengths: Array, step: float, header: Header, given: bool) -> list[str]:
    """Return what the report has to say of the method."""
    if given:
        return ["the file's own tristimulus values are used, its spectra are kept beside them"]
    per_band = header.radiance_unit == "W/sr/m2"
    unit = f"radiance per band, divided by {step:g} nm" if per_band else "radiance per nm"
    notes = [
        f"X, Y, Z by the CIE 1931 2° observer from {wavelengths[0]:g} to {wavelengths[-1]:g} nm in steps of "
        f"{step:g} nm ({unit}; summed at these wavelengths, 683 lm/W, CIE 015:2018; nothing interpolated)"
    ]
    if wavelengths[0] > USUAL_RANGE[0] or wavelengths[-1] < USUAL_RANGE[1]:
        notes.append("the range is shorter than 380 to 780 nm: light outside it is taken as none")
    if step > USUAL_STEP:
        notes.append(f"steps of {step:g} nm are coarser than the 5 nm of CIE 015:2018: narrow bands can be missed")
    return notes


def to_tristimulus(spectra: Spectra) -> Array:
    """Return X, Y, Z of shape (n, 3), cd/m², by the CIE 1931 2° observer (CIE 015:2018, section 7).

    The sum over the wavelengths of the spectra, k = 683 lm/W; wavelengths beyond the observer's 360 to
    830 nm have no effect.
    """
    import colour

    wavelengths = spectra.wavelengths
    used = (wavelengths >= _OBSERVER_RANGE[0]) & (wavelengths <= _OBSERVER_RANGE[1])
    seen = wavelengths[used]
    step = float(seen[-1] - seen[0]) / (len(seen) - 1)
    observer = colour.MSDS_CMFS[_OBSERVER][seen]
    weights = LUMENS_PER_WATT * step * np.asarray(observer)
    return np.asarray(spectra.radiance[:, used] @ weights)
