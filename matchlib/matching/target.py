"""The target of one monitor: the settings that make its mean CIEDE2000 least, inside its panel's reach.

Mean CIEDE2000 is a sum of lengths. Each length is a smooth vector (:func:`ciede2000_vector`), so a damped
Gauss–Newton search on the vectors, reweighted by 1/√(ΔE² + ε²) with ε falling, minimises the sum; every
condition is linear in the unknowns, so each step is a small least-squares problem with inequalities.

The unknowns are the off-diagonal parts of A = N⁻¹T, in units of the mean drive of white, the gamma, and the
backlight s. Their diagonal follows, for white and peak are pinned: A·1 = N⁻¹(W − s·b_N).
"""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel, gamut_planes
from matchlib.perception.difference import ciede2000_vector, xyz_to_lab

GAMMA_RANGE = (1.0, 4.0)
_SOFTENING = (3.0, 1.0, 0.3, 0.1, 0.03, 0.01, 0.003)
_STEPS = 40  # at one softening; the search stops far earlier
_ENOUGH, _AT_LAST = 3e-5, 1e-7  # relative gain of a step, below which a softening, and the last one, end
_OFF = ((0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1))
_GAMMA, _BACKLIGHT, _SIZE = 6, 7, 8


Condition = tuple[dict[int, float], float]  # factors of unknowns by place, and what their sum must reach


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """What a monitor is set to, in the panel's own terms.

    Attributes:
        white_xyz: White with black, cd/m², shape (3,).
        primaries_xyz: T, columns full red, green, blue above black, shape (3, 3).
        gamma: Exponent; where ``linear`` of the task is given it is the curve's own figure.
        backlight: s, 0 to 1.
    """

    white_xyz: Array
    primaries_xyz: Array
    gamma: float
    backlight: float


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What is searched, and within which limits.

    Attributes:
        signal: The monitor's, shape (n, 3).
        wanted_xyz: What it should show, shape (n, 3), cd/m²; ``reference_white``: shape (3,).
        panel: N and b_N.
        white_xyz: The pinned white with black, shape (3,), cd/m².
        primaries_xyz: Start of the search, columns, shape (3, 3); fixed chromaticities where
            ``free_primaries`` is False.
        hull_xyz: Lights whose hull the primaries stay in, shape (k, 3).
        gamma: Start of the search; fixed where ``free_gamma`` is False.
        linear: Linear light of ``signal`` by a tone curve that stays; None where the tone is a gamma.
        backlight_range: Lowest and highest s.
        shrink: Keep A ≥ 0, so that no colour clips.
    """

    signal: Array
    wanted_xyz: Array
    reference_white: Array
    panel: Panel
    white_xyz: Array
    primaries_xyz: Array
    hull_xyz: Array
    gamma: float
    free_primaries: bool = True
    free_gamma: bool = True
    linear: Array | None = None
    backlight_range: tuple[float, float] = (1.0, 1.0)
    shrink: bool = False


class Search:
    """The search space of a task: unknowns x, shape (8,), to settings, colours, differences, conditions."""

    def __init__(self, task: Task) -> None:
        self.task = task
        N = task.panel.matrix
        self._inverse = np.linalg.inv(N)
        self._white_drive = self._inverse @ task.white_xyz  # w0 of w(s) = w0 − s·w1
        self._black_drive = self._inverse @ task.panel.black_xyz
        self._lab = xyz_to_lab(task.wanted_xyz, task.reference_white)
        low, high = task.backlight_range
        self._unit = float((self._white_drive - high * self._black_drive).mean())
        self._directions = self._inverse @ (task.primaries_xyz / task.primaries_xyz.sum(axis=0))
        self.free = np.array([task.free_primaries] * 6 + [task.free_gamma, high > low])
        self.conditions, self.bounds = self._conditions()
        self.start = self._starting_point()

    def drive(self, x: Array) -> Array:
        """Return A for unknowns, shape (…, 8) to (…, 3, 3)."""
        white = self._white_drive - x[..., _BACKLIGHT, None] * self._black_drive
        if not self.task.free_primaries:
            share = np.linalg.solve(self._directions, white[..., None])[..., 0]
            return np.asarray(self._directions * share[..., None, :])
        A = np.zeros((*x.shape[:-1], 3, 3))
        for place, (row, column) in enumerate(_OFF):
            A[..., row, column] = x[..., place] * self._unit
        diagonal = np.arange(3)
        A[..., diagonal, diagonal] = white - A.sum(axis=-1)
        return A

    def shown(self, x: Array) -> Array:
        """Return the XYZ the panel shows, clipped at its limits: (…, 8) to (…, n, 3), cd/m²."""
        task = self.task
        s = x[..., _BACKLIGHT, None, None]
        linear = task.signal ** x[..., _GAMMA, None, None] if task.linear is None else task.linear
        drive = np.clip(linear @ np.swapaxes(self.drive(x), -1, -2), 0.0, s)
        return np.asarray(s * task.panel.black_xyz + drive @ task.panel.matrix.T)

    def vectors(self, x: Array) -> Array:
        """Return the CIEDE2000 vectors, shape (…, n, 3)."""
        return ciede2000_vector(self._lab, xyz_to_lab(self.shown(x), self.task.reference_white))

    def mean(self, x: Array) -> float:
        """Return the mean CIEDE2000: what is made least."""
        return float(np.sqrt((self.vectors(x) ** 2).sum(axis=-1)).mean())

    def excess(self, x: Array) -> float:
        """Return by how much the worst condition is broken; 0 or less where all hold."""
        return float((self.bounds - self.conditions @ x).max())

    def settings(self, x: Array) -> Settings:
        """Return the settings of unknowns."""
        task, s = self.task, float(x[_BACKLIGHT])
        return Settings(task.white_xyz, task.panel.matrix @ self.drive(x), float(x[_GAMMA]), s)

    def _conditions(self) -> tuple[Array, Array]:
        """Return G and h of G·x ≥ h."""
        low, high = self.task.backlight_range
        found: list[Condition] = [
            ({_BACKLIGHT: 1.0}, low),
            ({_BACKLIGHT: -1.0}, -high),
            ({_GAMMA: 1.0}, GAMMA_RANGE[0]),
            ({_GAMMA: -1.0}, -GAMMA_RANGE[1]),
        ]
        for row in range(3):
            found += self._free_row(row) if self.task.free_primaries else self._fixed_row(row)
        if self.task.free_primaries:
            planes = gamut_planes(self.task.hull_xyz) @ self.task.panel.matrix
            found += [self._inside(plane, column) for plane in planes for column in range(3)]
        G = np.zeros((len(found), _SIZE))
        for line, (values, _) in zip(G, found, strict=True):
            line[list(values)] = list(values.values())
        return G, np.array([bound for _, bound in found])

    def _free_row(self, row: int) -> list[Condition]:
        """Return Σ max(A, 0) ≤ s of a row, its diagonal being positive, and that it is."""
        w0, w1 = float(self._white_drive[row]), float(self._black_drive[row])
        off = [place for place, (r, _) in enumerate(_OFF) if r == row]
        found: list[Condition] = [
            ({_BACKLIGHT: 1 + w1} | dict.fromkeys(places, self._unit), w0) for places in ([], off[:1], off[1:], off)
        ]
        found.append(({_BACKLIGHT: -w1} | dict.fromkeys(off, -self._unit), -w0))
        if self.task.shrink:
            found += [({place: 1.0}, 0.0) for place in off]
        return found

    def _fixed_row(self, row: int) -> list[Condition]:
        """Return Σ max(A, 0) ≤ s of a row whose primaries are fixed: A is then linear in s alone."""
        still = self._directions[row] * np.linalg.solve(self._directions, self._white_drive)
        falling = self._directions[row] * np.linalg.solve(self._directions, self._black_drive)
        subsets = [np.array(subset) for subset in product((False, True), repeat=3) if any(subset)]
        return [({_BACKLIGHT: 1 + float(falling[chosen].sum())}, float(still[chosen].sum())) for chosen in subsets]

    def _inside(self, plane: Array, column: int) -> Condition:
        """Return the condition plane·A[:, column] ≤ 0 as values and bound of G·x ≥ h."""
        size = np.abs(plane).max() * max(self._unit, 1e-9)
        values = {_BACKLIGHT: float(plane[column] * self._black_drive[column] / size)}
        for place, (row, off_column) in enumerate(_OFF):
            if off_column == column:
                values[place] = float(-plane[row] * self._unit / size)
            elif row == column:
                values[place] = float(plane[column] * self._unit / size)
        return values, float(plane[column] * self._white_drive[column] / size)

    def _starting_point(self) -> Array:
        """Return the unknowns of the task's own primaries and gamma, conditions not yet kept."""
        task = self.task
        low, high = task.backlight_range
        s = min(max(low, float((self._white_drive / (1 + self._black_drive)).max())), high)
        white = self._white_drive - s * self._black_drive
        A = self._directions * np.linalg.solve(self._directions, white)
        return np.array([*(A[row, column] / self._unit for row, column in _OFF), task.gamma, s])


def least_squares_inside(E: Array, f: Array, G: Array, h: Array) -> Array | None:
    """Return d that minimises |E·d − f| with G·d ≥ h, or None where no d keeps the conditions.

    Lawson & Hanson, Solving Least Squares Problems (1974), chapter 23: the problem LSI turned into LDP,
    and that into non-negative least squares. E has full column rank.
    """
    from scipy.linalg import solve_triangular
    from scipy.optimize import nnls

    Q, R = np.linalg.qr(E)
    free = Q.T @ f
    G_turned = solve_triangular(R, G.T, trans="T").T
    h_turned = h - G_turned @ free
    if np.all(h_turned <= 0):
        return np.asarray(solve_triangular(R, free))
    system = np.vstack([G_turned.T, h_turned])
    wanted = np.zeros(len(system))
    wanted[-1] = 1.0
    weights, residual = nnls(system, wanted)
    if residual < 1e-10:
        return None
    left = system @ weights - wanted
    return np.asarray(solve_triangular(R, free - left[:-1] / left[-1]))


def search(task: Task) -> tuple[Search, Array]:
    """Return the search space, and the unknowns that make the mean CIEDE2000 least.

    From two starts: the task's own figures moved inside the conditions, and the best that clips nothing.

    Raises:
        ValueError: No setting keeps the conditions; the white is beyond the panel's light.
    """
    space = Search(task)
    starts = [project(space, space.start)]
    if task.free_primaries and not task.shrink:
        inside = Search(replace(task, shrink=True))
        within = project(inside, inside.start)
        if within is not None:
            starts.append(_descend(inside, within, _SOFTENING[2:4]))
    found = [_descend(space, start, _SOFTENING) for start in starts if start is not None]
    if not found:
        raise ValueError("no setting keeps the conditions: the white is beyond the panel's light")
    return space, min(found, key=space.mean)


def project(space: Search, x: Array) -> Array | None:
    """Return the nearest unknowns that keep the conditions, fixed ones unmoved; None where there are none."""
    free = space.free
    if not free.any():
        return x if space.excess(x) <= 1e-9 else None
    G = space.conditions[:, free]
    step = least_squares_inside(np.eye(int(free.sum())), np.zeros(int(free.sum())), G, _gap(space, x))
    if step is None:
        return None
    moved = x.copy()
    moved[free] += step
    return moved if space.excess(moved) <= 1e-9 else None


def _gap(space: Search, x: Array) -> Array:
    """Return what a step must gain in each condition; a hair is forgiven, for rounding."""
    return space.bounds - space.conditions @ x - 1e-12


def _descend(space: Search, x: Array, softening: tuple[float, ...]) -> Array:
    """Return the unknowns at the end of the reweighted, damped Gauss–Newton search."""
    if not space.free.any():
        return x
    damping = 1e-3
    for epsilon in softening:
        value = _softened(space.vectors(x), epsilon)
        for _ in range(_STEPS):
            vectors, jacobian = _linearised(space, x)
            weight = ((vectors**2).sum(axis=-1) + epsilon**2) ** -0.25
            E = (jacobian * weight[:, None, None]).reshape(-1, jacobian.shape[-1])
            f = -(vectors * weight[:, None]).reshape(-1)
            trial, trial_value, damping = _try_steps(space, x, (E, f), value, epsilon, damping)
            gain = value - trial_value
            x, value = trial, trial_value
            if gain <= (_ENOUGH if epsilon > softening[-1] else _AT_LAST) * value:
                break
    return x


def _try_steps(
    space: Search, x: Array, system: tuple[Array, Array], value: float, epsilon: float, damping: float
) -> tuple[Array, float, float]:
    """Return the first better point along ever more damped steps, its value, and the damping to go on with."""
    E, f = system
    scale = np.linalg.norm(E, axis=0) + 1e-9
    G = space.conditions[:, space.free]
    for _ in range(12):
        damped = np.vstack([E, np.diag(np.sqrt(damping) * scale)])
        padded = np.concatenate([f, np.zeros(len(scale))])
        step = least_squares_inside(damped, padded, G, _gap(space, x))
        if step is not None:
            trial = x.copy()
            trial[space.free] += step
            trial_value = _softened(space.vectors(trial), epsilon)
            if trial_value < value and space.excess(trial) <= 1e-9:
                return trial, trial_value, max(damping / 5, 1e-9)
        damping *= 5
    return x, value, 1e-3


def _softened(vectors: Array, epsilon: float) -> float:
    return float(np.sqrt((vectors**2).sum(axis=-1) + epsilon**2).sum())


def _linearised(space: Search, x: Array) -> tuple[Array, Array]:
    """Return vectors (n, 3) and their derivative by the free unknowns (n, 3, k), by forward differences."""
    places = np.flatnonzero(space.free)
    width = 1e-6
    points = np.repeat(x[None], len(places) + 1, axis=0)
    points[np.arange(1, len(points)), places] += width
    vectors = space.vectors(points)
    return vectors[0], np.moveaxis((vectors[1:] - vectors[0]) / width, 0, -1)
