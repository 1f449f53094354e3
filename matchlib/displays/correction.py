"""What turns a signal into a native panel's signal, so that the panel shows a target."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from matchlib.arrays import Array
from matchlib.displays.nodes import Exponent, Lut1D, Lut3D, Matrix, Node, Range, half_codes, single

Curve = Callable[[Array], Array]
UNIFORM = 4_097  # entries, 4,096 steps: s^2.4 to 3e-8 of full light, a sixteenth of a half domain
NODES = 33


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Curve, matrix, clamp, curve.

    Attributes:
        input: Signal to the linear light wanted, 0 to 1.
        matrix: Linear light wanted to the linear drive of the native panel.
        clamp: Of the drive, to 0 and the top.
        output: Linear drive to the panel's signal: the inverse of its tone.
    """

    input: Exponent | Lut1D
    matrix: Matrix
    clamp: Range
    output: Exponent | Lut1D

    @property
    def nodes(self) -> tuple[Node, ...]:
        """The steps in order."""
        return self.input, self.matrix, self.clamp, self.output

    def apply(self, signal: Array) -> Array:
        """Return panel signals of signals, shape (n, 3), 0 to 1; computed in 32-bit float."""
        return _through(self.nodes, signal)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table over the cube, tetrahedral in between.

    Straight lines between nodes would cut the bends of a tone, so these can stand apart.

    Attributes:
        lut: Of panel signals over the cube of signals, where nothing stands before or after it.
        input: From signals to where they stand in the cube.
        output: From what the cube holds to panel signals.
    """

    lut: Lut3D
    input: Lut1D | None = None
    output: Lut1D | None = None

    @property
    def nodes(self) -> tuple[Node, ...]:
        """The steps in order."""
        return tuple(node for node in (self.input, self.lut, self.output) if node is not None)

    def apply(self, signal: Array) -> Array:
        """Return panel signals of signals, shape (n, 3), 0 to 1; computed in 32-bit float."""
        return _through(self.nodes, signal)


def _through(nodes: Iterable[Node], signal: Array) -> Array:
    x = np.asarray(signal, dtype=np.float32)
    for node in nodes:
        x = node.apply(x)
    return x.astype(np.float64)


def drive_matrix(matrix: ArrayLike, offset: ArrayLike) -> Matrix:
    """Return the node of a matrix, shape (3, 3), and an offset, shape (3,)."""
    return Matrix(single(matrix), single(offset))


def clamp(top: float = 1.0) -> Range:
    """Return the node that keeps the drive between 0 and the top."""
    top = float(np.float32(top))
    return Range(0.0, top, 0.0, top)


def power(powers: ArrayLike) -> Exponent:
    """Return the node of pure gammas, one or three."""
    return Exponent(single(np.broadcast_to(np.asarray(powers, dtype=np.float64), (3,))))


def uniform_curves(curves: tuple[Curve, Curve, Curve]) -> Lut1D:
    """Return the node of three curves over equal steps, 0 to 1 both ways.

    For curves that are nowhere steep: signal to linear light is flat where light is little.
    """
    return _tabulated(curves, np.linspace(0.0, 1.0, UNIFORM))


def half_domain_curves(curves: tuple[Curve, Curve, Curve]) -> Lut1D:
    """Return the node of three curves from linear light to signal, both 0 to 1.

    They are steep where light is little: 1,024 equal steps would be 2.5 CIEDE2000 off there. So the table
    goes over the half domain. Entries beyond 0 and 1, which the clamp never asks for, hold the ends.
    """
    codes = np.nan_to_num(half_codes().astype(np.float64), nan=0.0)
    return _tabulated(curves, np.clip(codes, 0.0, 1.0), half_domain=True)


def _tabulated(curves: tuple[Curve, Curve, Curve], x: Array, *, half_domain: bool = False) -> Lut1D:
    """Return the table of the curves; of one column where all are the same."""
    alike = all(curve is curves[0] for curve in curves)
    columns = [curve(x) for curve in (curves[:1] if alike else curves)]
    return Lut1D(single(np.stack(columns, axis=-1)), half_domain)


def signal_cube(nodes: int = NODES) -> Array:
    """Return the signals of a table's nodes, shape (nodes³, 3), blue changing fastest."""
    steps = np.linspace(0.0, 1.0, nodes)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


def cube(values: Array) -> Lut3D:
    """Return the node that holds ``values`` at the places of :func:`signal_cube`, shape (nodes³, 3)."""
    nodes = round(len(values) ** (1 / 3))
    return Lut3D(single(values.reshape(nodes, nodes, nodes, 3)))
