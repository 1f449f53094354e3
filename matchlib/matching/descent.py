"""The search itself: damped Gauss–Newton steps under linear conditions, for many tasks at once.

Mean CIEDE2000 is a sum of lengths. Each length is a smooth vector (:func:`ciede2000_vector`), so a damped
Gauss–Newton search on the vectors, reweighted by 1/√(ΔE² + ε²) with ε falling, minimises the sum; every
condition is linear in the unknowns, so each step is a small least-squares problem with inequalities.
"""

import numpy as np

from matchlib.arrays import Array, Places
from matchlib.matching.space import Search
from matchlib.matching.stack import Stack

SOFTENING = (1.0, 0.1, 0.01, 0.003)
_STEPS = 40  # at one softening; the search stops far earlier
_ENOUGH, _AT_LAST = 2e-4, 4e-6  # relative gain of a step, below which a softening, and the last one, end
_FORGIVEN = 1e-9  # of a condition, for rounding
_HOPELESS = 1e-9  # promised relative gain, below which no further damping is tried
_TRIES = 12  # at one step, each damped five times as much


def least_squares_inside(E: Array, f: Array, G: Array, h: Array) -> Array | None:
    """Return d that minimises |E·d − f| with G·d ≥ h, or None where no d keeps the conditions; E has full rank."""
    Q, R = np.linalg.qr(E)
    found = nearest_inside(R, Q.T @ f, G, h)
    return None if found is None else found[0]


def nearest_inside(R: Array, free: Array, G: Array, h: Array) -> tuple[Array, Array] | None:
    """Return d that minimises |R·d − free| with G·d ≥ h, and how hard each condition presses.

    Lawson & Hanson, Solving Least Squares Problems (1974), chapter 23: the problem LSI turned into LDP,
    and that into non-negative least squares. R is upper triangular; None where no d keeps the conditions.
    """
    from scipy.linalg.lapack import dtrtrs
    from scipy.optimize import nnls

    turned = dtrtrs(R, G.T, trans=1)[0]
    short = h - free @ turned
    if np.all(short <= 0):
        return np.asarray(dtrtrs(R, free)[0]), np.zeros(len(h))
    system = np.vstack([turned, short])
    size = np.maximum(np.linalg.norm(system, axis=0), 1e-12)
    wanted = np.zeros(len(system))
    wanted[-1] = 1.0
    weights, residual = nnls(system / size, wanted)
    weights = weights / size
    if residual < 1e-10:
        return None
    left = system @ weights - wanted
    return np.asarray(dtrtrs(R, free - left[:-1] / left[-1])[0]), weights


def project(space: Search, x: Array) -> Array | None:
    """Return the nearest unknowns that keep the conditions, fixed ones unmoved; None where there are none."""
    free = space.free
    if not free.any():
        return x if space.excess(x) <= _FORGIVEN else None
    gap = space.bounds - space.conditions @ x - 1e-12
    step = least_squares_inside(np.eye(int(free.sum())), np.zeros(int(free.sum())), space.conditions[:, free], gap)
    if step is None:
        return None
    moved = x.copy()
    moved[free] += step
    return moved if space.excess(moved) <= _FORGIVEN else None


def descend(stack: Stack, x: Array, softening: tuple[float, ...] = SOFTENING) -> Array:
    """Return the unknowns at the end of the reweighted, damped Gauss–Newton search, shape (b, k).

    Each task goes through the softenings at its own pace and leaves the stack when it has ended.
    """
    x = x.copy()
    left = np.flatnonzero(stack.free.any(axis=1))
    level = np.zeros(len(x), dtype=int)
    steps = np.zeros(len(x), dtype=int)
    damping = np.full(len(x), 1e-3)
    levels = np.array(softening)
    while len(left):
        part = stack if len(left) == len(x) else stack.chosen(left)
        epsilon = levels[level[left]]
        value, trial, trial_value, damping[left] = _step(part, x[left], epsilon, damping[left])
        x[left] = trial
        steps[left] += 1
        enough = np.where(epsilon > levels[-1], _ENOUGH, _AT_LAST) * trial_value
        ended = (value - trial_value <= enough) | (steps[left] >= _STEPS)
        level[left[ended]] += 1
        steps[left[ended]] = 0
        left = left[level[left] < len(levels)]
    return x


def _step(stack: Stack, x: Array, epsilon: Array, damping: Array) -> tuple[Array, Array, Array, Array]:
    """Return the value before, the first better point along ever more damped steps, its value, the damping then."""
    vectors, slope = stack.linearised(x)
    squares = (vectors**2).sum(axis=-1)
    value = np.sqrt(squares + epsilon[:, None] ** 2).sum(axis=1)
    weight = (squares + epsilon[:, None] ** 2) ** -0.25  # on both sides of a product: its square root
    slope *= weight[..., None, None]
    E = slope.reshape(len(x), -1, slope.shape[-1])
    free = stack.free[:, :, None] & stack.free[:, None, :]
    normal = np.where(free, np.swapaxes(E, 1, 2) @ E, 0.0)
    weighted = (vectors * weight[..., None]).reshape(len(x), -1, 1)
    pull = np.where(stack.free, -(np.swapaxes(E, 1, 2) @ weighted)[..., 0], 0.0)
    best, best_value = x.copy(), value.copy()
    waiting = np.arange(len(x))
    damping = damping.copy()
    gap = stack.gap(x)
    for _ in range(_TRIES):
        steps = _steps(stack, normal[waiting], pull[waiting], gap[waiting], damping[waiting], waiting)
        trial = x[waiting] + steps
        part = stack if len(waiting) == len(x) else stack.chosen(waiting)
        lengths = (part.vectors(trial) ** 2).sum(axis=-1)
        trial_value = np.sqrt(lengths + epsilon[waiting, None] ** 2).sum(axis=1)
        better = (trial_value < value[waiting]) & (part.excess(trial) <= _FORGIVEN)
        found = waiting[better]
        best[found], best_value[found] = trial[better], trial_value[better]
        damping[found] = np.maximum(damping[found] / 5, 1e-9)
        promised = _promised(normal[waiting], pull[waiting], steps)
        waiting = waiting[~better & (promised > _HOPELESS * value[waiting])]
        if not len(waiting):
            break
        damping[waiting] *= 5
    damping[best_value >= value] = 1e-3
    return value, best, best_value, damping


def _promised(normal: Array, pull: Array, step: Array) -> Array:
    """Return by how much the quadratic model falls along steps, shape (b,)."""
    bent = np.einsum("bk,bkl,bl->b", step, normal, step)
    return np.asarray(np.einsum("bk,bk->b", pull, step) - bent / 2)


def _steps(stack: Stack, normal: Array, pull: Array, gap: Array, damping: Array, places: Places) -> Array:
    """Return the steps that lower the damped sum of squares most and keep the conditions; 0 where none does."""
    free = stack.free[places]
    size = np.einsum("bkk->bk", normal)
    ridge = damping[:, None] * (np.sqrt(size) + 1e-9) ** 2
    system = normal + np.einsum("bk,kl->bkl", np.where(free, ridge, 1.0), np.eye(normal.shape[-1]))
    step = np.linalg.solve(system, pull[..., None])[..., 0]
    short = ((stack.conditions[places] @ step[..., None])[..., 0] < gap - 1e-15).any(axis=1)
    for row in np.flatnonzero(short):
        own = free[row]
        R = np.linalg.cholesky(system[row][np.ix_(own, own)]).T
        inside = nearest_inside(R, R @ step[row][own], stack.conditions[places[row]][:, own], gap[row])
        step[row] = 0.0
        if inside is not None:
            step[row, own] = inside[0]
    return step
