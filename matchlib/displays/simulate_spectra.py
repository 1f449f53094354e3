"""Displays with spectra, invented, and the two kinds of instruments that read them.

A colorimeter sees a display through three filters that are not quite the CIE's functions, so that its error
is another for every kind of light. Spectra stand at ``WAVELENGTHS``; last axis is wavelength.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.simulate import Noise
from matchlib.encoding import Pair, primaries_matrix, xy_to_unit_xyz

WAVELENGTHS: Array = read_only(np.arange(380.0, 781.0))  # nm
EFFICACY = 683.0  # lm/W, the maximum luminous efficacy (CIE 015:2018, 7.1)
_WIDTH_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
_ILLUMINANT_A = 2848.0, 1.435e7  # K, nm·K (CIE 015:2018, 4.1.1: the illuminant by its formula)


@dataclass(frozen=True, slots=True)
class Peak:
    """One Gaussian of a spectrum.

    Attributes:
        centre: nm; ``width``: full width at half maximum, nm.
        height: Relative.
    """

    centre: float
    width: float
    height: float = 1.0


@dataclass(frozen=True, slots=True)
class SpectralPanel:
    """A kind of panel: the spectra of its primaries as sums of Gaussians.

    Attributes:
        name: As in the ``panel`` column of ``monitors.csv``.
    """

    name: str
    red: tuple[Peak, ...]
    green: tuple[Peak, ...]
    blue: tuple[Peak, ...]

    @property
    def spectra(self) -> Array:
        """Relative spectra of red, green, blue, shape (3, 401)."""
        return np.array([sum(map(_gaussian, peaks)) for peaks in (self.red, self.green, self.blue)])

    def another(self, random: np.random.Generator, spread: float = 0.5) -> "SpectralPanel":
        """Return another unit of the kind, its peaks moved by ``spread`` nm (standard deviation)."""

        def moved(peaks: tuple[Peak, ...]) -> tuple[Peak, ...]:
            step = spread * float(random.standard_normal())
            return tuple(replace(peak, centre=peak.centre + step) for peak in peaks)

        return replace(self, red=moved(self.red), green=moved(self.green), blue=moved(self.blue))


def _gaussian(peak: Peak) -> Array:
    return np.asarray(
        peak.height * np.exp(-0.5 * ((WAVELENGTHS - peak.centre) / (peak.width * _WIDTH_TO_SIGMA)) ** 2)
    )


# Invented spectra of the kinds that the trade knows; common practice, no source.
WHITE_LED_LCD = SpectralPanel(
    "standard-gamut LCD",
    red=(Peak(624, 56), Peak(550, 60, 0.02), Peak(450, 20, 0.02)),
    green=(Peak(541, 68), Peak(600, 60, 0.05), Peak(452, 20, 0.06)),
    blue=(Peak(450, 20), Peak(500, 60, 0.08)),
)
WIDE_GAMUT_LCD = SpectralPanel(
    "wide-gamut LCD",
    red=(Peak(613, 5, 0.42), Peak(631, 5), Peak(636, 5, 0.35), Peak(648, 6, 0.22), Peak(530, 40, 0.008)),
    green=(Peak(532, 42), Peak(452, 20, 0.012), Peak(631, 6, 0.06)),
    blue=(Peak(454, 20), Peak(525, 40, 0.03)),
)
OLED = SpectralPanel(
    "OLED",
    red=(Peak(621, 34), Peak(650, 60, 0.12)),
    green=(Peak(528, 30), Peak(556, 46, 0.14)),
    blue=(Peak(460, 19), Peak(482, 36, 0.10)),
)
PANELS = (WHITE_LED_LCD, WIDE_GAMUT_LCD, OLED)


@dataclass(frozen=True, slots=True)
class FilterErrors:
    """How a colorimeter's filters differ from the CIE 1931 2° functions; a value each for X, Y, Z.

    Attributes:
        shift: Of the whole curve, nm.
        blur: Standard deviation of the Gaussian that widens it, nm.
        leak: Let through at every wavelength, relative to the curve's peak.
        gain: After the adjustment on illuminant A: ageing.
    """

    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    blur: tuple[float, float, float] = (0.0, 0.0, 0.0)
    leak: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class SimulatedInstrument:
    """An instrument that reads spectra as XYZ.

    Attributes:
        filters: Its errors; the default has none, as a spectroradiometer that sums by the CIE's functions.
        noise: Of one reading.
    """

    filters: FilterErrors = field(default_factory=FilterErrors)
    noise: Noise = field(default_factory=Noise)

    def see(self, radiance: Array) -> Array:
        """Return XYZ in cd/m² without noise, shape (…, 3), of W·sr⁻¹·m⁻²·nm⁻¹, shape (…, 401)."""
        return np.asarray(radiance @ responsivities(self.filters).T)


SPECTRORADIOMETER = SimulatedInstrument(noise=Noise(relative=0.0005))
# Invented errors of the size of real ones; common practice, no source.
_NEW = FilterErrors(shift=(1.0, -1.0, 1.3), blur=(2.0, 2.0, 2.0), leak=(0.0005, 0.0004, 0.0008))
COLORIMETER = SimulatedInstrument(_NEW, Noise(relative=0.001))
COLORIMETER_AGED = replace(COLORIMETER, filters=replace(_NEW, gain=(0.996, 0.995, 0.990)))


@lru_cache(maxsize=8)
def responsivities(errors: FilterErrors) -> Array:
    """Return what turns spectral radiance into X, Y, Z by summing at 1 nm, shape (3, 401), lm·nm/W.

    Without errors the CIE 1931 2° colour-matching functions (CIE 015:2018) times 683 lm/W, as colour-science
    keeps them. With errors each curve is brought to its right reading of CIE illuminant A, on which
    photometers are adjusted (ISO/CIE 19476:2014, from memory).
    """
    import colour
    from scipy.ndimage import gaussian_filter1d

    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    temperature, constant = _ILLUMINANT_A
    lamp = WAVELENGTHS**-5 / np.expm1(constant / (temperature * WAVELENGTHS))
    curves = []
    for channel in range(3):
        whole = observer.values[:, channel]
        true = np.interp(WAVELENGTHS, observer.wavelengths, whole)
        blurred = gaussian_filter1d(whole, errors.blur[channel], mode="nearest") if errors.blur[channel] else whole
        curve = np.interp(WAVELENGTHS - errors.shift[channel], observer.wavelengths, blurred)
        curve = curve + errors.leak[channel] * true.max()
        curves.append(curve * errors.gain[channel] * (true @ lamp) / (curve @ lamp))
    return read_only(EFFICACY * np.array(curves))


def error_matrix(panel: SpectralPanel, instrument: SimulatedInstrument) -> Array:
    """Return the matrix from true XYZ to XYZ seen on one panel, shape (3, 3): exact, for light adds up."""
    seen, true = instrument.see(panel.spectra).T, SPECTRORADIOMETER.see(panel.spectra).T
    return np.asarray(seen @ np.linalg.inv(true))


@dataclass(frozen=True, slots=True)
class SpectralDisplay:
    """A display of one kind of panel.

    Attributes:
        luminance: Of white above black, cd/m²; ``white_xy``: its chromaticity.
        gamma: Of all three channels.
        black: Of zero signal, cd/m², the spectrum of white.
    """

    panel: SpectralPanel
    luminance: float = 100.0
    white_xy: Pair = (0.3127, 0.3290)
    gamma: float = 2.4
    black: float = 0.0

    def radiance(self, signal: Array) -> Array:
        """Return W·sr⁻¹·m⁻²·nm⁻¹ of signals between 0 and 1, shape (…, 401) of (…, 3)."""
        spectra = self.panel.spectra
        xyz = SPECTRORADIOMETER.see(spectra)
        wanted = primaries_matrix(
            xyz[:, :2] / xyz.sum(axis=1, keepdims=True), self.luminance * xy_to_unit_xyz(self.white_xy)
        )
        full = spectra * (wanted[1] / xyz[:, 1])[:, None]
        light = signal**self.gamma + self.black / self.luminance
        return np.asarray(light @ full)


@dataclass(frozen=True, slots=True)
class Seen:
    """A spectral display as an instrument sees it; a session of it is written as of any simulated display."""

    display: SpectralDisplay
    instrument: SimulatedInstrument

    def show(self, signal: Array) -> Array:
        """Return XYZ in cd/m², as seen, of signals between 0 and 1, shape (…, 3)."""
        return self.instrument.see(self.display.radiance(signal))
