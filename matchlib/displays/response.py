"""What a display does with a signal: an additive model with black, fitted to a session."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.encoding import Encoding, normalised_matrix
from matchlib.errors import InputError, Problem
from matchlib.once import once
from matchlib.readings.session import Patches, Session, average_repeats

GAMMA_FLOOR = 0.05  # of peak: RP 431-2:2011, Annex A fits from peak white down to 5 % of it
FEWEST_GREYS = 5
_ROUNDS = 200
_TABLE = np.linspace(0.0, 1.0, 4097)


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class ToneCurve:
    """A monotone curve from signal to linear light, 0 to 1 both.

    The knots are kept as the root ``linear ** (1 / exponent)``, which is nearly straight in the signal, so
    that a few steps are enough in the darks.

    Attributes:
        signal: Knots, shape (k,), from 0 to 1.
        root: Their linear light to the power 1 / exponent, shape (k,), never falling.
        exponent: Of the root.
    """

    signal: Array
    root: Array
    exponent: float

    def forward(self, signal: Array) -> Array:
        """Return linear light of signals, both 0 to 1, any shape; signals beyond are clipped."""
        root = _interpolator(self)(np.clip(signal, 0.0, 1.0))  # type: ignore[operator]
        return np.asarray(np.clip(root, 0.0, 1.0) ** self.exponent)

    def inverse(self, linear: Array) -> Array:
        """Return the signal of linear light, both 0 to 1, any shape; light beyond is clipped."""
        root = np.clip(linear, 0.0, 1.0) ** (1 / self.exponent)
        interpolate = _interpolator(self)
        table = interpolate(_TABLE)  # type: ignore[operator]
        signal = np.interp(root, table, _TABLE)
        slope = interpolate.derivative()  # type: ignore[attr-defined]
        for _ in range(2):  # Newton, kept inside its step of the table
            steep = slope(signal)
            move = np.divide(root - interpolate(signal), steep, out=np.zeros_like(root), where=steep > 1e-6)  # type: ignore[operator]
            signal = np.clip(signal + np.clip(move, -_TABLE[1], _TABLE[1]), 0.0, 1.0)
        return np.asarray(signal)


@once
def _interpolator(curve: ToneCurve) -> object:
    from scipy.interpolate import PchipInterpolator

    return PchipInterpolator(curve.signal, curve.root, extrapolate=False)


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """A display's fitted response and the figures read off its session (design 4).

    Attributes:
        black_xyz: XYZ at zero signal, shape (3,), cd/m².
        matrix: Columns are the XYZ of full red, green, blue above black, shape (3, 3).
        tone: A curve a channel.
        white_xyz: White as read, black included, shape (3,).
        primaries_xyz: Full primaries as read minus black, rows red, green, blue, shape (3, 3).
        gamma: Log–log slope, see :func:`fitted_gamma`; NaN where it cannot be told, and under PQ.
        channel_gamma: The same on each channel's ramp, shape (3,); NaN where there is no ramp.
        black_read: Whether the session held black; else ``black_xyz`` is the fit's.
        additivity_error: Sum of the primaries over white, black subtracted, minus 1.
    """

    black_xyz: Array
    matrix: Array
    tone: tuple[ToneCurve, ToneCurve, ToneCurve]
    white_xyz: Array
    primaries_xyz: Array
    gamma: float
    channel_gamma: Array
    black_read: bool
    additivity_error: float

    @property
    def additive(self) -> bool:
        """Whether its light adds: black + matrix · tone(signal) is all of it."""
        return True

    def linear(self, signal: Array) -> Array:
        """Return linear light of signals, shape (…, 3)."""
        return np.stack([tone.forward(signal[..., i]) for i, tone in enumerate(self.tone)], axis=-1)

    def forward(self, signal: Array) -> Array:
        """Return XYZ in cd/m² of signals, shape (…, 3)."""
        return np.asarray(self.black_xyz + self.linear(signal) @ self.matrix.T)

    def inverse(self, xyz: Array) -> Array:
        """Return the signals of XYZ in cd/m², shape (…, 3); colours out of reach are clipped."""
        linear = (xyz - self.black_xyz) @ np.linalg.inv(self.matrix).T
        return np.stack([tone.inverse(linear[..., i]) for i, tone in enumerate(self.tone)], axis=-1)

    @property
    def luminance(self) -> float:
        """Peak white as read, black included, cd/m²."""
        return float(self.white_xyz[1])

    @property
    def black(self) -> float:
        """Luminance of black, cd/m²."""
        return float(self.black_xyz[1])


def fit_response(session: Session) -> Response:
    """Return the response fitted to a complete session.

    The tone of a channel comes from its ramp, or from the greys where the ramp has fewer than five steps;
    the matrix from all patches by least squares of relative errors, no light being negative. Where black was
    not read, it is what all readings have in common.

    Under PQ no gamma is told, for its slope is another at every signal.

    Raises:
        InputError: The readings allow no fit.
    """
    found = fit_patches(average_repeats(session), session.file)
    if session.encoding.eotf != "PQ":
        return found
    return replace(found, gamma=float("nan"), channel_gamma=read_only([float("nan")] * 3))


def fit_patches(patches: Patches, file: str) -> Response:
    """Return the response fitted to averaged readings, as :func:`fit_response` does.

    Args:
        patches: With white and the full primaries.
        file: Named in errors.

    Raises:
        InputError: The readings allow no fit.
    """
    black_place = patches.find(0, 0, 0)
    white = patches.xyz[_place(patches, file, 1, 1, 1)]
    full = patches.xyz[[_place(patches, file, *row) for row in np.eye(3, dtype=int).tolist()]]
    if np.linalg.cond(full) > 1e4:
        what = "full red, green and blue do not differ in colour"
        raise InputError(Problem(what, "measure again, or set the file aside with a reason", file))
    black = _unread_black(patches, full) if black_place is None else patches.xyz[black_place]
    primaries = full - black
    tone = _tones(patches, primaries, black)
    matrix = _fit_matrix(patches, tone, black)
    total = primaries[:, 1].sum()
    return Response(
        black_xyz=read_only(black),
        matrix=read_only(matrix),
        tone=tone,
        white_xyz=read_only(white),
        primaries_xyz=read_only(primaries),
        gamma=fitted_gamma(patches, black),
        channel_gamma=read_only([_slope(patches, patches.ramp(c), c, black) for c in range(3)]),
        black_read=black_place is not None,
        additivity_error=float(total / (white[1] - black[1]) - 1),
    )


def _place(patches: Patches, file: str, *signal: int) -> int:
    place = patches.find(*signal)
    if place is None:
        what = f"no patch of signal {signal}"
        raise InputError(Problem(what, "a complete session has white and the full primaries", file))
    return place


def _tones(patches: Patches, primaries: Array, black: Array) -> tuple[ToneCurve, ToneCurve, ToneCurve]:
    greys = patches.greys()
    grey_linear = (patches.xyz[greys] - black) @ np.linalg.inv(primaries)
    curves = []
    for channel in range(3):
        ramp = patches.ramp(channel)
        if len(ramp) >= FEWEST_GREYS or len(ramp) >= len(greys):
            direction = primaries[channel] / (primaries[channel] @ primaries[channel])
            linear, signal = (patches.xyz[ramp] - black) @ direction, patches.signal[ramp, channel]
        else:
            linear, signal = grey_linear[:, channel], patches.signal[greys, channel]
        curves.append(monotone_tone(signal, linear))
    return curves[0], curves[1], curves[2]


def monotone_tone(signal: Array, linear: Array) -> ToneCurve:
    """Return the monotone curve through (0, 0), the readings and (1, 1).

    Args:
        signal: Steps above 0, rising, the last of them full, shape (k,).
        linear: Their light above black, any scale, shape (k,).
    """
    from scipy.optimize import isotonic_regression

    linear = linear / linear[-1]
    used = (linear > GAMMA_FLOOR) & (signal < 1)
    slopes = np.log(linear[used]) / np.log(signal[used])
    exponent = float(np.clip(np.median(slopes), 1.0, 4.0)) if len(slopes) else 2.4
    root = np.clip(linear, 0.0, 1.0) ** (1 / exponent)
    root = isotonic_regression(np.concatenate([[0.0], root, [1.0]])).x[:-1]
    root[0], root[-1] = 0.0, 1.0
    signal = np.concatenate([[0.0], signal])
    signal[-1] = 1.0
    return ToneCurve(read_only(signal), read_only(root), exponent)


def _fit_matrix(patches: Patches, tone: tuple[ToneCurve, ToneCurve, ToneCurve], black: Array) -> Array:
    """Return the matrix by non-negative least squares of relative errors over all patches."""
    return _fit(patches, tone, patches.xyz - black, np.zeros((len(patches.xyz), 0)))


def _fit(patches: Patches, tone: tuple[ToneCurve, ToneCurve, ToneCurve], light: Array, more: Array) -> Array:
    """Return the factors of linear r, g, b, and of the columns ``more``, that give ``light``.

    No light is negative, so no factor is.
    """
    from scipy.optimize import nnls

    linear = np.stack([tone[c].forward(patches.signal[:, c]) for c in range(3)], axis=-1)
    weight = weights(patches)
    design = np.hstack([linear, more]) * weight[:, None]
    return np.array([nnls(design, light[:, i] * weight)[0] for i in range(3)])


def fit_shares(patches: Patches, response: Response) -> Array:
    """Return what share each patch has in the fitted matrix, shape (3, n).

    Their product with light above black, shape (n, 3), is the transposed matrix, as far as no light is held at zero.
    """
    linear = response.linear(patches.signal)
    weight = weights(patches)
    return np.asarray(np.linalg.pinv(linear * weight[:, None]) * weight)


def weights(patches: Patches) -> Array:
    """Return how much each patch counts in a least-squares fit, shape (n,).

    Repeats of an instrument scatter by a common factor a reading, so a reading counts by 1 / (X + Y + Z);
    of the weights tried on a measured panel this one leaves the least CIEDE2000.
    """
    size = np.abs(patches.xyz).sum(axis=1)
    return np.asarray(np.sqrt(patches.count) / (size + 0.01 * size.max()))


def _unread_black(patches: Patches, full: Array) -> Array:
    """Return the black that all readings share, where black itself was not read.

    Primaries and tones are told with the black so far, and black anew as what all readings have in common,
    until it stays. No better than its readings: a display that is not additive misleads it.
    """
    black, everywhere = np.zeros(3), np.ones((len(patches.xyz), 1))
    for _ in range(_ROUNDS):
        tone = _tones(patches, full - black, black)
        found = _fit(patches, tone, patches.xyz, everywhere)[:, 3]
        found = np.minimum(found, 0.5 * full.min(axis=0))
        if np.abs(found - black).max() <= 1e-9 * full.max():
            return np.asarray(found)
        black = found
    return black


def fitted_gamma(patches: Patches, black: Array) -> float:
    """Return the least-squares slope of log(Y − Y_black) on log(signal), peak down to 5 % of peak.

    Over the greys, or over the mean of the three ramps' slopes where there are fewer than five greys
    (RP 431-2:2011, Annex A, with black subtracted; else a raised black reads too low).
    """
    greys = patches.greys()
    if len(greys) >= FEWEST_GREYS:
        return _slope(patches, greys, 0, black)
    slopes = [_slope(patches, patches.ramp(channel), channel, black) for channel in range(3)]
    return float(np.mean(slopes))


def _slope(patches: Patches, places: Array, channel: int, black: Array) -> float:
    return _log_slope(patches.signal[places, channel], patches.xyz[places, 1] - black[1])


def _log_slope(signal: Array, light: Array) -> float:
    """Return the slope of log(light) on log(signal), both shape (k,), from the last down to 5 % of its light."""
    if not len(light):
        return float("nan")
    used = light >= GAMMA_FLOOR * light[-1]
    if used.sum() < 2:
        return float("nan")
    return float(np.polyfit(np.log(signal[used]), np.log(light[used]), 1)[0])


def nominal_response(encoding: Encoding, black_xyz: Array) -> Response:
    """Return the response of a display that follows its encoding exactly, over a given black.

    Its white is the encoding's luminance and the black. BT.1886 is bent by that black (ITU-R BT.1886, Annex 1,
    L_W being the white that comes out); any other tone, PQ too, is shown above it as it stands.

    Args:
        encoding: Primaries, white, tone, and luminance above black.
        black_xyz: Shape (3,), cd/m².
    """
    from matchlib.encoding import signal_to_linear

    matrix = normalised_matrix(encoding) * encoding.luminance
    signal = np.linspace(0, 1, 65)[1:]
    black = max(float(black_xyz[1]), 0.0)
    light = signal_to_linear(signal, encoding, black / (encoding.luminance + black))
    curve = monotone_tone(signal, light)
    gamma = float("nan") if encoding.eotf == "PQ" else _log_slope(signal, light)
    return Response(
        black_xyz=read_only(black_xyz),
        matrix=read_only(matrix),
        tone=(curve, curve, curve),
        white_xyz=read_only(matrix.sum(axis=1) + black_xyz),
        primaries_xyz=read_only(matrix.T),
        gamma=gamma,
        channel_gamma=read_only([gamma] * 3),
        black_read=True,
        additivity_error=0.0,
    )
