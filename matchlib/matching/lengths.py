"""Coverage intervals of lengths that errors lengthen: CIEDE2000, Δu′v′, and their means and percentiles."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from matchlib.arrays import Array

_ROOT = 2 / 3  # a length to this power is nearly normal: the cube root of a sum of squares is, after
# Wilson & Hilferty (1931), also where it is not central (Abdel-Aty 1954); both from memory
_NEAR = 1e-3  # standard uncertainties, or of a share: how near the ends are found
_FAR = (1.5, 3.0, 4.5, 6.0, 9.0)  # standard uncertainties: where the shortest truth is looked for


@dataclass(frozen=True, eq=False)
class Length:
    """A length, or a figure of several, and the errors of its vectors.

    Attributes:
        vectors: As read, shape (n, k).
        errors: Draws, shape (s, n, k), mean about 0.
        figure: From lengths, shape (s, n), to the figure, shape (s,); in proportion to them.
    """

    vectors: Array
    errors: Array
    figure: Callable[[Array], Array]

    @cached_property
    def value(self) -> float:
        """The figure as read."""
        return float(self._at(self.vectors[None])[0])

    def reach(self, factor: float) -> float:
        """Return what is read of no length at all, so many standard deviations above the middle."""
        return self._reach(factor, self._squares)

    def _reach(self, factor: float, squares: Array) -> float:
        """Return what is read, so many standard deviations above the middle, of drawn squares, shape (s, n)."""
        roots = self.figure(np.sqrt(np.maximum(squares, 0.0))) ** _ROOT
        return float(max(roots.mean() + factor * roots.std(ddof=1), 0.0) ** (1 / _ROOT))

    def _along(self, base: Array, step: Array) -> Callable[[float], Array]:
        """Return the drawn squares of base + x · step, shape (s, n), as a function of x; both vectors (n, k)."""
        still = (base**2).sum(-1) + 2 * np.einsum("snk,nk->sn", self.errors, base) + self._squares
        rising = 2 * (base * step).sum(-1) + 2 * np.einsum("snk,nk->sn", self.errors, step)
        bent = (step**2).sum(-1)
        return lambda x: still + x * rising + x * x * bent

    def interval(self, one_sided: float, two_sided: float) -> tuple[float, float]:
        """Return the 95 % interval: all truths of which what was read is no surprise (Neyman 1937, from memory).

        A truth so short that a reading of zero would be none either is judged by readings too long for it alone
        (5 %), a longer one by both sides (2.5 % each). So zero is in the interval of a length that errors alone
        reach in 5 % of readings, and no interval is empty. Longer truths are looked for among the vectors read, all
        longer alike; shorter ones from the likely vectors on, along the errors that lengthen the figure most.

        Args:
            one_sided: Factor of the standard deviation for 95 % on one side.
            two_sided: The same on both.
        """
        short = self.reach(one_sided)
        high = max(short, self._longest(-two_sided))
        if self.value <= short:
            return 0.0, high
        low = self._shortest(one_sided)
        return (low if low <= short else max(short, self._shortest(two_sided))), high

    @cached_property
    def _squares(self) -> Array:
        return np.asarray((self.errors**2).sum(-1))

    @cached_property
    def _likely(self) -> Array:
        """The vectors as long as they were before errors lengthened them: E|d + e|² = |d|² + E|e|², shape (n, k)."""
        read = (self.vectors**2).sum(-1)
        left = np.maximum(read - self._squares.mean(axis=0), 0.0)
        shares = np.sqrt(np.divide(left, read, out=np.zeros_like(read), where=read > 0))
        return np.asarray(self.vectors * shares[:, None])

    @cached_property
    def _steepest(self) -> Array:
        """The errors that lengthen the figure most for their size, one standard uncertainty, shape (n, k)."""
        figures = self._at(self.vectors + self.errors)
        figures = figures - figures.mean()
        size = float(figures.std(ddof=1)) or 1.0
        return np.asarray(np.tensordot(figures, self.errors, (0, 0)) / ((len(figures) - 1) * size))

    def _at(self, vectors: Array) -> Array:
        return np.asarray(self.figure(np.sqrt((vectors**2).sum(-1))))

    def _longest(self, factor: float) -> float:
        """Return the longest truth of which what was read is so many standard deviations below the middle."""
        if self.value == 0:
            return 0.0

        squares = self._along(np.zeros_like(self.vectors), self.vectors)

        def excess(share: float) -> float:
            return self._reach(factor, squares(share)) - self.value

        if excess(0.0) >= 0:
            return 0.0
        far = 2.0
        while excess(far) < 0:
            far *= 2
        return self.value * _root(excess, 0.0, far)

    def _shortest(self, factor: float) -> float:
        """Return the shortest truth of which what was read is so many standard deviations above the middle."""
        squares = self._along(self._likely, -self._steepest)

        def excess(steps: float) -> float:
            return self.value - self._reach(factor, squares(steps))

        near = -_FAR[0]
        if excess(near) >= 0:
            return self.value
        for far in _FAR:
            if excess(far) > 0:
                steps = _root(excess, near, far)
                return float(self._at((self._likely - steps * self._steepest)[None])[0])
            near = far
        grid = np.arange(0.0, _FAR[-1], 0.25)
        return float(self._at(self._likely - grid[:, None, None] * self._steepest).min())


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(function, low, high, xtol=_NEAR))
