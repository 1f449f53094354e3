"""What is searched for one monitor: its unknowns, what they show, and the conditions on them.

The unknowns are the off-diagonal parts of A = N⁻¹T, in units of the mean drive of white, the gamma, the
backlight s, and, where curves are free, how far their root is lifted at some knots. The diagonal of A
follows, for white and peak are pinned: A·1 = N⁻¹(W − s·b_N). So A is affine in the unknowns, and every
condition on them is linear.
"""

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel, gamut_planes
from matchlib.perception.difference import ciede2000_vector, xyz_to_lab

GAMMA_RANGE = (1.0, 4.0)
OFF = ((0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1))
GAMMA, BACKLIGHT, SIZE = 6, 7, 8
KNOTS = (0.04, 0.09, 0.16, 0.25, 0.37, 0.5, 0.65, 0.82)  # of a curve's lift; 0 and 1 stay
_LEAST_SLOPE = 0.05  # of a curve's root, so that it rises everywhere
_GRID = np.linspace(0.0, 1.0, 41)  # where that is asked for

Condition = tuple[dict[int, float], float]  # factors of unknowns by place, and what their sum must reach


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """What a monitor is set to, in the panel's own terms.

    Attributes:
        white_xyz: White with black, room light left out, cd/m², shape (3,).
        primaries_xyz: T, columns full red, green, blue above black, shape (3, 3).
        gamma: Exponent; where ``linear`` of the task is given it is the curve's own figure.
        backlight: s, 0 to 1.
        lift: Of the root of each channel's curve at ``KNOTS``, shape (3, k); None where the tone is no curve.
    """

    white_xyz: Array
    primaries_xyz: Array
    gamma: float
    backlight: float
    lift: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What is searched, and within which limits.

    Attributes:
        signal: The monitor's, shape (n, 3).
        wanted_xyz: What it should show, shape (n, 3), cd/m²; ``reference_white``: shape (3,).
        panel: N and b_N, room light left out.
        white_xyz: The pinned white with black, shape (3,), cd/m².
        primaries_xyz: Start of the search, columns, shape (3, 3); fixed chromaticities where
            ``free_primaries`` is False.
        hull_xyz: Lights whose hull the primaries stay in, shape (k, 3).
        gamma: Start of the search; fixed where ``free_gamma`` is False.
        linear: Linear light of ``signal`` by a tone curve that stays; None where the tone is a gamma.
        backlight_range: Lowest and highest s.
        shrink: Keep A ≥ 0, so that no colour clips.
        veil_xyz: Room light on the screen's face, seen with everything it shows, shape (3,).
        free_curves: Whether each channel's curve is searched too, on the root of the tone at ``gamma``.
        bounded: False for an unlimited display: it clips nowhere, and only the gamma has a range.
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
    veil_xyz: Array = field(default_factory=lambda: np.zeros(3))
    free_curves: bool = False
    bounded: bool = True


class Search:
    """The search space of a task: unknowns x, shape (k,), to settings, colours, differences, conditions.

    Attributes:
        unit: Mean drive of white, in which the off-diagonal unknowns are told.
        base: A where all unknowns are 0, shape (3, 3); ``factors``: its derivative by each, shape (k, 3, 3).
        root: Signal or tone to the power 1 / gamma, shape (n, 3), that a lift is added to.
        basis: Lift of each patch by each knot, shape (n, 3, knots); no knots where curves are not free.
    """

    def __init__(self, task: Task) -> None:
        self.task = task
        inverse = np.linalg.inv(task.panel.matrix)
        self._white_drive = inverse @ task.white_xyz  # w0 of w(s) = w0 − s·w1
        self._black_drive = inverse @ task.panel.black_xyz
        low, high = task.backlight_range
        self.unit = float((self._white_drive - high * self._black_drive).mean())
        self._directions = inverse @ (task.primaries_xyz / task.primaries_xyz.sum(axis=0))
        knots = len(KNOTS) if task.free_curves else 0
        self.size = SIZE + 3 * knots
        self.root = task.signal if task.linear is None else np.maximum(task.linear, 0.0) ** (1 / task.gamma)
        self.basis = _lift_basis(task.signal)[..., :knots]
        self.lab = xyz_to_lab(task.wanted_xyz, task.reference_white)
        free = [task.free_primaries] * 6 + [task.free_gamma and task.linear is None, high > low]
        self.free = np.array(free + [True] * (3 * knots))
        self.base, self.factors = self._drive_parts()
        self.conditions, self.bounds = self._conditions()
        self.start = self._starting_point()

    def _drive_parts(self) -> tuple[Array, Array]:
        """Return base and factors of A, which is affine in the unknowns."""
        factors = np.zeros((self.size, 3, 3))
        if not self.task.free_primaries:
            share = np.linalg.solve(self._directions, np.stack([self._white_drive, self._black_drive], axis=1))
            factors[BACKLIGHT] = -self._directions * share[:, 1]
            return self._directions * share[:, 0], factors
        for place, (row, column) in enumerate(OFF):
            factors[place, row, column] = self.unit
            factors[place, row, row] = -self.unit
        factors[BACKLIGHT] = -np.diag(self._black_drive)
        return np.diag(self._white_drive), factors

    def drive(self, x: Array) -> Array:
        """Return A for unknowns, shape (…, k) to (…, 3, 3)."""
        return np.asarray(self.base + np.tensordot(x, self.factors, axes=1))

    def linear(self, x: Array) -> Array:
        """Return the linear light of the patches, shape (…, k) to (…, n, 3)."""
        gamma = x[..., GAMMA, None, None]
        if self.size == SIZE:
            return self.task.signal**gamma if self.task.linear is None else self.task.linear
        lift = x[..., SIZE:].reshape(*x.shape[:-1], 1, 3, -1)
        root = self.root + (self.basis * lift).sum(axis=-1)
        return np.asarray(np.clip(root, 0.0, 1.0) ** gamma)

    def shown(self, x: Array) -> Array:
        """Return the XYZ the panel shows, clipped at its limits: (…, k) to (…, n, 3), cd/m²."""
        s = x[..., BACKLIGHT, None, None]
        drive = self.linear(x) @ np.swapaxes(self.drive(x), -1, -2)
        if self.task.bounded:
            drive = np.clip(drive, 0.0, s)
        panel = self.task.panel
        return np.asarray(self.task.veil_xyz + s * panel.black_xyz + drive @ panel.matrix.T)

    def vectors(self, x: Array) -> Array:
        """Return the CIEDE2000 vectors, shape (…, n, 3)."""
        return ciede2000_vector(self.lab, xyz_to_lab(self.shown(x), self.task.reference_white))

    def mean(self, x: Array) -> float:
        """Return the mean CIEDE2000: what is made least."""
        return float(np.sqrt((self.vectors(x) ** 2).sum(axis=-1)).mean())

    def excess(self, x: Array) -> float:
        """Return by how much the worst condition is broken; 0 or less where all hold."""
        return float((self.bounds - self.conditions @ x).max())

    def settings(self, x: Array) -> Settings:
        """Return the settings of unknowns."""
        task, s = self.task, float(x[BACKLIGHT])
        lift = x[SIZE:].reshape(3, -1) if task.free_curves else None
        return Settings(task.white_xyz, task.panel.matrix @ self.drive(x), float(x[GAMMA]), s, lift)

    def root_of(self, signal: Array, channel: int) -> Array:
        """Return the root of a channel's tone without a lift, at signals of any shape."""
        if self.task.linear is None:
            return signal
        known, first = np.unique(self.task.signal[:, channel], return_index=True)
        return np.asarray(np.interp(signal, known, self.root[first, channel]))

    @cached_property
    def _curve_conditions(self) -> list[Condition]:
        """Return that each curve's root rises, at every place of a grid."""
        if not self.task.free_curves:
            return []
        slopes = _lift_basis(_GRID[:, None], 1)[:, 0]
        found: list[Condition] = []
        for channel in range(3):
            own = np.ones(len(_GRID))
            if self.task.linear is not None:
                own = np.gradient(self.root_of(_GRID, channel), _GRID)
            places = SIZE + channel * len(KNOTS) + np.arange(len(KNOTS))
            found += [
                (dict(zip(places.tolist(), row, strict=True)), min(_LEAST_SLOPE, float(steep)) - float(steep))
                for row, steep in zip(slopes.tolist(), own, strict=True)
            ]
        return found

    def _conditions(self) -> tuple[Array, Array]:
        """Return G and h of G·x ≥ h."""
        low, high = self.task.backlight_range
        found: list[Condition] = [
            ({BACKLIGHT: 1.0}, low),
            ({BACKLIGHT: -1.0}, -high),
            ({GAMMA: 1.0}, GAMMA_RANGE[0]),
            ({GAMMA: -1.0}, -GAMMA_RANGE[1]),
            *self._curve_conditions,
        ]
        if self.task.bounded:
            for row in range(3):
                found += self._free_row(row) if self.task.free_primaries else self._fixed_row(row)
        if self.task.free_primaries:
            planes = gamut_planes(self.task.hull_xyz) @ self.task.panel.matrix
            found += [self._inside(plane, column) for plane in planes for column in range(3)]
        G = np.zeros((len(found), self.size))
        for line, (values, _) in zip(G, found, strict=True):
            line[list(values)] = list(values.values())
        return G, np.array([bound for _, bound in found])

    def _free_row(self, row: int) -> list[Condition]:
        """Return Σ max(A, 0) ≤ s of a row, its diagonal being positive, and that it is."""
        w0, w1 = float(self._white_drive[row]), float(self._black_drive[row])
        off = [place for place, (r, _) in enumerate(OFF) if r == row]
        found: list[Condition] = [
            ({BACKLIGHT: 1 + w1} | dict.fromkeys(places, self.unit), w0) for places in ([], off[:1], off[1:], off)
        ]
        found.append(({BACKLIGHT: -w1} | dict.fromkeys(off, -self.unit), -w0))
        if self.task.shrink:
            found += [({place: 1.0}, 0.0) for place in off]
        return found

    def _fixed_row(self, row: int) -> list[Condition]:
        """Return Σ max(A, 0) ≤ s of a row whose primaries are fixed: A is then linear in s alone."""
        still, falling = self.base[row], -self.factors[BACKLIGHT, row]
        subsets = [np.array(subset) for subset in product((False, True), repeat=3) if any(subset)]
        return [({BACKLIGHT: 1 + float(falling[chosen].sum())}, float(still[chosen].sum())) for chosen in subsets]

    def _inside(self, plane: Array, column: int) -> Condition:
        """Return the condition plane·A[:, column] ≤ 0 as values and bound of G·x ≥ h."""
        size = np.abs(plane).max() * max(self.unit, 1e-9)
        values = {BACKLIGHT: float(plane[column] * self._black_drive[column] / size)}
        for place, (row, off_column) in enumerate(OFF):
            if off_column == column:
                values[place] = float(-plane[row] * self.unit / size)
            elif row == column:
                values[place] = float(plane[column] * self.unit / size)
        return values, float(plane[column] * self._white_drive[column] / size)

    def _starting_point(self) -> Array:
        """Return the unknowns of the task's own primaries and gamma, conditions not yet kept."""
        task = self.task
        low, high = task.backlight_range
        s = min(max(low, float((self._white_drive / (1 + self._black_drive)).max())), high)
        A = self._directions * np.linalg.solve(self._directions, self._white_drive - s * self._black_drive)
        off = [A[row, column] / self.unit for row, column in OFF]
        return np.array([*off, task.gamma, s, *np.zeros(self.size - SIZE)])

    def unknowns(self, settings: Settings) -> Array:
        """Return the unknowns of settings of the same white, its tone without a lift."""
        A = np.linalg.solve(self.task.panel.matrix, settings.primaries_xyz)
        off = [A[row, column] / self.unit for row, column in OFF]
        return np.array([*off, settings.gamma, settings.backlight, *np.zeros(self.size - SIZE)])


def lifted_root(signal: Array, root: Array, lift: Array) -> Array:
    """Return the root of a tone with a lift added: signal and root any shape, lift shape (k,) at ``KNOTS``."""
    return np.asarray(np.clip(root + _lift_basis(signal) @ lift, 0.0, 1.0))


def _lift_basis(signal: Array, derivative: int = 0) -> Array:
    """Return the smooth curves that are 1 at one knot and 0 at the others and the ends: (…) to (…, k)."""
    from scipy.interpolate import CubicSpline

    knots = np.array([0.0, *KNOTS, 1.0])
    spline = CubicSpline(knots, np.eye(len(knots))[:, 1:-1], bc_type="natural")
    return np.asarray(spline(np.clip(signal, 0.0, 1.0), derivative))
