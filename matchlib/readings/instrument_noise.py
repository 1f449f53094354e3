"""How repeats of a reading scatter, and how many are needed."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from matchlib.arrays import Array
from matchlib.once import once
from matchlib.readings.session import Patches

LEVEL = 0.9545  # of the factors in JCGM 100:2008, Table G.2: k = 2 for many degrees of freedom
_LEAST, _MOST = -9.0, 0.0  # log10 of the parts that the search looks at, relative to the brightest patch


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Standard deviation of one reading of Y: √(floor² + (relative · Y)²).

    Attributes:
        floor: cd/m².
        relative: Of the luminance.
        freedom: Degrees of freedom of the repeats behind it; 0 where it was not fitted.
    """

    floor: float
    relative: float
    freedom: int

    def deviation(self, luminance: ArrayLike) -> Array:
        """Return the standard deviation of one reading at luminances in cd/m², any shape."""
        return np.asarray(np.hypot(self.floor, self.relative * np.asarray(luminance, dtype=np.float64)))


@once
def fit_noise(patches: Patches) -> NoiseModel | None:
    """Return the noise model most likely to give the repeats' scatter in Y; None without repeats.

    For n repeats (n − 1)·s²/σ² is chi-square distributed, so the likelihood of both parts is known
    (maximum likelihood; the two-part form is common practice, no source).
    """
    from scipy.optimize import minimize

    repeated = patches.count > 1
    freedom = patches.count[repeated] - 1
    if not len(freedom):
        return None
    luminance, variance = np.abs(patches.xyz[repeated, 1]), patches.scatter[repeated, 1] ** 2
    scale = luminance.max()
    if not scale > 0 or not variance.max() > 0:
        return NoiseModel(0.0, 0.0, int(freedom.sum()))

    def unlikelihood(parts: Array) -> float:
        expected = (scale * 10 ** parts[0]) ** 2 + (luminance * 10 ** parts[1]) ** 2
        return float((freedom * (np.log(expected / scale**2) + variance / expected)).sum())

    # Two hills are possible, one a part: the better of several starts counts.
    guesses = [(floor, relative) for floor in (-6.0, -4.0, -2.5) for relative in (-6.0, -3.0, -2.0)]
    start = min(guesses, key=lambda guess: unlikelihood(np.array(guess)))
    bounds = [(_LEAST, _MOST)] * 2
    options = {"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000}
    found = minimize(unlikelihood, start, method="Nelder-Mead", bounds=bounds, options=options)
    floor, relative = 10.0 ** np.asarray(found.x)
    return NoiseModel(float(scale * floor), float(relative), int(freedom.sum()))


def t_factor(freedom: float, level: float = LEVEL) -> float:
    """Return Student's factor that expands u to a level of confidence (JCGM 100:2008, G.3, Table G.2)."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + level / 2))


def repeats_needed(noise: NoiseModel, luminance: float, relative_uncertainty: float) -> int:
    """Return how many repeats bring the mean of a patch to a relative expanded uncertainty.

    U = t · σ / √n (JCGM 100:2008, 4.2.3), t at the degrees of freedom of the noise model.

    Args:
        noise: As fitted.
        luminance: Of the patch, cd/m².
        relative_uncertainty: Wanted, expanded.

    Raises:
        ValueError: No luminance or uncertainty above zero.
    """
    if not (luminance > 0 and relative_uncertainty > 0):
        raise ValueError("luminance and relative_uncertainty must be above 0")
    factor = t_factor(noise.freedom) if noise.freedom else 2.0
    deviation = float(noise.deviation(luminance))
    return max(1, math.ceil((factor * deviation / (relative_uncertainty * luminance)) ** 2 - 1e-9))
