"""How sure a difference is: errors of the readings carried to the scores (JCGM 101 and JCGM 100).

Monte Carlo after JCGM 101:2008: errors are drawn with a fixed seed and put on the XYZ of both displays
(:mod:`matchlib.matching.misreading`), and every score is computed anew for each draw. Lengths (CIEDE2000,
Δu′v′) are so carried as vectors: near zero their distribution is lopsided, and value ± U would be wrong.
Signed figures are nearly linear in the errors, and their intervals are the law's of JCGM 100:2008.

Scatter that few repeats tell is itself unsure: intervals are longer by Student's t at the effective degrees
of freedom (Welch–Satterthwaite, JCGM 100:2008, G.4.1).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.matching.errors_of_readings import Display
from matchlib.matching.lengths import Length
from matchlib.matching.misreading import COMMON, EACH, NOISE, Misread
from matchlib.perception.difference import ciede2000_vector, uv, xyz_to_lab
from matchlib.perception.viewing import Viewing, wanted
from matchlib.readings.instrument_noise import t_factor

SAMPLES = 256
_SEED = 20_080_101
_ONE_SIDED, _TWO_SIDED = 0.90, 0.95  # two-sided levels of the factors of 95 % on one side and on both


@dataclass(frozen=True, slots=True)
class Spread:
    """How sure one figure is.

    Attributes:
        standard: Standard uncertainty.
        low: Lower end of the 95 % coverage interval; ``high``: its upper end.
        expanded: U: k times ``standard``, or how far the interval reaches from the value, if that is more; k is
            2 for many degrees of freedom, and Student's t for few (JCGM 100:2008, Table G.2).
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
        lengths: Of those that are no signed figures, the vectors behind them.
        freedom: Effective degrees of freedom, by name; infinite where no scatter of repeats is in a figure.
    """

    samples: Mapping[str, Array]
    values: Mapping[str, float]
    lengths: Mapping[str, Length]
    freedom: Mapping[str, float]

    def spread(self, name: str) -> Spread:
        """Return standard uncertainty, 95 % interval and U of a figure.

        How well the interval covers the truth is tested on simulated readings.
        """
        value, standard = self.values[name], float(self.samples[name].std(ddof=1))
        expanded = t_factor(self.freedom[name]) * standard
        two_sided = t_factor(self.freedom[name], _TWO_SIDED)
        if name not in self.lengths:
            return Spread(standard, value - two_sided * standard, value + two_sided * standard, expanded)
        low, high = self.lengths[name].interval(t_factor(self.freedom[name], _ONE_SIDED), two_sided)
        # A shorter truth is looked for along one line of errors; what value − U reaches is never left out
        low = max(0.0, min(low, value - two_sided * standard))
        return Spread(standard, low, high, max(expanded, high - value, value - low if low > 0 else 0.0))

    @property
    def white_covariance(self) -> Array:
        """Covariance of u′ and v′ of white less the reference's, shape (2, 2)."""
        return np.asarray(np.cov([self.samples["white_u"], self.samples["white_v"]]))

    def least_expanded(self, name: str) -> float:
        """Return the U of a figure that reads zero: no limit below it can be shown to be kept."""
        if name in self.lengths:
            return self.lengths[name].reach(t_factor(self.freedom[name], _ONE_SIDED))
        return t_factor(self.freedom[name]) * float(self.samples[name].std(ddof=1))

    def probability(self, limits: Mapping[str, float]) -> float:
        """Return the probability that the sizes of all these figures are within their limits at once."""
        kept = [np.abs(self.samples[name]) <= limit for name, limit in limits.items()]
        return float(np.mean(np.all(kept, axis=0)))


@lru_cache(maxsize=1)
def drawn_errors() -> Array:
    """Return standard normal variables, the same each time, shape (s, 3 + 3 · EACH).

    Common ones, the reference's, the monitor's, and its panel's. Made to have mean 0, variance 1 and no
    correlation exactly, so that so few draws are enough.
    """
    drawn = np.random.default_rng(_SEED).standard_normal((SAMPLES, COMMON + 3 * EACH))
    drawn -= drawn.mean(axis=0)
    return read_only(np.linalg.solve(np.linalg.cholesky(np.cov(drawn, rowvar=False)), drawn.T).T)


def uncertainty_of(reference: Display, monitor: Display, mode: Viewing, ideal_gamma: float) -> Uncertainty:
    """Return how sure the differences of a monitor from its reference are.

    Args:
        reference: What is followed.
        monitor: What is judged.
        mode: Match mode.
        ideal_gamma: What the monitor's gamma is held against.
    """
    drawn = drawn_errors()
    plain, plain_vectors = _figures(reference, monitor, mode, 0 * drawn[:1])
    samples, vectors = _figures(reference, monitor, mode, drawn)
    values = {name: float(found[0]) for name, found in plain.items()}
    white = np.array([[values["white_u"], values["white_v"]]])
    white_errors = np.stack([samples["white_u"], samples["white_v"]], axis=-1)[:, None] - white
    errors = vectors - plain_vectors
    lengths = {
        "mean_difference": Length(plain_vectors[0], errors, _mean),
        "p95_difference": Length(plain_vectors[0], errors, _p95),
        "white": Length(white, white_errors, _mean),
    }
    gamma = monitor.response.gamma - ideal_gamma
    carried = {name: found[:, None] for name, found in samples.items()}
    carried |= {name: length.errors.reshape(SAMPLES, -1) for name, length in lengths.items()}
    carried["p95_difference"] = carried["mean_difference"]
    freedoms = [np.inf if d.scatter is None else d.scatter.freedom for d in (reference, monitor)]
    return Uncertainty(
        samples | {"gamma": samples["gamma"] + gamma},
        values | {"gamma": gamma},
        lengths,
        {name: effective_freedom(drawn, found, freedoms) for name, found in carried.items()},
    )


def effective_freedom(drawn: Array, errors: Array, freedoms: list[float]) -> float:
    """Return the effective degrees of freedom of errors (Welch–Satterthwaite, JCGM 100:2008, G.4.1).

    The stated uncertainty of an instrument has infinitely many; the scatter of each display those of its repeats.

    Args:
        drawn: Standard normal variables, uncorrelated, shape (s, columns).
        errors: What they make of a figure, or of several taken together, shape (s, m).
        freedoms: Of each display's repeats.
    """
    total = float(errors.var(axis=0, ddof=1).sum())
    below = 0.0
    for place, freedom in enumerate(freedoms):
        start = COMMON + place * EACH
        columns = drawn[:, start + NOISE.start : start + NOISE.stop]
        share = float(((columns.T @ errors / (len(drawn) - 1)) ** 2).sum())
        below += share**2 / freedom
    return total**2 / below if below > 1e-12 * total**2 else np.inf


def linear_law(reference: Display, monitor: Display, mode: Viewing) -> dict[str, float]:
    """Return standard uncertainties by the law of propagation (JCGM 100:2008, 5.1.2), by name of figure.

    Each error in turn is put one standard uncertainty up and down. It holds where the figures are nearly
    linear in the errors: away from zero differences.
    """
    step = np.eye(COMMON + 2 * EACH)
    up, down = _figures(reference, monitor, mode, step)[0], _figures(reference, monitor, mode, -step)[0]
    return {name: float(np.sqrt((((up[name] - down[name]) / 2) ** 2).sum())) for name in up}


def misread(reference: Display, monitor: Display, drawn: Array) -> tuple[Misread, Misread]:
    """Return both displays under draws: common ones, the reference's, the monitor's, shape (s, 3 + 2 · EACH)."""
    one = reference.sources and monitor.sources and reference.sources.instrument == monitor.sources.instrument
    common, own = drawn[:, :COMMON], drawn[:, COMMON + EACH : COMMON + 2 * EACH]
    ours = Misread(reference, common, drawn[:, COMMON : COMMON + EACH])
    # Two instruments have nothing in common: the second takes common draws of its own.
    return ours, Misread(monitor, common if one else np.zeros_like(common), own, alone=not one)


def _figures(reference: Display, monitor: Display, mode: Viewing, drawn: Array) -> tuple[dict[str, Array], Array]:
    """Return the figures for each draw of standard normal errors, shape (s, errors) to (s,) each.

    ``gamma`` is the error of the difference alone. Beside them the CIEDE2000 vectors, shape (s, n, 3).
    """
    ours, theirs = misread(reference, monitor, drawn)
    aim = wanted(mode, ours.read(), ours.white()[:, None, :])
    vectors = vectors_of(xyz_to_lab(aim.xyz, aim.white), xyz_to_lab(theirs.read(), aim.white))
    differences = np.sqrt((vectors**2).sum(axis=-1))
    # Relative to what the reference white asks for, in any mode
    u, v = np.moveaxis(uv(theirs.white()) - uv(aim.white[:, 0]), -1, 0)
    figures = {
        "mean_difference": _mean(differences),
        "p95_difference": _p95(differences),
        "white": np.hypot(u, v),
        "white_u": u,
        "white_v": v,
        "luminance": theirs.white()[:, 1] / aim.white[:, 0, 1] - 1,
        "gamma": theirs.gamma() - ours.gamma(),
    }
    return figures, vectors


def vectors_of(wanted_lab: Array, shown_lab: Array) -> Array:
    """Return CIEDE2000 as vectors along L*, a*, b*, shape (…, 3).

    :func:`ciede2000_vector` counts chroma and hue from the colour's own hue, which errors turn about near grey;
    along fixed axes errors are added to differences as they are.
    """
    vectors = ciede2000_vector(wanted_lab, shown_lab)
    middle = wanted_lab[..., 1:] + shown_lab[..., 1:]
    size = np.sqrt((middle**2).sum(axis=-1))
    a, b = np.moveaxis(
        np.divide(middle, size[..., None], out=np.full_like(middle, np.sqrt(0.5)), where=size[..., None] > 0), -1, 0
    )
    light, chroma, hue = np.moveaxis(vectors, -1, 0)
    return np.stack([light, a * chroma - b * hue, b * chroma + a * hue], axis=-1)


def _mean(lengths: Array) -> Array:
    return np.asarray(lengths.mean(axis=-1))


def _p95(lengths: Array) -> Array:
    return np.asarray(np.percentile(lengths, 95, axis=-1))
