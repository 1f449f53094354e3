"""One target for a whole room: the settings for all that make the worst monitor's difference least (design 6).

All monitors share white, peak, the chromaticities of the primaries and the gamma; each keeps its own black and
backlight, what its menu does not take, and its panel's limits. The greatest of their mean differences is made
least as one problem: a bound t above all of them is lowered, under the conditions of every monitor's search.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import xy_to_unit_xyz
from matchlib.matching.descent import nearest_inside
from matchlib.matching.ideal import PQ
from matchlib.matching.result import Target
from matchlib.matching.settings import Compared, Found, absolute_tone, menu_task, target_of
from matchlib.matching.space import BACKLIGHT, GAMMA, OFF, Search, Settings, Task
from matchlib.matching.stack import Stack
from matchlib.perception.difference import xy

_SHARED = 7  # x and y of red, green, blue; gamma
_SOFTENING = (0.1, 0.01, 0.001)  # CIEDE2000: mean lengths have no kink where one is zero
_STARTS = 2  # of the monitors' own best, those with the least worst difference
_STEP = 1e-7  # of x, y and gamma: forward differences of the drive
_NEAR = 0.02  # CIEDE2000: a monitor so near the worst holds the room back too
_DIMMER = 1e-3  # of the wanted peak
_ROUNDS, _TRIES = 60, 12  # steps at one softening, and dampings of one step
_ENOUGH = 1e-6  # relative gain of a step, below which a softening ends
_HAIR = 1e-2  # of t², in the model
_NEAR_CONDITION = 0.05  # of full drive: conditions with more to spare are looked at again after the step
_PENALTY = 100.0  # CIEDE2000 for a condition broken by full drive
_KEPT = 1e-7  # by how much a condition may be broken, in full drive


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """A monitor as one of a room.

    Attributes:
        found: The best of its own.
    """

    compared: Compared
    found: Found


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """One target for a room.

    Attributes:
        target: What all are set to; its black is the highest of theirs, ``expected`` that of the worst monitor.
        targets: The same on each monitor, with its own black and what is expected there.
        shown: What each will then show, shape (n, 3); ``settings``: of each, found for its task in ``tasks``.
        holder: Place of the monitor that holds the room back; None in a room of one, or where none does.
        without: The worst mean difference of the others without it.
    """

    target: Target
    targets: tuple[Target, ...]
    shown: tuple[Array, ...]
    settings: tuple[Settings, ...]
    tasks: tuple[Task, ...]
    holder: int | None = None
    without: float | None = None


def common_target(members: Sequence[Member]) -> Common:
    """Return the one target for monitors that are fed the same encoding; at least one.

    Raises:
        ValueError: No setting keeps every panel's limits.
    """
    problem = _Problem(members)
    shared, backlights = problem.solve(_starts(members))
    found = problem.result(shared, backlights)
    if len(members) == 1:
        return found
    means = [target.expected.mean for target in found.targets]
    worst = max(means)
    near = {place for place, mean in enumerate(means) if mean >= worst - _NEAR}
    shares = _peak_shares([menu_task(member.compared) for member in members], members)
    if min(shares) < 1 - _DIMMER:  # whose peak all share holds them back too
        near.add(shares.index(min(shares)))
    gains = {}
    for place in sorted(near):
        others = [member for other, member in enumerate(members) if other != place]
        rest = _Problem(others)
        gains[place] = rest.worst(*rest.solve([shared]))  # it lies inside the others' limits, and near their best
    holder = min(gains, key=lambda place: (gains[place], place))
    if worst - gains[holder] < _NEAR:
        return found
    return replace(found, holder=holder, without=gains[holder])


def _starts(members: Sequence[Member]) -> list[Array]:
    """Return shared figures to start from: each monitor's own best, and their mean."""
    own = [_figures(member) for member in members]
    return [*own, np.mean(own, axis=0)] if len(own) > 1 else own


def _figures(member: Member) -> Array:
    settings = member.found.settings
    primaries = settings.primaries_xyz.T
    if not member.found.task.free_primaries and "primaries" not in member.compared.monitor.adjusts:
        primaries = member.compared.ideal.primaries_xyz
    return np.append(xy(primaries).ravel(), settings.gamma)


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """The room's search about a point: each monitor's mean and the conditions near it, linearised.

    Attributes:
        means: Shape (b,); ``slopes``: by z, shape (b, k); ``bends``: their curvature, shape (b, k, k).
        gaps: What each condition has to spare, shape (m,); ``gap_slopes``: shape (m, k).
    """

    means: Array
    slopes: Array
    bends: Array
    gaps: Array
    gap_slopes: Array

    def step(self, weights: Array, damping: float) -> tuple[Array, Array] | None:
        """Return the step that makes the worst of the modelled means least, and each monitor's part in it.

        Minimises t + dᵀH·d / 2 with means + slopes·d ≤ t and the conditions; a hair of t² makes it least squares.
        """
        # All monitors bend the model a little, or a backlight of one that is not the worst would be free to run
        H = np.einsum("b,bkl->kl", 0.8 * weights + 0.2 / len(weights), self.bends)
        H = H + np.diag((damping + 1e-9) * np.diag(H) + 1e-9)
        size, count = len(H), len(self.means)
        R = np.zeros((size + 1, size + 1))
        R[:size, :size] = np.linalg.cholesky(H).T
        R[size, size] = _HAIR
        wanted = np.append(np.zeros(size), -1 / _HAIR)
        above = np.hstack([-self.slopes, np.ones((count, 1))])
        inside = np.hstack([self.gap_slopes, np.zeros((len(self.gaps), 1))])
        found = nearest_inside(R, wanted, np.vstack([above, inside]), np.concatenate([self.means, -self.gaps]))
        if found is None:
            return None
        step, pressed = found
        total = pressed[:count].sum()
        return step[:size], (pressed[:count] / total if total > 0 else weights)


class _Problem:
    """The room's search: z = shared figures and a backlight each."""

    def __init__(self, members: Sequence[Member]) -> None:
        self.members = tuple(members)
        self.tasks = _alike([menu_task(member.compared) for member in members], members)
        self.spaces = [Search(task) for task in self.tasks]
        self.stack = Stack(self.spaces)
        self._inverse = np.array([np.linalg.inv(task.panel.matrix) for task in self.tasks])
        self._white = np.array([task.white_xyz for task in self.tasks])
        self._black = np.array([task.panel.black_xyz for task in self.tasks])
        self._start = np.array([space.start for space in self.spaces])
        self._unit = np.array([space.unit for space in self.spaces])
        self._free = np.array([task.free_primaries for task in self.tasks])

    def unknowns(self, z: Array) -> Array:
        """Return each monitor's unknowns, shape (…, 7 + b) to (…, b, k)."""
        shared, backlight = z[..., :_SHARED], z[..., _SHARED:]
        x = np.broadcast_to(self._start, (*backlight.shape, self._start.shape[1])).copy()
        x[..., BACKLIGHT] = backlight
        x[..., GAMMA] = np.where(self.stack.free[:, GAMMA], shared[..., 6:], x[..., GAMMA])
        directions = np.swapaxes(xy_to_unit_xyz(shared[..., :6].reshape(*shared.shape[:-1], 3, 2)), -1, -2)
        above = self._white - backlight[..., None] * self._black
        shares = above @ np.swapaxes(np.linalg.inv(directions), -1, -2)
        drive = self._inverse @ (directions[..., None, :, :] * shares[..., None, :])
        off = np.stack([drive[..., row, column] for row, column in OFF], axis=-1) / self._unit[:, None]
        x[..., : len(OFF)] = np.where(self._free[:, None], off, x[..., : len(OFF)])
        return x

    def _slopes(self, z: Array, x: Array) -> Array:
        """Return the derivative of each monitor's unknowns by z, shape (b, k, 7 + b)."""
        moved = z + _STEP * np.eye(len(z))
        return np.moveaxis((self.unknowns(moved) - x) / _STEP, 0, -1)

    def means(self, z: Array, epsilon: float) -> Array:
        """Return each monitor's softened mean difference, shape (b,)."""
        squares = (self.stack.vectors(self.unknowns(z)) ** 2).sum(axis=-1)
        return np.asarray(np.sqrt(squares + epsilon**2).mean(axis=1))

    def _model(self, z: Array, epsilon: float) -> "_Model":
        """Return the softened means and the conditions about z, linearised, with the means' curvature."""
        x = self.unknowns(z)
        vectors, slope = self.stack.linearised(x)
        lengths = np.sqrt((vectors**2).sum(axis=-1) + epsilon**2)
        by_unknown = self._slopes(z, x)
        by_z = slope.reshape(len(x), -1, x.shape[1]) @ by_unknown
        weight = np.repeat(1 / lengths, 3, axis=1)
        pulled = by_z * weight[..., None]
        count = lengths.shape[1]
        slopes = np.einsum("bmk,bm->bk", pulled, vectors.reshape(len(x), -1)) / count
        gaps = -self.stack.gap(x)
        near = gaps < _NEAR_CONDITION
        return _Model(
            means=lengths.mean(axis=1),
            slopes=slopes,
            bends=np.swapaxes(pulled, 1, 2) @ by_z / count,
            gaps=gaps[near],
            gap_slopes=(self.stack.conditions @ by_unknown)[near],
        )

    def gaps(self, z: Array) -> Array:
        """Return what each condition of every monitor has to spare, shape (b, m); below 0 it is broken."""
        return np.asarray(-self.stack.gap(self.unknowns(z)))

    def worst(self, shared: Array, backlights: Array) -> float:
        """Return the worst mean difference."""
        z = np.concatenate([shared, backlights])
        return float(max(space.mean(x) for space, x in zip(self.spaces, self.unknowns(z), strict=True)))

    def solve(self, starts: Sequence[Array]) -> tuple[Array, Array]:
        """Return the best shared figures and each monitor's backlight from a few of the starts."""
        lows = np.array([task.backlight_range[0] for task in self.tasks])
        highs = np.array([task.backlight_range[1] for task in self.tasks])
        lights = np.array([member.found.settings.backlight for member in self.members])
        points = [np.concatenate([start, np.clip(lights, lows, highs)]) for start in starts]
        points.sort(key=lambda z: self._merit(z, _SOFTENING[0]))
        ends = [self._descend(z) for z in points[:_STARTS]]
        kept = [z for z in ends if self.gaps(z).min() >= -_KEPT]
        if not kept:
            raise ValueError("no setting keeps every panel's limits")
        best = min(kept, key=lambda z: self.worst(z[:_SHARED], z[_SHARED:]))
        return best[:_SHARED], best[_SHARED:]

    def _merit(self, z: Array, epsilon: float) -> float:
        broken = max(0.0, -float(self.gaps(z).min()) - _KEPT / 2)
        return float(self.means(z, epsilon).max()) + _PENALTY * broken

    def _descend(self, z: Array) -> Array:
        """Return the end of damped steps, each the minimum of a quadratic model of the worst mean."""
        weights = np.full(len(self.tasks), 1 / len(self.tasks))
        for epsilon in _SOFTENING:
            damping, value = 1e-2, self._merit(z, epsilon)
            for _ in range(_ROUNDS):
                model = self._model(z, epsilon)
                before = value
                for _ in range(_TRIES):
                    found = model.step(weights, damping)
                    if found is not None and (trial := self._merit(z + found[0], epsilon)) < value:
                        z, value, weights = z + found[0], trial, found[1]
                        damping = max(damping / 5, 1e-6)
                        break
                    damping *= 5
                if before - value <= _ENOUGH * value:
                    break
        return np.asarray(z)

    def result(self, shared: Array, backlights: Array) -> Common:
        """Return the shared figures as targets."""
        targets, shown, set_to = [], [], []
        unknowns = self.unknowns(np.concatenate([shared, backlights]))
        for space, x, member in zip(self.spaces, unknowns, self.members, strict=True):
            seen = space.shown(x)
            expected = member.compared.score_of(seen)
            tone = "gamma" if space.free[GAMMA] else member.found.target.tone
            set_to.append(space.settings(x))
            targets.append(target_of(member.compared, set_to[-1], expected, tone, space.task))
            shown.append(seen)
        worst = max(range(len(targets)), key=lambda place: targets[place].expected.mean)
        free = [place for place, task in enumerate(self.tasks) if task.free_primaries]
        whole = replace(targets[worst], black=max(target.black for target in targets))
        if free:
            pairs = shared[:6].reshape(3, 2)
            red, green, blue = ((float(x), float(y)) for x, y in pairs)
            whole = replace(whole, red_xy=red, green_xy=green, blue_xy=blue)
        return Common(whole, tuple(targets), tuple(shown), tuple(set_to), tuple(self.tasks))


def _peak_shares(tasks: Sequence[Task], members: Sequence[Member]) -> list[float]:
    """Return what share of the wanted peak each monitor gives; 1 where its menu leaves the peak alone."""
    return [
        min(1.0, float(task.white_xyz[1] / _wanted_peak(member)))
        if "luminance" in member.compared.monitor.adjusts
        else 1.0
        for task, member in zip(tasks, members, strict=True)
    ]


def _wanted_peak(member: Member) -> float:
    return float(member.compared.ideal.white_xyz[1] - member.compared.veil.seen[1])


def _alike(tasks: Sequence[Task], members: Sequence[Member]) -> list[Task]:
    """Return the tasks with one peak for all whose menu takes it, and primaries inside the hull of all gamuts."""
    lowest = min(_peak_shares(tasks, members))
    hull = np.vstack([task.hull_xyz / task.hull_xyz.sum(axis=1, keepdims=True) for task in tasks])
    found = []
    for task, member in zip(tasks, members, strict=True):
        changed = replace(task, hull_xyz=hull)
        if "luminance" in member.compared.monitor.adjusts:
            white = task.white_xyz * min(1.0, _wanted_peak(member) * lowest / float(task.white_xyz[1]))
            changed = replace(changed, white_xyz=white)
            if member.compared.ideal.tone == PQ and task.linear is not None:
                changed = replace(changed, linear=absolute_tone(member.compared, white))
        found.append(changed)
    return found
