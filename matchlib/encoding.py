"""Standard encodings and tone curves, as data.

An encoding says what a signal is meant to look like: primaries, white, tone, peak luminance. What a display
really does with it is its response (:mod:`matchlib.displays.response`).
"""

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from matchlib.arrays import Array

Pair = tuple[float, float]
PLAIN_STEP = 2e-4  # signals nearer than this are one signal, whatever the range (design 3.1)


@dataclass(frozen=True, slots=True)
class Encoding:
    """An encoding: what a signal means.

    Attributes:
        name: As in ``facility.toml``.
        red_xy: CIE 1931 chromaticity of full red; likewise ``green_xy``, ``blue_xy``, ``white_xy``.
        gamma: Exponent from signal to linear light where ``eotf`` is empty.
        eotf: Empty, ``BT.1886``, ``sRGB`` or ``PQ``.
        luminance: Nominal peak white, cd/m².
        tristimulus: True where a file's codes are X′, Y′, Z′ (ST 428-1, or in PQ) instead of r, g, b.
    """

    name: str
    red_xy: Pair
    green_xy: Pair
    blue_xy: Pair
    white_xy: Pair
    gamma: float
    luminance: float
    eotf: str = ""
    tristimulus: bool = False


_D65 = (0.3127, 0.3290)
_P3 = {"red_xy": (0.680, 0.320), "green_xy": (0.265, 0.690), "blue_xy": (0.150, 0.060)}
# Primaries and whites: SMPTE RP 431-2:2011 (P3); ITU-R BT.709-5, BT.601-7 section 2, BT.2020-1.
# Tone of the video encodings: ITU-R BT.1886 (03/2011); 100 cd/m² peak: common practice, no source.
_VIDEO = {"white_xy": _D65, "gamma": 2.4, "eotf": "BT.1886", "luminance": 100.0}
STANDARD = MappingProxyType(
    {
        encoding.name: encoding
        for encoding in (
            Encoding("P3 DCI", **_P3, white_xy=(0.314, 0.351), gamma=2.6, luminance=48.0),  # type: ignore[arg-type]
            Encoding("P3 D65", **_P3, white_xy=_D65, gamma=2.6, luminance=48.0),  # type: ignore[arg-type]
            Encoding("BT.709", (0.640, 0.330), (0.300, 0.600), (0.150, 0.060), **_VIDEO),  # type: ignore[arg-type]
            Encoding("BT.601 525", (0.630, 0.340), (0.310, 0.595), (0.155, 0.070), **_VIDEO),  # type: ignore[arg-type]
            Encoding("BT.601 625", (0.640, 0.330), (0.290, 0.600), (0.150, 0.060), **_VIDEO),  # type: ignore[arg-type]
            Encoding("BT.2020", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), **_VIDEO),  # type: ignore[arg-type]
            # ST 428-1 carries any colour; RP 431-2's reference projector, with P3 primaries, shows it.
            Encoding(
                "XYZ",
                **_P3,  # type: ignore[arg-type]
                white_xy=(0.314, 0.351),
                gamma=2.6,
                luminance=48.0,
                tristimulus=True,
            ),
        )
    }
)
EOTFS = ("BT.1886", "sRGB", "PQ")
VIDEO_GAMMA = 2.4  # ITU-R BT.1886 (03/2011), Annex 1
PQ_PEAK = 10_000.0  # cd/m² of full code, SMPTE ST 2084:2014


def xy_to_unit_xyz(xy: object) -> Array:
    """Return XYZ with Y = 1 for chromaticities x, y: shape (…, 2) to (…, 3)."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    return np.stack([x / y, np.ones_like(x), (1 - x - y) / y], axis=-1)


def primaries_matrix(primaries_xy: object, white_xyz: object) -> Array:
    """Return the matrix from linear r, g, b to XYZ (SMPTE RP 177:1993, the normalised primary matrix).

    Args:
        primaries_xy: Chromaticities of red, green, blue, shape (3, 2).
        white_xyz: XYZ that r = g = b = 1 must give, shape (3,), any scale.

    Returns:
        Shape (3, 3), columns red, green, blue, in the scale of ``white_xyz``.
    """
    columns = xy_to_unit_xyz(primaries_xy).T
    return np.asarray(columns * np.linalg.solve(columns, np.asarray(white_xyz, dtype=np.float64)))


def normalised_matrix(encoding: Encoding, white_xy: Pair | None = None) -> Array:
    """Return an encoding's matrix from linear r, g, b to XYZ with Y = 1 for white, shape (3, 3)."""
    primaries = (encoding.red_xy, encoding.green_xy, encoding.blue_xy)
    return primaries_matrix(primaries, xy_to_unit_xyz(white_xy or encoding.white_xy))


# SMPTE ST 2084:2014, 5.2 and 5.3; its constants as ITU-R BT.2100 prints them.
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32


def pq_to_light(fraction: Array) -> Array:
    """Return cd/m² of PQ codes, given as fractions of full code (SMPTE ST 2084:2014, 5.2)."""
    root = np.maximum(fraction, 0.0) ** (1 / _M2)
    return np.asarray(PQ_PEAK * (np.maximum(root - _C1, 0.0) / (_C2 - _C3 * root)) ** (1 / _M1))


def light_to_pq(light: Array) -> Array:
    """Return the PQ code, a fraction of full code, of cd/m² (SMPTE ST 2084:2014, 5.3); 0 of no light."""
    power = (np.maximum(light, 0.0) / PQ_PEAK) ** _M1
    return np.where(np.asarray(light) > 0, ((_C1 + _C2 * power) / (1 + _C3 * power)) ** _M2, 0.0)


def peak_code(encoding: Encoding) -> float:
    """Return the code of the encoding's peak as a fraction of full code: 1, but under PQ less."""
    return float(light_to_pq(np.array(encoding.luminance))) if encoding.eotf == "PQ" else 1.0


def signal_to_linear(signal: Array, encoding: Encoding, black: float = 0.0) -> Array:
    """Return linear light above black, 0 to 1, of a signal by the encoding's nominal tone.

    A signal of 1 is the encoding's peak under PQ too, where codes go on beyond it. Light below zero, of
    colours outside the primaries, keeps its sign.

    Args:
        signal: Any shape.
        encoding: Whose tone.
        black: L_B / L_W of the display, from 0 to below 1. It bends BT.1886, which is then
            (L − L_B) / (L_W − L_B) of its Annex 1; to the light of any other tone black only adds.
    """
    if encoding.eotf == "sRGB":  # IEC 61966-2-1:1999, 5.2
        return np.where(signal <= 0.04045, signal / 12.92, ((np.maximum(signal, 0) + 0.055) / 1.055) ** 2.4)
    if encoding.eotf == "PQ":
        light = pq_to_light(np.abs(signal) * peak_code(encoding))
        return np.asarray(np.sign(signal) * light / encoding.luminance)
    lift, black = _lift(encoding, black)
    raised = lift + signal * (1 - lift)
    return np.asarray((np.sign(raised) * np.abs(raised) ** encoding.gamma - black) / (1 - black))


def linear_to_signal(linear: Array, encoding: Encoding, black: float = 0.0) -> Array:
    """Return the signal of linear light above black: inverse of signal_to_linear, any shape."""
    if encoding.eotf == "sRGB":
        return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    if encoding.eotf == "PQ":
        code = light_to_pq(np.abs(linear) * encoding.luminance)
        # A power of many numbers and of one may differ in the last bit; full signal is exactly 1.
        return np.where(np.abs(linear) == 1, linear, np.sign(linear) * code / peak_code(encoding))
    lift, black = _lift(encoding, black)
    raised = linear * (1 - black) + black
    return np.asarray((np.sign(raised) * np.abs(raised) ** (1 / encoding.gamma) - lift) / (1 - lift))


def _lift(encoding: Encoding, black: float) -> tuple[float, float]:
    """Return (L_B / L_W)^(1/γ) and L_B / L_W under BT.1886, else 0 and 0.

    With it the equation of Annex 1, L = a·max(V + b, 0)^γ, reads L / L_W = (lift + V·(1 − lift))^γ.
    """
    if not 0 <= black < 1:
        raise ValueError(f"black is {black}, and must be from 0 to below 1, a share of white")
    return (float(black ** (1 / encoding.gamma)), black) if encoding.eotf == "BT.1886" else (0.0, 0.0)


_NEAR_PEAK = 2e-3  # of linear light: what the code next to an HDR peak leaves (12 bits, 1.2e-3 at 300 cd/m²)


def fraction_to_signal(fraction: Array, encoding: Encoding, step: float) -> Array:
    """Return r, g, b signals of codes, given as fractions of the range of codes, any shape.

    Under PQ the peak lies between two codes. The nearer one is full signal, and so is the other where it
    leaves less than 2e-3 of the light; DCI's HDR Addendum itself writes 299.6 cd/m² for 300.

    Args:
        fraction: 0 to 1.
        encoding: What the codes mean.
        step: One code as a fraction of the range; 0 where the file holds plain fractions.
    """
    if encoding.eotf != "PQ":
        return fraction
    signal = fraction / peak_code(encoding)
    off, step = np.abs(signal - 1.0), step / peak_code(encoding)
    bright = np.abs(signal_to_linear(signal, encoding) - 1.0) < _NEAR_PEAK
    full = (off <= step / 2) | ((off < step) & bright) | ((step == 0) & (off <= PLAIN_STEP))
    return np.where(full, 1.0, signal)


def convert_signal(signal: Array, source: Encoding, destination: Encoding) -> Array:
    """Return the signals of ``destination`` that mean the same colours as ``signal`` in ``source``.

    Colorimetric, white to white: the destination's primaries are taken with the source's white, for a
    monitor matched to a projector is set to the projector's white. Peak to peak too, whatever the two peaks
    are: from video to PQ no light is kept in cd/m², and no tone mapped. Colours outside the destination are
    clipped to its signal range, as a converter does.

    Args:
        signal: Shape (n, 3), 0 to 1.
        source: Encoding of ``signal``.
        destination: Encoding wanted.

    Returns:
        Shape (n, 3), 0 to 1.
    """
    if source == destination:
        return signal
    xyz = signal_to_linear(signal, source) @ normalised_matrix(source).T
    linear = xyz @ np.linalg.inv(normalised_matrix(destination, source.white_xy)).T
    linear[np.abs(linear) < 1e-12] = 0.0
    return np.clip(linear_to_signal(linear, destination), 0.0, 1.0)


# ST 428-1:2006, 4.3: X′ = 4095·(L·X/P)^(1/2.6), with P = 52.37 cd/m² and L = 48 cd/m² for X of white 1.
_UNSEEN, _FULL = 2e-4, 1e-3  # in linear light: of a patch's strongest channel, and beside 1
_TRISTIMULUS_PEAK, _TRISTIMULUS_WHITE, _TRISTIMULUS_GAMMA = 52.37, 48.0, 2.6


def tristimulus_to_xyz(signal: Array, encoding: Encoding = STANDARD["XYZ"]) -> Array:
    """Return XYZ relative to a white of Y = 1 for X′, Y′, Z′ codes, fractions of full code.

    By ST 428-1:2006, whose white is 48 cd/m²; in PQ (X″, Y″, Z″ of DCI's HDR Addendum) where that is the
    encoding's tone, white being its luminance.
    """
    if encoding.eotf == "PQ":
        return pq_to_light(signal) / encoding.luminance
    return np.asarray(_TRISTIMULUS_PEAK / _TRISTIMULUS_WHITE * np.maximum(signal, 0) ** _TRISTIMULUS_GAMMA)


def tristimulus_to_signal(signal: Array, encoding: Encoding, half_step: float) -> Array:
    """Return r, g, b signals of ``encoding`` for X′, Y′, Z′ codes (ST 428-1:2006, or in PQ if it is in PQ).

    The codes are rounded, so full primaries, black and greys come out a little beside themselves; channels
    that the rounding cannot tell from 0, from 1 or from grey are taken as such. RP 431-2:2011, Table A.4,
    itself writes full red with a trace of Z′ and full blue a thousandth high, so a channel of less than 2e-4
    of the strongest one is 0, and one within 1e-3 of full is full.

    Args:
        signal: X′, Y′, Z′, fractions of full code, shape (n, 3).
        encoding: Primaries and tone of the display.
        half_step: Half a code step as a fraction of the range: how far a signal may be off by rounding.

    Returns:
        Shape (n, 3); below 0 or above 1 where the colour is outside the primaries.
    """
    inverse = np.linalg.inv(normalised_matrix(encoding))
    xyz = tristimulus_to_xyz(signal, encoding)
    linear = xyz @ inverse.T
    spread = (tristimulus_to_xyz(signal + half_step, encoding) - xyz) @ np.abs(inverse).T
    mean = linear.mean(axis=-1, keepdims=True)
    grey = np.all(np.abs(linear - mean) <= spread, axis=-1)
    linear = np.where(grey[:, None], mean, linear)
    unseen = _UNSEEN * np.abs(linear).max(axis=-1, keepdims=True)
    for edge, beside in ((0.0, np.maximum(spread, unseen)), (1.0, np.maximum(spread, _FULL))):
        linear = np.where(np.abs(linear - edge) <= beside, edge, linear)
    return linear_to_signal(linear, encoding)
