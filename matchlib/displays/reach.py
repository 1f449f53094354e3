"""What a panel can show: its native light, and whether a target lies inside."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.response import Response
from matchlib.encoding import primaries_matrix
from matchlib.facility.rooms import NativeLimits

ROUNDING = 1e-10  # of full drive: what linear algebra leaves, and far below a code of any panel


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """A panel with its own colour processing off.

    Attributes:
        matrix: N, columns are the XYZ of its full red, green, blue above black, shape (3, 3), cd/m².
        black_xyz: b_N, shape (3,), cd/m².
        source: Where this is known from, in words.
        guessed: What had to be guessed; empty where nothing had to.
    """

    matrix: Array
    black_xyz: Array
    source: str
    guessed: str = ""


def panel_from_session(response: Response, source: str, guessed: str = "") -> Panel:
    """Return the panel that a fitted session shows.

    Where its light does not add, the panel is what its full primaries give alone, darkened as far as its full
    secondaries or white fall short of their sum: it reaches that much for sure, and with a white sub-pixel more.
    """
    if response.additive:
        return Panel(response.matrix, response.black_xyz, source, guessed)
    matrix = response.primaries_xyz.T * _share_kept(response)
    peak = float(matrix[1].sum() + response.black)
    sure = (
        f"{source}: the panel is not additive; its reach is taken as {peak:.1f} cd/m², what its full primaries give "
        f"together for sure, of the {response.luminance:.1f} of its white"
    )
    return Panel(read_only(matrix), response.black_xyz, source, "; ".join(filter(None, (guessed, sure))))


def _share_kept(response: Response) -> float:
    """Return the least share of their primaries' sum that full secondaries and white show, at most 1."""
    corners = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1], [1, 1, 1]], dtype=np.float64)
    shown = response.forward(corners) - response.black_xyz
    return min(1.0, float((shown / (corners @ response.primaries_xyz))[:, 1].min()))


def panel_from_limits(limits: NativeLimits, calibrated: Response) -> Panel:
    """Return the panel of native limits from the inventory.

    Limits name no native white, so the calibrated session's is taken, and said to be a guess; so is the
    colour of its black.
    """
    white = calibrated.white_xyz / calibrated.white_xyz[1] * limits.peak_luminance
    tint = calibrated.black_xyz / calibrated.black if calibrated.black > 0 else white / white[1]
    black = tint * limits.black
    matrix = primaries_matrix((limits.red_xy, limits.green_xy, limits.blue_xy), white - black)
    return Panel(
        read_only(matrix),
        read_only(black),
        "native limits in monitors.csv",
        "the native white is not among the limits; the calibrated white was taken",
    )


def reaches(T: Array, b_T: Array, N: Array, b_N: Array) -> bool:
    """Return whether a panel shows every colour of a target exactly.

    With A = N⁻¹T and a = N⁻¹(b_T − b_N) it does where, for each row, a + Σ min(A, 0) ≥ 0 and
    a + Σ max(A, 0) ≤ 1: the extremes of a linear form over the cube lie at its corners. What rounding leaves of
    the solution, ``ROUNDING``, is allowed, or a panel might not reach itself.

    Args:
        T: Columns are the XYZ of the target's full red, green, blue above its black, shape (3, 3).
        b_T: The target's black, shape (3,).
        N: The same of the panel, shape (3, 3).
        b_N: The panel's black, shape (3,).
    """
    A, a = np.linalg.solve(N, T), np.linalg.solve(N, b_T - b_N)
    low, high = a + np.minimum(A, 0).sum(axis=1), a + np.maximum(A, 0).sum(axis=1)
    return bool(np.all(low >= -ROUNDING) and np.all(high <= 1 + ROUNDING))


def gamut_planes(primaries_xyz: Array) -> Array:
    """Return the linear forms g with g·XYZ ≤ 0 for every light inside the hull of the given ones.

    Args:
        primaries_xyz: Corners or more, shape (k, 3).

    Returns:
        Shape (m, 3), one row an edge of the hull in the chromaticity diagram.
    """
    from scipy.spatial import ConvexHull

    xy = primaries_xyz[:, :2] / primaries_xyz.sum(axis=1, keepdims=True)
    nx, ny, offset = ConvexHull(xy).equations.T
    return np.stack([nx + offset, ny + offset, offset], axis=1)


def nearest_white(panel: Panel, white_xyz: Array) -> Array:
    """Return a white the panel can tint: the wanted one, or with the negative drive left out."""
    drive = np.linalg.solve(panel.matrix, white_xyz)
    if np.all(drive > 0):
        return white_xyz
    shown = panel.matrix @ np.maximum(drive, 1e-3 * drive.max())
    return np.asarray(shown / shown[1] * white_xyz[1])
