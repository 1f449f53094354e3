"""Process nodes of the Common LUT Format, evaluated as the standard says they are.

SMPTE ST 2136-1 (public committee draft, 2025-02-06): every node is computed in 32-bit float, and nothing is
clamped or quantised unless a node says so. Nodes here hold 32-bit numbers and compute with them, so what is
evaluated is what a reader of the file evaluates; the last bit of a power may differ between readers.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from matchlib.errors import InputError, Problem

Single = NDArray[np.float32]
HALF_CODES = 65_536
_HALF_TOP = np.float32(65_504)  # greatest finite half float, IEEE 754 binary16


class Node(Protocol):
    """One step of a correction: shape (n, 3) to (n, 3), 32-bit float."""

    def apply(self, x: Single) -> Single:
        """Return the node's output for its input, shape (n, 3)."""


def single(values: ArrayLike) -> Single:
    """Return a copy of ``values`` as float32 that nobody can write to.

    Raises:
        InputError: One of them is not finite.
    """
    array = np.array(values, dtype=np.float32)
    if not np.isfinite(array).all():
        raise InputError(Problem("a correction holds a number that is not finite", "look at the response behind it"))
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, eq=False)
class Exponent:
    """max(0, x) to a power (style ``basicFwd``); ``powers``: of red, green, blue, shape (3,)."""

    powers: Single

    def apply(self, x: Single) -> Single:
        """Return the powers of ``x``, shape (n, 3); negative input counts as 0."""
        return np.asarray(np.maximum(x, np.float32(0)) ** self.powers)


@dataclass(frozen=True, slots=True, eq=False)
class Matrix:
    """``matrix`` · x + ``offset``, shapes (3, 3) and (3,)."""

    matrix: Single
    offset: Single

    def apply(self, x: Single) -> Single:
        """Return the product, shape (n, 3), summed from red to blue, the offset last."""
        red, green, blue = (x[:, i, None] * self.matrix[:, i] for i in range(3))
        return np.asarray(red + green + blue + self.offset)


@dataclass(frozen=True, slots=True)
class Range:
    """A straight line through two points, clamped to their output (style ``Clamp``)."""

    low_in: float
    high_in: float
    low_out: float
    high_out: float

    def apply(self, x: Single) -> Single:
        """Return y = low_out + (x − low_in)·S, S the line's slope, within low_out and high_out."""
        slope = np.float32((self.high_out - self.low_out) / (self.high_in - self.low_in))
        y = np.float32(self.low_out) + slope * (x - np.float32(self.low_in))
        return np.asarray(np.clip(y, np.float32(self.low_out), np.float32(self.high_out)))


@dataclass(frozen=True, slots=True, eq=False)
class Lut1D:
    """A table a channel, straight lines between its entries.

    Attributes:
        values: Shape (N, 3), or (N, 1) for all channels alike. Uniform over 0 to 1, input beyond taking the
            end's value; or, with ``half_domain``, N = 65,536: one entry for every half float's bit pattern.
        half_domain: Dense where light is little: 1,024 steps for every halving down to 6e-5, and 1,024
            equal ones below.
    """

    values: Single
    half_domain: bool = False

    def __post_init__(self) -> None:
        shape = self.values.shape
        if len(shape) != 2 or shape[1] not in {1, 3} or shape[0] < 2 or (self.half_domain and shape[0] != HALF_CODES):
            what = f"a LUT1D of shape {shape}"
            raise InputError(Problem(what, "give (N, 1) or (N, 3), and N = 65536 over the half domain"))

    def apply(self, x: Single) -> Single:
        """Return the interpolated entries, shape (n, 3)."""
        low, high, share = self._half_places(x) if self.half_domain else self._places(x)
        channel = np.arange(3) if self.values.shape[1] == 3 else np.zeros(3, dtype=int)
        below, above = self.values[low, channel], self.values[high, channel]
        return np.asarray(below + share * (above - below))

    def _places(self, x: Single) -> tuple[NDArray[np.intp], NDArray[np.intp], Single]:
        place = np.clip(x, np.float32(0), np.float32(1)) * np.float32(len(self.values) - 1)
        low = np.minimum(place.astype(np.intp), len(self.values) - 2)
        return low, low + 1, place - low.astype(np.float32)

    @staticmethod
    def _half_places(x: Single) -> tuple[NDArray[np.intp], NDArray[np.intp], Single]:
        """Return the half floats on both sides; the next bit pattern lies farther from zero."""
        x = np.clip(x, -_HALF_TOP, _HALF_TOP)
        near = x.astype(np.float16)
        low = near.view(np.uint16).astype(np.intp) - (np.abs(near.astype(np.float32)) > np.abs(x))
        codes = half_codes().astype(np.float32)
        share = (x - codes[low]) / (codes[low + 1] - codes[low])
        return low, low + 1, share


def half_codes() -> NDArray[np.float16]:
    """Return the half float of each bit pattern, shape (65536,), infinities and NaN included."""
    return np.arange(HALF_CODES, dtype=np.uint16).view(np.float16)


@dataclass(frozen=True, slots=True, eq=False)
class Lut3D:
    """A table over the cube, tetrahedral interpolation.

    Attributes:
        values: Shape (N, N, N, 3), indexed by red, green, blue, each uniform over 0 to 1; input beyond is
            taken to the cube's face.
    """

    values: Single

    def __post_init__(self) -> None:
        shape = self.values.shape
        if len(shape) != 4 or len(set(shape[:3])) != 1 or shape[0] < 2 or shape[3] != 3:
            raise InputError(Problem(f"a LUT3D of shape {shape}", "give (N, N, N, 3)"))

    def apply(self, x: Single) -> Single:
        """Return the interpolated entries, shape (n, 3).

        From a cell's lowest corner the path to the highest goes first along the axis with the greatest
        fraction; its four corners span the tetrahedron that holds the point, and the differences of the
        sorted fractions are their weights.
        """
        size = len(self.values)
        place = np.clip(x, np.float32(0), np.float32(1)) * np.float32(size - 1)
        base = np.minimum(place.astype(np.intp), size - 2)
        share = place - base.astype(np.float32)
        order = np.argsort(-share, axis=1, kind="stable")
        weight = np.take_along_axis(share, order, axis=1)
        strides = np.array([size * size, size, 1])
        flat = self.values.reshape(-1, 3)
        corner = base @ strides
        result = (1 - weight[:, :1]) * flat[corner]
        for step in range(3):
            corner = corner + strides[order[:, step]]
            left = weight[:, step + 1] if step < 2 else np.float32(0)
            result = result + (weight[:, step] - left)[:, None] * flat[corner]
        return np.asarray(result)
