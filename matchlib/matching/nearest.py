"""The colour inside a panel's reach that looks most like a wanted one.

For an additive panel the colours in reach are a box of drives. Outside it the least CIEDE2000 is searched by
damped Gauss–Newton steps on its three components (:func:`ciede2000_vector`), all colours at once in arrays.
Each step minimises the linearised components inside the box: drives that would leave it are held at its side,
the others solved again. Hue is kept as far as the metric says, no further.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchlib.arrays import Array, Mask
from matchlib.perception.difference import chroma_stretch, ciede2000_vector, xyz_to_lab

_HAIR = 1e-9  # of full drive: what rounding puts outside the box
_CHUNK = 2_048  # colours at once, so that their arrays stay in the processor's cache
_STEPS = 40
_ENOUGH = 1e-4  # CIEDE2000 gained by a step, below which a colour is done
_NUDGE = 1e-3  # of L*, a*, b*, for derivatives
_DAMPING, _LEAST_DAMPING, _MOST_DAMPING = 1e-2, 1e-6, 1e4
_NEARLY_GREY = 2.0  # C*ab of a wanted colour; between 0.5 and 5 all serve alike
_SOLVABLE = 1e-9  # beside squared slopes of 1 and more: a drive that changes nothing stays
_LAB = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])  # CIE 015:2018, 8.2.1


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """Colours wanted of an additive panel: CIELAB, shape (n, 3), and which of them are nearly grey."""

    lab: Array
    grey: Mask
    white: Array
    matrix: Array
    black: Array
    top: float

    def difference(self, lab: Array) -> Array:
        vector = ciede2000_vector(self.lab, lab)
        return np.asarray(np.where(self.grey[:, None], _turned(vector, self.lab, lab), vector))

    def rows(self, chosen: NDArray[np.intp] | slice) -> "_Task":
        return _Task(self.lab[chosen], self.grey[chosen], self.white, self.matrix, self.black, self.top)

    def xyz(self, drive: Array) -> Array:
        return np.asarray(self.black + drive @ self.matrix.T)

    def vector(self, drive: Array) -> Array:
        return self.difference(xyz_to_lab(self.xyz(drive), self.white))


def nearest_in_reach(
    wanted_xyz: Array, reference_white: Array, matrix: Array, black_xyz: Array, top: float = 1.0
) -> Array:
    """Return the drives of an additive panel whose colours differ least from the wanted ones.

    In reach the colour is met exactly. Out of reach CIEDE2000 is least, as far as a local search from two
    starts tells: the clipped drives, and the colour of the same luminance drawn towards grey as far as the
    reach demands.

    Args:
        wanted_xyz: Shape (n, 3), cd/m².
        reference_white: Of the difference, shape (3,), cd/m².
        matrix: N, columns full red, green, blue above black, shape (3, 3), cd/m².
        black_xyz: Of the panel, shape (3,), cd/m².
        top: Highest drive.

    Returns:
        Shape (n, 3), 0 to ``top``.
    """
    drive = (wanted_xyz - black_xyz) @ np.linalg.inv(matrix).T
    outside = np.flatnonzero(((drive < -_HAIR) | (drive > top + _HAIR)).any(axis=1))
    result = np.clip(drive, 0.0, top)
    grey = _greys(wanted_xyz[outside], reference_white, matrix, black_xyz, top)
    lab = xyz_to_lab(wanted_xyz[outside], reference_white)
    task = _Task(lab, np.hypot(lab[:, 1], lab[:, 2]) < _NEARLY_GREY, reference_white, matrix, black_xyz, top)
    starts = result[outside], _drawn_in(drive[outside], grey, top)
    for first in range(0, len(outside), _CHUNK):
        part = slice(first, first + _CHUNK)
        result[outside[part]] = _best(task.rows(part), starts[0][part], starts[1][part])
    return result


def _turned(vector: Array, wanted: Array, lab: Array) -> Array:
    """Return the components with chroma and hue turned into the direction of the step in a* and b*.

    Their length stays. Chroma is the distance from grey, a cone with its tip there, and hue has no direction:
    no straight line fits them beside a grey. Turned, they are straight.
    """
    chroma = (np.hypot(wanted[:, 1], wanted[:, 2]) + np.hypot(lab[:, 1], lab[:, 2])) / 2
    step = lab[:, 1:] - wanted[:, 1:]
    step[:, 0] *= 1 + chroma_stretch(chroma)
    length = np.hypot(step[:, 0], step[:, 1])
    size = np.hypot(vector[:, 1], vector[:, 2])
    scale = np.divide(size, length, out=np.zeros_like(size), where=length > 0)
    return np.column_stack([vector[:, 0], step * scale[:, None]])


def _greys(wanted_xyz: Array, white: Array, matrix: Array, black: Array, top: float) -> Array:
    """Return drives of the reference white's colour at the wanted luminance, inside the box."""
    grey_xyz = wanted_xyz[:, 1:2] / white[1] * white
    return np.asarray(np.clip((grey_xyz - black) @ np.linalg.inv(matrix).T, 0.0, top))


def _drawn_in(drive: Array, grey: Array, top: float) -> Array:
    """Return the last point inside the box on the way from grey to a drive."""
    way = drive - grey
    room = np.where(way > 0, top - grey, grey)
    reach = np.divide(room, np.abs(way), out=np.full_like(way, np.inf), where=way != 0)
    share = np.minimum(reach.min(axis=1, keepdims=True), 1.0)
    return np.asarray(np.clip(grey + way * share, 0.0, top))


def _best(task: _Task, one: Array, other: Array) -> Array:
    """Return the better of two searches."""
    (drive, found), (second, its) = _descend(task, one), _descend(task, other)
    return np.asarray(np.where((its < found)[:, None], second, drive))


def _descend(task: _Task, start: Array) -> tuple[Array, Array]:
    """Return the drives reached from a start, and their squared differences; done colours fall out."""
    drive = start.copy()
    vector = task.vector(drive)
    square = (vector**2).sum(axis=1)
    damping = np.full(len(drive), _DAMPING)
    going = np.arange(len(drive))
    for _ in range(_STEPS):
        part = task.rows(going)
        slopes = _slopes(part, drive[going], vector[going])
        trial = _step(slopes, vector[going], drive[going], damping[going], task.top)
        trial_vector = part.vector(trial)
        trial_square = (trial_vector**2).sum(axis=1)
        better = trial_square < square[going]
        gain = np.sqrt(square[going]) - np.sqrt(trial_square)
        damping[going] = np.where(better, damping[going] / 5, damping[going] * 8)
        damping = np.maximum(damping, _LEAST_DAMPING)
        moved = going[better]
        drive[moved], vector[moved], square[moved] = trial[better], trial_vector[better], trial_square[better]
        still = np.where(better, gain > _ENOUGH, damping[going] < _MOST_DAMPING)
        going = going[still]
        if not len(going):
            break
    return drive, square


def _slopes(task: _Task, drive: Array, vector: Array) -> Array:
    """Return the derivatives of the components by the drives, shape (n, 3, 3)."""
    xyz = task.xyz(drive)
    lab = xyz_to_lab(xyz, task.white)
    by_lab = np.empty((len(lab), 3, 3))
    for axis in range(3):
        nudged = lab.copy()
        nudged[:, axis] += _NUDGE
        by_lab[:, :, axis] = (task.difference(nudged) - vector) / _NUDGE
    ratio = np.maximum(xyz / task.white, (6 / 29) ** 3)
    steep = ratio ** (-2 / 3) / 3 / task.white  # of the cube root, and of the line that meets it
    return np.asarray((by_lab @ _LAB) * steep[:, None, :] @ task.matrix)


def _step(slopes: Array, vector: Array, drive: Array, damping: Array, top: float) -> Array:
    """Return the drives after a damped step inside the box.

    Damping is in the scale of each drive's own slope (Marquardt). Three rounds are enough: each holds one
    drive more, or none.
    """
    normal = np.swapaxes(slopes, 1, 2) @ slopes
    diagonal = np.arange(3)
    normal[:, diagonal, diagonal] *= 1 + damping[:, None]
    normal[:, diagonal, diagonal] += _SOLVABLE
    downhill = -(np.swapaxes(slopes, 1, 2) @ vector[:, :, None])[:, :, 0]
    held = ((drive <= 0) & (downhill < 0)) | ((drive >= top) & (downhill > 0))
    move = np.zeros_like(drive)
    for _ in range(4):
        free = ~held
        rest = downhill - (normal @ np.where(held, move, 0.0)[:, :, None])[:, :, 0]
        found = _solve(normal, np.where(free, rest, 0.0), free)
        move = np.where(free, found, move)
        aim = drive + move
        out = free & ((aim < 0) | (aim > top))
        if not out.any():
            break
        move = np.where(out, np.clip(aim, 0.0, top) - drive, move)
        held |= out
    return np.clip(drive + move, 0.0, top)


def _solve(normal: Array, right: Array, free: Mask) -> Array:
    """Return the solutions of 3 × 3 systems with the held rows and columns left out, shape (n, 3)."""
    both = free[:, :, None] & free[:, None, :]
    system = np.where(both, normal, np.eye(3))
    return np.asarray(np.linalg.solve(system, right[:, :, None])[:, :, 0])
