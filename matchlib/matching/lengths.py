"""Coverage intervals of lengths that errors lengthen: CIEDE2000, Δu′v′, and their means and percentiles."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from matchlib.arrays import Array

_ROOT = 2 / 3  # a length to this power is nearly normal: the cube root of a sum of squares is, after
# Wilson & Hilferty (1931), also where it is not central (Abdel-Aty 1954); both from memory
_NEAR = 1e-3  # of a share: how near the ends are found


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
        return float(self.figure(np.sqrt(self._squares[0])[None])[0])

    def draws(self, share: float) -> Array:
        """Return what would be read were the truth this share of the vectors read, shape (s,)."""
        own, mixed, errors = self._squares
        return self.figure(np.sqrt(np.maximum(share**2 * own + 2 * share * mixed + errors, 0.0)))

    def reach(self, share: float, factor: float) -> float:
        """Return what is read so many standard deviations above the middle, below it for a negative factor."""
        roots = self.draws(share) ** _ROOT
        return float(max(roots.mean() + factor * roots.std(ddof=1), 0.0) ** (1 / _ROOT))

    def interval(self, one_sided: float, two_sided: float) -> tuple[float, float]:
        """Return the 95 % interval: all truths of which what was read is no surprise (Neyman 1937, from memory).

        A truth so short that a reading of zero would be none either is judged by readings too long for it alone
        (5 %), a longer one by both sides (2.5 % each). So zero is in the interval of a length that errors alone
        reach in 5 % of readings, and no interval is empty. The truths looked at are the vectors read, all longer
        or shorter alike.

        Args:
            one_sided: Factor of the standard deviation for 95 % on one side.
            two_sided: The same on both.
        """
        short = self.reach(0.0, one_sided)
        high = max(short, self._end(-two_sided))
        if self.value <= short:
            return 0.0, high
        low = self._end(one_sided)
        return (low if low <= short else max(short, self._end(two_sided))), high

    @cached_property
    def _squares(self) -> tuple[Array, Array, Array]:
        mixed = np.einsum("snk,nk->sn", self.errors, self.vectors)
        return (self.vectors**2).sum(-1), mixed, (self.errors**2).sum(-1)

    def _end(self, factor: float) -> float:
        """Return the truth of which what was read is so many standard deviations above the middle."""
        from scipy.optimize import brentq

        if self.value == 0 or self.reach(0.0, factor) >= self.value:
            return 0.0
        high = 2.0
        while self.reach(high, factor) < self.value:
            high *= 2
        return self.value * float(brentq(lambda share: self.reach(share, factor) - self.value, 0, high, xtol=_NEAR))
