"""Corrections of a native panel: from a target, or from what should be shown, to curves or a table."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np

from matchlib.arrays import Array, one_thread
from matchlib.displays.correction import (
    NODES,
    Curve,
    Curves,
    Table,
    clamp,
    cube,
    drive_matrix,
    half_domain_curves,
    power,
    signal_cube,
    uniform_curves,
)
from matchlib.displays.nodes import Exponent, Lut1D
from matchlib.displays.response import Response, ToneCurve
from matchlib.errors import InputError, Problem
from matchlib.matching.nearest import nearest_in_reach

Tones = tuple[ToneCurve, ToneCurve, ToneCurve]
Tone = float | ToneCurve | Curve  # a gamma, a fitted curve, or any function from signal to linear light
_STRAIGHT = 1e-9  # of the root of linear light: a curve this close to a power is one


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """How a table is built.

    Attributes:
        nodes: Along each axis.
        followed: Tones of what is followed, where the signal is its own: the cube is then evenly divided in
            their roots, and their bends stand before it. None: evenly divided in the signal.
        cube_only: The bends of the panel's tone inside the cube, for what takes a cube and no more. Else they
            stand after it, where its tone is no gamma.
    """

    nodes: int = NODES
    followed: Tones | None = None
    cube_only: bool = False


SHAPE = Shape()


class Invertible(Protocol):
    """A response that tells for itself which signals show a colour, or the nearest one it reaches."""

    def inverse(self, xyz: Array) -> Array:
        """Return the signals of XYZ in cd/m², shape (n, 3); colours out of reach as the response sees fit."""


def curves_correction(
    panel: Response,
    target_matrix: Array,
    target_black: Array,
    tone: Tone | tuple[Tone, Tone, Tone],
    top: float = 1.0,
) -> Curves:
    """Return the curve, matrix and curve that make an additive panel show a target.

    Exact wherever the target is in reach (:func:`matchlib.displays.reach.reaches`); elsewhere the drive is
    clamped a channel at a time.

    Args:
        panel: Response of the native panel.
        target_matrix: T, columns full red, green, blue above the target's black, shape (3, 3), cd/m².
        target_black: b_T, shape (3,), cd/m².
        tone: From the signal to the target's linear light, 0 to 1 both; one, or one a channel.
        top: Highest drive of the panel.
    """
    tones = tone if isinstance(tone, tuple) else (tone, tone, tone)
    with one_thread():
        matrix = np.linalg.solve(panel.matrix, target_matrix)
        offset = np.linalg.solve(panel.matrix, target_black - panel.black_xyz)
    return Curves(_input(tones), drive_matrix(matrix, offset), clamp(top), _output(panel.tone))


def _input(tones: tuple[Tone, Tone, Tone]) -> Exponent | Lut1D:
    gammas = [_gamma(tone) for tone in tones]
    if all(gamma is not None for gamma in gammas):
        return power(gammas)  # type: ignore[arg-type]
    red, green, blue = _same_as_before([_forward(tone) for tone in tones], tones)
    return uniform_curves((red, green, blue))


def _output(tones: Tones) -> Exponent | Lut1D:
    gammas = [_gamma(tone) for tone in tones]
    if all(gamma is not None for gamma in gammas):
        return power([1 / gamma for gamma in gammas if gamma is not None])
    red, green, blue = _same_as_before([tone.inverse for tone in tones], tones)
    return half_domain_curves((red, green, blue))


def _same_as_before(curves: list[Curve], tones: tuple[Tone, ...]) -> list[Curve]:
    """Return the curves, the very same object for the very same tone, so that one column can hold them."""
    return [next(curve for curve, other in zip(curves, tones, strict=True) if other is tone) for tone in tones]


def _gamma(tone: Tone) -> float | None:
    """Return the exponent of a tone that is a power, None for one that is not."""
    if isinstance(tone, ToneCurve):
        return tone.exponent if np.abs(tone.root - tone.signal).max() <= _STRAIGHT else None
    return None if callable(tone) else float(tone)


def _forward(tone: Tone) -> Curve:
    if isinstance(tone, ToneCurve):
        return tone.forward
    return tone if callable(tone) else partial(_power, gamma=float(tone))


def _power(signal: Array, gamma: float) -> Array:
    return np.asarray(signal**gamma)


def table_correction(
    panel: Response | Invertible,
    wanted_xyz: Callable[[Array], Array],
    reference_white: Array,
    top: float = 1.0,
    shape: Shape = SHAPE,
) -> Table:
    """Return the table that makes a panel show what is wanted, or what looks most like it.

    Args:
        panel: Response of the native panel. Of an additive one colours out of reach go where CIEDE2000 is
            least; any other answers through its own ``inverse``.
        wanted_xyz: From signals, shape (n, 3), to XYZ in cd/m², shape (n, 3).
        reference_white: Of the difference, shape (3,), cd/m².
        top: Highest drive of an additive panel.
        shape: Nodes, and what stands apart from the cube.

    Raises:
        InputError: ``top`` below 1 for a panel that is not additive: it has no drive.
    """
    places = signal_cube(shape.nodes)
    with one_thread():
        if shape.followed is None:
            source, signal = None, places
        else:
            source = _root_curves(shape.followed)
            signal = _each(_signal_of_root, shape.followed, places)
        wanted = wanted_xyz(signal)
        if isinstance(panel, Response) and panel.additive:
            drive = nearest_in_reach(wanted, reference_white, panel.matrix, panel.black_xyz, top)
            values, output = _panel_values(panel.tone, drive, shape)
            return Table(cube(values), source, output)
        if top != 1.0:
            what = f"top = {top:g} for a response that is not additive"
            raise InputError(Problem(what, "leave it at 1, and let its inverse keep below the top"))
        return Table(cube(np.clip(panel.inverse(wanted), 0.0, 1.0)), source)


def _panel_values(tones: Tones, drive: Array, shape: Shape) -> tuple[Array, Lut1D | None]:
    """Return what the cube holds for drives, and the curves from there to panel signals."""
    roots = np.stack([drive[:, i] ** (1 / tone.exponent) for i, tone in enumerate(tones)], axis=-1)
    if all(_gamma(tone) is not None for tone in tones):
        return roots, None
    if shape.cube_only:
        return _each(_signal_of_root, tones, roots), None
    red, green, blue = _same_as_before([partial(_signal_of_root, tone) for tone in tones], tones)
    return roots, uniform_curves((red, green, blue))


def _root_curves(tones: Tones) -> Lut1D:
    red, green, blue = _same_as_before([partial(_root, tone) for tone in tones], tones)
    return uniform_curves((red, green, blue))


def _root(tone: ToneCurve, signal: Array) -> Array:
    """Return linear light to the power 1 / exponent: nearly straight over the signal, and nowhere steep."""
    return np.asarray(tone.forward(signal) ** (1 / tone.exponent))


def _signal_of_root(tone: ToneCurve, root: Array) -> Array:
    """Return the signal of such a root."""
    return tone.inverse(root**tone.exponent)


def _each(curve: Callable[[ToneCurve, Array], Array], tones: Tones, values: Array) -> Array:
    return np.stack([curve(tone, values[:, i]) for i, tone in enumerate(tones)], axis=-1)
