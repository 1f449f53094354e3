"""Why a monitor differs: shares of its mean difference, each the doing of one property."""

from dataclasses import dataclass
from functools import lru_cache
from math import factorial

import numpy as np

from matchlib.arrays import Array, Mask, read_only
from matchlib.displays.response import Response
from matchlib.matching.ideal import Ideal
from matchlib.perception.difference import ciede2000
from matchlib.perception.viewing import Wanted

FACTORS = ("white", "luminance", "tone", "primaries", "black")
REMAINDER = "remainder"


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What one display shows for a patch list, split into five factors.

    Attributes:
        white_xyz: Black included, shape (3,), cd/m²: its chromaticity is one factor, its Y another.
        linear: Linear light of the patches by the display's tone, 0 to 1, shape (n, 3).
        primaries_xyz: Rows red, green, blue above black, shape (3, 3): only their chromaticities count.
        black_xyz: Shape (3,), cd/m².
    """

    white_xyz: Array
    linear: Array
    primaries_xyz: Array
    black_xyz: Array


def look_of(response: Response, signal: Array) -> Look:
    """Return the look of a fitted response; put together again it is ``response.forward(signal)``.

    White and primaries are the fit's, not those read, for the difference is that of the fit.

    Args:
        response: Of a display.
        signal: Of the patches, 0 to 1, shape (n, 3).
    """
    matrix, black = response.matrix, response.black_xyz
    return Look(read_only(black + matrix.sum(axis=1)), read_only(response.linear(signal)), matrix.T, black)


def ideal_look(ideal: Ideal, black_xyz: Array, linear: Array) -> Look:
    """Return the look of the ideal over the reference's own black, so that black is a cause like the others.

    Args:
        ideal: In the monitor's signals.
        black_xyz: What the monitor should show for black, shape (3,), cd/m².
        linear: Linear light of the patches by the ideal's tone, 0 to 1, shape (n, 3).
    """
    return Look(ideal.white_xyz, read_only(linear), ideal.primaries_xyz, black_xyz)


def causes(monitor: Look, ideal: Look, wanted: Wanted, mean: float) -> tuple[dict[str, str | float], ...]:
    """Return the Shapley shares of the five factors, and what remains of the mean difference.

    v(S) is the mean CIEDE2000 of a display with the factors S as the monitor's and the others as the
    ideal's. A factor's share is what it adds to v, averaged over all orders in which the ideal becomes the
    monitor one factor after another (Shapley 1953, "A value for n-person games"; from memory). The shares sum to
    v(all) − v(none); the remainder is the rest of ``mean``: what even the ideal leaves, and what the fit
    does. A share below zero hides part of another.

    Args:
        monitor: Of the monitor as it is.
        ideal: Of the ideal, for the same patches.
        wanted: What the monitor should show for them.
        mean: The monitor's mean CIEDE2000 as it is reported.

    Returns:
        ``{"cause": …, "share": …}`` for white, luminance, tone, primaries, black and the remainder.
    """
    subsets, weights = _subsets()
    means = ciede2000(wanted.xyz, shown(monitor, ideal, subsets), wanted.white).mean(axis=-1)
    shares = (weights @ means).tolist()
    named = zip((*FACTORS, REMAINDER), (*shares, mean - sum(shares)), strict=True)
    return tuple({"cause": cause, "share": float(share)} for cause, share in named)


def shown(monitor: Look, ideal: Look, factors: Mask) -> Array:
    """Return what displays show that are the monitor in some factors and the ideal in the others.

    White has the chosen luminance and chromaticity; the primaries are scaled so that they add up to white
    less black. Where no positive scale does (a white outside the primaries, a black with more colour than
    the white has light), the primaries that would have to be negative stay dark and the others make up the
    luminance; a display whose black is brighter than its white shows its black alone.

    Args:
        monitor: Where a factor is True.
        ideal: Where it is False; for the same patches.
        factors: Shape (k, 5), in the order of ``FACTORS``.

    Returns:
        Shape (k, n, 3), cd/m².
    """
    white, luminance, tone, primaries, black = (column.astype(np.intp) for column in factors.T)
    both = (ideal, monitor)
    whites = np.stack([look.white_xyz for look in both])
    wanted_white = (whites / whites[:, 1:2])[white] * whites[luminance, 1][:, None]
    blacks = np.stack([look.black_xyz for look in both])[black]
    columns = np.stack([look.primaries_xyz.T for look in both])[primaries]
    matrices = _scaled(columns, wanted_white - blacks)
    linear = np.stack([look.linear for look in both])[tone]
    return np.asarray(blacks[:, None, :] + linear @ matrices.transpose(0, 2, 1))


def _scaled(columns: Array, light: Array) -> Array:
    """Return primaries, columns of shape (k, 3, 3), scaled to add up to ``light``, shape (k, 3), none negative."""
    scale = np.linalg.solve(columns, light[..., None])[..., 0]
    lit = np.maximum(scale, 0.0)
    luminance = np.maximum(light[:, 1], 0.0)
    shines = np.einsum("ki,ki->k", columns[:, 1, :], lit)
    factor = np.divide(luminance, shines, out=np.zeros_like(shines), where=shines > 0)
    possible = np.all(scale >= 0, axis=1)
    return np.asarray(columns * np.where(possible[:, None], scale, lit * factor[:, None])[:, None, :])


@lru_cache(maxsize=1)
def _subsets() -> tuple[Mask, Array]:
    """Return all sets of factors, shape (32, 5), and their weights in each factor's share, shape (5, 32).

    The marginal gain of a factor over a set of s others counts s! (4 − s)! / 5!; a set thus counts with that
    weight where it lacks the factor, negative, and where it is another set with the factor added.
    """
    count = len(FACTORS)
    sets = (np.arange(2**count)[:, None] >> np.arange(count)) % 2 == 1
    weight = [factorial(size) * factorial(count - 1 - size) / factorial(count) for size in range(count)]
    weights = np.zeros((count, len(sets)))
    for place, members in enumerate(sets):
        size = int(members.sum())
        for cause in range(count):
            weights[cause, place] = weight[size - 1] if members[cause] else -weight[size]
    sets.flags.writeable = False
    return sets, read_only(weights)
