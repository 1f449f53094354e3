"""Many search spaces at once: what they show and how that changes with the unknowns, in arrays of all."""

from collections.abc import Sequence

import numpy as np

from matchlib.arrays import Array, Mask, Places
from matchlib.matching.space import BACKLIGHT, GAMMA, SIZE, Search
from matchlib.perception.difference import ciede2000_slope, ciede2000_vector, xyz_to_lab

_HAIR = 1e-9  # drive: at zero light the derivative is that of more light
_ROOT_FLOOR = 1e-9  # below it a signal is black, whatever the gamma
_CONE = (6 / 29) ** 3  # of CIELAB: below it the curve is straight


class Stack:
    """Search spaces of one size and patch count, side by side: unknowns x have the shape (b, k)."""

    def __init__(self, spaces: Sequence[Search]) -> None:
        self.spaces = tuple(spaces)
        tasks = [space.task for space in spaces]
        self.size = spaces[0].size
        self.free = np.array([space.free for space in spaces])
        self._base = np.array([space.base for space in spaces])
        self._factors = np.array([space.factors for space in spaces])
        self._root = np.array([space.root for space in spaces])
        self._fixed = np.array([task.linear is not None for task in tasks])
        self._basis = np.array([space.basis for space in spaces]) if self.size > SIZE else None
        self._lab = np.array([space.lab for space in spaces])
        self._white = np.array([task.reference_white for task in tasks])[:, None]
        self._matrix = np.array([task.panel.matrix for task in tasks])
        self._black = np.array([task.panel.black_xyz for task in tasks])[:, None]
        self._veil = np.array([task.veil_xyz for task in tasks])[:, None]
        self._bounded = np.array([task.bounded for task in tasks])[:, None, None]
        self._tone = np.array([task.gamma for task in tasks])
        rows = max(len(space.bounds) for space in spaces)
        self.conditions = np.zeros((len(spaces), rows, self.size))
        self.bounds = np.full((len(spaces), rows), -1.0)  # a row of zeros always reaches −1
        for place, space in enumerate(spaces):
            self.conditions[place, : len(space.bounds)] = space.conditions
            self.bounds[place, : len(space.bounds)] = space.bounds

    def chosen(self, places: Places) -> "Stack":
        """Return the stack of some of the spaces."""
        found = object.__new__(Stack)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                setattr(found, name, value[places])
            else:
                setattr(found, name, value)
        found.spaces = tuple(self.spaces[place] for place in places)
        return found

    def gap(self, x: Array) -> Array:
        """Return what a step must gain in each condition, shape (b, m); a hair is forgiven, for rounding."""
        return np.asarray(self.bounds - (self.conditions @ x[..., None])[..., 0] - 1e-12)

    def excess(self, x: Array) -> Array:
        """Return by how much the worst condition of each is broken, shape (b,)."""
        return np.asarray((self.bounds - (self.conditions @ x[..., None])[..., 0]).max(axis=1))

    def _drive(self, x: Array) -> Array:
        return np.asarray(self._base + np.einsum("bk,bkij->bij", x, self._factors))

    def _parts(self, x: Array) -> tuple[Array, Array, Array, Mask, Mask]:
        """Return root, linear light, clipped drive, where it is inside, and where it is at the top."""
        root = self._root
        if self._basis is not None:
            lift = x[:, SIZE:].reshape(len(x), 1, 3, -1)
            root = np.clip(root + (self._basis * lift).sum(axis=-1), 0.0, 1.0)
        gamma = np.where(self._fixed, self._tone, x[:, GAMMA])[:, None, None]
        linear = root**gamma
        A = self._drive(x)
        raw = linear @ np.swapaxes(A, 1, 2)
        s = x[:, BACKLIGHT, None, None]
        inside = ((raw > -_HAIR) & (raw < s)) | ~self._bounded
        top = (raw >= s) & self._bounded
        return root, linear, np.where(inside, raw, np.where(top, s, 0.0)), inside, top

    def _seen(self, x: Array, drive: Array) -> Array:
        s = x[:, BACKLIGHT, None, None]
        return np.asarray(self._veil + s * self._black + drive @ np.swapaxes(self._matrix, 1, 2))

    def vectors(self, x: Array) -> Array:
        """Return the CIEDE2000 vectors, shape (b, n, 3)."""
        seen = self._seen(x, self._parts(x)[2])
        return ciede2000_vector(self._lab, xyz_to_lab(seen, self._white))

    def linearised(self, x: Array) -> tuple[Array, Array]:
        """Return the vectors, shape (b, n, 3), and their derivative by all unknowns, (b, n, 3, k)."""
        root, linear, drive, inside, top = self._parts(x)
        seen = self._seen(x, drive)
        lab = xyz_to_lab(seen, self._white)
        vectors, by_lab = ciede2000_slope(self._lab, lab)
        by_xyz = by_lab @ _lab_slope(seen, self._white)
        by_drive = by_xyz @ self._matrix[:, None]
        slope = self._slope(x, (root, linear), by_drive * inside[..., None, :])
        slope[..., BACKLIGHT] += (by_drive * top[..., None, :]).sum(axis=-1) + (by_xyz @ self._black[..., None])[
            ..., 0
        ]
        return vectors, slope

    def _slope(self, x: Array, tone: tuple[Array, Array], by_drive: Array) -> Array:
        """Return the derivative of the vectors by all unknowns through the drives that are not clipped.

        Args:
            x: Unknowns, shape (b, k).
            tone: Root and linear light of the patches, shape (b, n, 3) each.
            by_drive: Derivative of the vectors by the drives, zero where these are clipped, shape (b, n, 3, 3).

        Returns:
            Shape (b, n, 3, k).
        """
        root, linear = tone
        count, n = linear.shape[:2]
        found = np.empty((count, n, 3, self.size))
        products = (by_drive[..., None] * linear[:, :, None, None, :]).reshape(count, 3 * n, 9)  # by row and column
        factors = self._factors[:, :SIZE].reshape(count, SIZE, 9)
        found[..., :SIZE] = (products @ np.swapaxes(factors, 1, 2)).reshape(count, n, 3, SIZE)
        by_linear = by_drive @ self._drive(x)[:, None]
        lit = np.maximum(root, _ROOT_FLOOR)
        by_gamma = np.where(self._fixed[:, None, None], 0.0, linear * np.log(lit))
        found[..., GAMMA] += (by_linear * by_gamma[:, :, None]).sum(axis=-1)
        if self._basis is not None:
            gamma = np.where(self._fixed, self._tone, x[:, GAMMA])[:, None, None]
            by_lift = (gamma * lit ** (gamma - 1))[..., None] * self._basis  # of a channel's linear light
            curves = by_linear[..., None] * by_lift[:, :, None]
            found[..., SIZE:] = curves.reshape(count, n, 3, -1)
        return found


def _lab_slope(xyz: Array, white: Array) -> Array:
    """Return the derivative of CIELAB by XYZ, shape (…, 3, 3)."""
    ratio = xyz / white
    root = np.cbrt(np.maximum(ratio, _CONE))
    f = np.where(ratio > _CONE, 1 / (3 * root**2), (29 / 6) ** 2 / 3) / white
    found = np.zeros((*xyz.shape, 3))
    found[..., 0, 1] = 116 * f[..., 1]
    found[..., 1, 0], found[..., 1, 1] = 500 * f[..., 0], -500 * f[..., 1]
    found[..., 2, 1], found[..., 2, 2] = 200 * f[..., 1], -200 * f[..., 2]
    return found
