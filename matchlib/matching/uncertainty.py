"""How sure a difference is: errors of the readings carried to the scores (JCGM 101 and JCGM 100).

Monte Carlo after JCGM 101:2008: errors are drawn with a fixed seed and put on the XYZ of both displays,
and every score is computed anew for each draw. Lengths (CIEDE2000, Δu′v′) are so carried as vectors: near
zero their distribution is lopsided, and value ± U would be wrong.

The model of an instrument: its luminance scale is off by one factor for everything it reads; its
chromaticity by one step in x, y for all colours of one display, of which the share ``common_xy`` is the
same on every display that it reads.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.errors_of_readings import Display
from matchlib.perception.difference import ciede2000_vector, uv, xyz_to_lab
from matchlib.perception.viewing import Viewing, wanted

SAMPLES = 400
_SEED = 20_080_101
# Standard normal variables of one display, in this order, and how many of each.
_PARTS = {
    "scale": 1,
    "xy": 2,
    "residual": 1,
    "residual_xy": 2,
    "white_factor": 1,
    "white": 3,
    "primary_factors": 3,
    "primaries": 9,
    "black": 3,
    "gamma": 1,
}
_OWN = 1 / 3  # of a reading's scatter, what X, Y, Z have each for itself beside a common factor: no source
_EACH = sum(_PARTS.values())
_COMMON = 3  # scale and xy of an instrument that read both


@dataclass(frozen=True, slots=True)
class Spread:
    """How sure one figure is.

    Attributes:
        standard: Standard uncertainty.
        low: Lower end of the 95 % coverage interval; ``high``: its upper end.
        expanded: U: twice ``standard``, or how far the interval reaches from the value, if that is more.
    """

    standard: float
    low: float
    high: float
    expanded: float


@dataclass(frozen=True, slots=True, eq=False)
class Uncertainty:
    """The distributions of the figures that a verdict is made of.

    Attributes:
        samples: Draws by name, shape (s,): ``mean_difference``, ``p95_difference``, ``white`` (Δu′v′),
            ``white_u``, ``white_v``, ``luminance`` (ratio minus 1) and ``gamma`` (difference), these four signed.
        values: The figures without errors, by the same names.
        lengths: Draws of what the errors alone would read as a length where there is none, of the lengths.
    """

    samples: Mapping[str, Array]
    values: Mapping[str, float]
    lengths: Mapping[str, Array]

    def spread(self, name: str) -> Spread:
        """Return standard uncertainty, 95 % interval and U of a figure.

        The interval is probabilistically symmetric (JCGM 101:2008, 5.3.3). Errors lengthen a short vector,
        first in the reading and once more in the draws: the interval of a length holds the draws' own and the
        same turned about the value; of a length that errors alone would reach in 5 % of readings it goes from
        zero up to what 95 % of the draws stay below. How well that covers the truth is tested on simulated readings.
        """
        draws, value = self.samples[name], self.values[name]
        standard = float(draws.std(ddof=1))
        low, high = (float(end) for end in np.percentile(draws, [2.5, 97.5]))
        if name not in self.lengths:
            return Spread(standard, low, high, 2 * standard)
        if value <= np.percentile(self.lengths[name], 95):
            low, high = 0.0, float(np.percentile(draws, 95))
        else:
            low, high = max(0.0, min(low, 2 * value - high)), max(high, 2 * value - low)
        return Spread(standard, low, high, max(2 * standard, high - value, value - low if low > 0 else 0.0))

    def least_expanded(self, name: str) -> float:
        """Return the U of a figure that reads zero: no limit below it can be shown to be kept."""
        if name in self.lengths:
            return float(np.percentile(self.lengths[name], 95))
        return 2 * float(self.samples[name].std(ddof=1))

    def probability(self, limits: Mapping[str, float]) -> float:
        """Return the probability that the sizes of all these figures are within their limits at once."""
        kept = [np.abs(self.samples[name]) <= limit for name, limit in limits.items()]
        return float(np.mean(np.all(kept, axis=0)))


def uncertainty_of(reference: Display, monitor: Display, mode: Viewing, ideal_gamma: float) -> Uncertainty:
    """Return how sure the differences of a monitor from its reference are.

    Args:
        reference: What is followed.
        monitor: What is judged.
        mode: Match mode.
        ideal_gamma: What the monitor's gamma is held against.
    """
    drawn = np.random.default_rng(_SEED).standard_normal((SAMPLES, _COMMON + 2 * _EACH))
    # Made to have mean 0, variance 1 and no correlation exactly, so that 400 draws are enough.
    drawn -= drawn.mean(axis=0)
    drawn = np.linalg.solve(np.linalg.cholesky(np.cov(drawn, rowvar=False)), drawn.T).T
    plain, plain_vectors = _figures(reference, monitor, mode, 0 * drawn[:1])
    samples, vectors = _figures(reference, monitor, mode, drawn)
    values = {name: float(found[0]) for name, found in plain.items()}
    gamma = monitor.response.gamma - ideal_gamma
    errors = np.sqrt(((vectors - plain_vectors) ** 2).sum(axis=-1))
    lengths = {
        "mean_difference": errors.mean(axis=1),
        "p95_difference": np.percentile(errors, 95, axis=1),
        "white": np.hypot(samples["white_u"] - values["white_u"], samples["white_v"] - values["white_v"]),
    }
    return Uncertainty(samples | {"gamma": samples["gamma"] + gamma}, values | {"gamma": gamma}, lengths)


def linear_law(reference: Display, monitor: Display, mode: Viewing) -> dict[str, float]:
    """Return standard uncertainties by the law of propagation (JCGM 100:2008, 5.1.2), by name of figure.

    Each error in turn is put one standard uncertainty up and down. It holds where the figures are nearly
    linear in the errors: away from zero differences.
    """
    step = np.eye(_COMMON + 2 * _EACH)
    up, down = _figures(reference, monitor, mode, step)[0], _figures(reference, monitor, mode, -step)[0]
    return {name: float(np.sqrt((((up[name] - down[name]) / 2) ** 2).sum())) for name in up}


def _figures(reference: Display, monitor: Display, mode: Viewing, drawn: Array) -> tuple[dict[str, Array], Array]:
    """Return the figures for each draw of standard normal errors, shape (s, errors) to (s,) each.

    ``gamma`` is the error of the difference alone. Beside them the CIEDE2000 vectors, shape (s, n, 3).
    """
    ours = _Errors(reference, drawn[:, :_COMMON], drawn[:, _COMMON : _COMMON + _EACH])
    own = drawn[:, _COMMON + _EACH :]
    one = reference.sources and monitor.sources and reference.sources.instrument == monitor.sources.instrument
    # Two instruments have nothing in common: the second takes common draws of its own.
    theirs = _Errors(monitor, drawn[:, :_COMMON] if one else np.zeros_like(drawn[:, :_COMMON]), own, alone=not one)
    aim = wanted(mode, ours.read(), ours.white()[:, None, :])
    vectors = ciede2000_vector(xyz_to_lab(aim.xyz, aim.white), xyz_to_lab(theirs.read(), aim.white))
    differences = np.sqrt((vectors**2).sum(axis=-1))
    # Relative to what the reference white asks for, in any mode
    u, v = np.moveaxis(uv(theirs.white()) - uv(aim.white[:, 0]), -1, 0)
    figures = {
        "mean_difference": differences.mean(axis=1),
        "p95_difference": np.percentile(differences, 95, axis=1),
        "white": np.hypot(u, v),
        "white_u": u,
        "white_v": v,
        "luminance": theirs.white()[:, 1] / aim.white[:, 0, 1] - 1,
        "gamma": theirs.gamma() - ours.gamma(),
    }
    return figures, vectors


class _Errors:
    """One display under drawn errors."""

    def __init__(self, display: Display, common: Array, own: Array, *, alone: bool = False) -> None:
        """Take the draws of a display; ``alone``: nothing of its errors is shared, so its own stand for all."""
        self._display, self._sources, self._scatter = display, display.sources, display.scatter
        places = np.cumsum([0, *_PARTS.values()])
        self._own = {name: own[:, places[i] : places[i + 1]] for i, name in enumerate(_PARTS)}
        self._scale = self._own["scale"] if alone else common[:, :1]
        share = 0.0 if self._sources is None or alone else self._sources.common_xy
        self._step = np.sqrt(share) * common[:, 1:] + np.sqrt(1 - share) * self._own["xy"]

    def read(self) -> Array:
        """Return XYZ of the standard list, shape (s, n, 3)."""
        response = self._display.response
        linear = response.linear(self._display.signal)
        if self._scatter is None:
            return self._by_instrument(np.broadcast_to(response.forward(self._display.signal), self._shape(linear)))
        slope = np.where(linear > 0, linear * np.log(np.where(linear > 0, linear, 1.0)), 0.0)
        bend = self._own["gamma"] * self._scatter.gamma / _positive(response.gamma)
        light = linear + bend[:, :, None] * slope
        factors = self._own["primary_factors"][:, None] + _OWN * self._own["primaries"].reshape(-1, 3, 3)
        noise = factors * self._scatter.primaries
        black = response.black_xyz + self._scatter.black * self._own["black"]
        shown = light @ np.swapaxes(response.matrix * (1 + noise), 1, 2)
        if not response.additive:  # all light errs by the share that its primaries' light errs by
            shown = _in_proportion(
                shown, linear @ response.matrix.T, response.forward(self._display.signal) - response.black_xyz
            )
        return self._by_instrument(black[:, None] + shown)

    def white(self) -> Array:
        """Return XYZ of white as read, shape (s, 3)."""
        white = self._display.response.white_xyz
        noise = 0.0 if self._scatter is None else self._scatter.white
        factors = self._own["white_factor"] + _OWN * self._own["white"]
        return self._by_instrument((white * (1 + noise * factors))[:, None])[:, 0]

    def gamma(self) -> Array:
        """Return the error of gamma, shape (s,): instruments scale all greys alike, so only noise is in it."""
        return np.asarray(self._own["gamma"][:, 0] * (0.0 if self._scatter is None else self._scatter.gamma))

    def _shape(self, linear: Array) -> tuple[int, ...]:
        return (len(self._scale), *linear.shape)

    def _by_instrument(self, xyz: Array) -> Array:
        """Return readings, shape (s, n, 3), with x, y moved and Y scaled."""
        found = self._sources
        if found is None:
            return xyz
        move = found.xy * self._step + found.residual_xy * self._own["residual_xy"]
        scale = 1 + found.luminance * self._scale + found.residual_luminance * self._own["residual"]
        total = xyz.sum(axis=-1)
        moved_y = xyz[..., 1] + total * move[:, 1:]
        keep = np.divide(xyz[..., 1], moved_y, out=np.ones_like(moved_y), where=moved_y > 0)  # Y stays
        steps = np.stack([move[:, 0], move[:, 1], -move.sum(axis=1)], axis=-1)
        return np.asarray((xyz + total[..., None] * steps[:, None]) * (keep * scale)[..., None])


def _in_proportion(erring: Array, plain: Array, light: Array) -> Array:
    """Return ``light``, shape (n, 3), times ``erring``, shape (s, n, 3), over ``plain``; as it is where that is 0."""
    return np.asarray(light * np.divide(erring, plain, out=np.ones_like(erring), where=np.abs(plain) > 0))


def _positive(gamma: float) -> float:
    return gamma if np.isfinite(gamma) and gamma > 0 else 2.4
