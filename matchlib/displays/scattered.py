"""What a display does whose light does not add: a trend in linear light, and scattered readings' offsets from it.

White sub-pixels, limiters, saturated ramps and crosstalk bend the sum of the channels. The trend has a colour
for each corner of the signal cube and lies between them as its name says; what the readings have beside it is
interpolated over the signals by radial basis functions (:class:`scipy.interpolate.RBFInterpolator`; Duchon 1977
for the thin-plate spline, from memory) in CIELAB's cube root, so that a dark patch counts as a bright one does.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from itertools import product
from types import MappingProxyType

import numpy as np

from matchlib.arrays import Array, Mask, read_only
from matchlib.displays.response import Response, fit_patches, weights
from matchlib.readings.session import Patches

FOLDS = 10  # a tenth of the patches is left out at a time (common practice, no source)
_SEED = 1_977
_EDGE = 6 / 29  # CIE 015:2018, 8.2.1: where CIELAB's cube root turns into a line
_LAB = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])
_FACES = np.linspace(0.0, 1.0, 11)  # steps of the signals that an inverse starts from
_INSIDE = np.linspace(0.05, 0.95, 10)  # and starts again from, where it got stuck, mostly at a face of the cube
_AGAIN = 6  # nearest of these, each tried
_MISSED = 0.05  # CIELAB: a start that ends nearer is not stuck
_STEPS = 40  # of an inverse
_DIFFERENCE = 1e-5  # of full drive, for the slopes of an inverse
_DONE = 1e-8  # of full drive


def _channels(linear: Array) -> Array:
    """Return linear r, g, b: the light adds."""
    return linear


def _tetrahedral(linear: Array) -> Array:
    """Return r, g, b and the least of each two and of all three, shape (…, 7).

    These span every map that is linear in each of the six tetrahedra of the cube, so that the trend is the
    tetrahedral interpolation between its eight corners. A white sub-pixel that follows the least channel is
    met exactly.
    """
    red, green, blue = np.moveaxis(linear, -1, 0)
    pairs = (np.minimum(red, green), np.minimum(green, blue), np.minimum(blue, red))
    return np.stack([red, green, blue, *pairs, linear.min(axis=-1)], axis=-1)


def _trilinear(linear: Array) -> Array:
    """Return r, g, b and their products, shape (…, 7): the trilinear interpolation between the corners.

    The form of the Neugebauer equations (Neugebauer 1937, from memory). Channels that take a share of each
    other's light are met exactly.
    """
    red, green, blue = np.moveaxis(linear, -1, 0)
    return np.stack([red, green, blue, red * green, green * blue, blue * red, red * green * blue], axis=-1)


TRENDS: Mapping[str, Callable[[Array], Array]] = MappingProxyType(
    {"additive": _channels, "tetrahedral": _tetrahedral, "trilinear": _trilinear}
)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a model over scattered readings is made.

    Attributes:
        trend: One of :data:`TRENDS`.
        kernel: Of the radial basis functions; empty: the trend stands alone.
        smoothing: Of them; black, white and the full primaries are met whatever it is.
    """

    trend: str
    kernel: str = ""
    smoothing: float = 0.0


_KERNELS = (
    ("linear", 1e-2),
    ("thin_plate_spline", 1e-3),
    ("thin_plate_spline", 1e-1),
)
ADDITIVE = Recipe("additive")
RECIPES = tuple(Recipe(trend, *rest) for rest in (("", 0.0), *_KERNELS) for trend in TRENDS)


@dataclass(frozen=True, slots=True, eq=False)
class ScatteredResponse(Response):
    """The response of a display that is not additive, with the same figures read off its session.

    ``matrix`` holds its full primaries alone, as read, black subtracted: what it shows beside that, such as a
    white sub-pixel's light, is not in it.

    Attributes:
        recipe: How it was made.
        additive_fit: The additive fit to the same readings: black, white and tone of the trend. Where ``black_xyz``
            has other light beside its black, such as a veil, that is added to everything shown.
        factors: XYZ in cd/m² of each term of the trend, shape (3 or 7, 3).
        offsets: From signals, shape (n, 3), to what the readings have beside the trend, in CIELAB's cube root of
            XYZ over white; None where the trend stands alone.
        reason: Why the display is not taken as additive, in words.
        held_out: XYZ of each patch by fits that had not seen it, shape (n, 3), in the order of the averaged
            patches; black, white and the full primaries are in every fit.
        held_out_additive: The same of the additive model.
    """

    recipe: Recipe
    additive_fit: Response
    factors: Array
    offsets: Callable[[Array], Array] | None
    reason: str
    held_out: Array
    held_out_additive: Array

    @property
    def additive(self) -> bool:
        """Whether its light adds: never."""
        return False

    def forward(self, signal: Array) -> Array:
        """Return XYZ in cd/m² of signals, shape (…, 3); signals beyond 0 to 1 are clipped, no light is negative."""
        ratio = _ratio_of(self._roots(np.clip(signal, 0.0, 1.0)))
        return np.asarray(self._beside + self.additive_fit.white_xyz * ratio)

    def inverse(self, xyz: Array) -> Array:
        """Return the signals whose colour is nearest to XYZ in cd/m², shape (…, 3), within the cube.

        Nearest in CIELAB under the display's own white: damped Gauss–Newton steps (Levenberg 1944, Marquardt 1963,
        from memory) from the nearest of a grid of signals. Colours out of reach get the nearest in reach.
        """
        exponent = np.array([tone.exponent for tone in self.tone])

        def lab(drive: Array) -> Array:  # over signal to the power of gamma: its slope does not vanish near zero
            return self._lab(drive ** (1 / exponent))

        own = np.asarray(xyz, dtype=np.float64).reshape(-1, 3) - self._beside
        aim = _roots_of(own / self.additive_fit.white_xyz) @ _LAB.T
        drive = _nearest(lab, aim, [_cube(_FACES) ** exponent, _cube(_INSIDE) ** exponent])
        return np.asarray(drive ** (1 / exponent)).reshape(np.shape(xyz))

    @property
    def _beside(self) -> Array:
        """Light that is not the display's own, shape (3,)."""
        return self.black_xyz - self.additive_fit.black_xyz

    def _roots(self, signal: Array) -> Array:
        roots = _trend_roots(self.additive_fit, self.recipe.trend, self.factors, self.linear(signal))
        if self.offsets is None:
            return roots
        return roots + self.offsets(signal.reshape(-1, 3)).reshape(signal.shape)

    def _lab(self, signal: Array) -> Array:
        return np.asarray(np.maximum(self._roots(signal), _roots_of(np.zeros(1))) @ _LAB.T)


def fit_scattered(
    patches: Patches, additive: Response, recipe: Recipe, reason: str, held_out: Mapping[Recipe, Array]
) -> ScatteredResponse:
    """Return the model of a recipe over all patches.

    Args:
        patches: Repeats averaged.
        additive: The additive fit to them.
        recipe: Of the model.
        reason: Why the display is not additive, in words.
        held_out: As :func:`hold_out` returns it, with the recipe and :data:`ADDITIVE` in it.
    """
    linear = additive.linear(patches.signal)
    factors = _trend_factors(patches, additive, recipe.trend, linear)
    offsets = None
    if recipe.kernel:
        trend = _trend_roots(additive, recipe.trend, factors, linear)
        offsets = _interpolator(patches, _roots_of(patches.xyz / additive.white_xyz) - trend, recipe)
    read = {entry.name: getattr(additive, entry.name) for entry in fields(Response)}
    return ScatteredResponse(
        **read | {"matrix": read_only(additive.primaries_xyz.T)},
        recipe=recipe,
        additive_fit=additive,
        factors=read_only(factors),
        offsets=offsets,
        reason=reason,
        held_out=read_only(held_out[recipe]),
        held_out_additive=read_only(held_out[ADDITIVE]),
    )


def hold_out(patches: Patches, file: str) -> dict[Recipe, Array]:
    """Return what each recipe says of patches that it has not seen, XYZ in cd/m², shape (n, 3) each.

    The patches but black, white and the full primaries are dealt into :data:`FOLDS` folds, each left out in
    turn; tone curves, trend and offsets are fitted anew to the rest. The five stay in every fit, for no fit
    can do without them; theirs are the figures as fitted.

    Args:
        patches: Repeats averaged.
        file: Named in errors.
    """
    others = np.flatnonzero(~_anchors(patches))
    dealt = np.random.default_rng(_SEED).permutation(others)
    found = _predicted(patches, np.ones(len(patches.xyz), dtype=bool), file)
    for fold in range(min(FOLDS, len(others))):
        left = np.zeros(len(patches.xyz), dtype=bool)
        left[dealt[fold::FOLDS]] = True
        for recipe, xyz in _predicted(patches, ~left, file).items():
            found[recipe][left] = xyz[left]
    return found


def _predicted(patches: Patches, seen: Mask, file: str) -> dict[Recipe, Array]:
    """Return what each recipe fitted to the seen patches says of all, XYZ, shape (n, 3).

    One interpolation serves all trends: their offsets stand side by side.
    """
    part = _part(patches, seen)
    additive = fit_patches(part, file)
    linear, read = additive.linear(patches.signal), _roots_of(part.xyz / additive.white_xyz)
    trends = []
    for trend in TRENDS:
        factors = _trend_factors(part, additive, trend, linear[seen])
        trends.append(_trend_roots(additive, trend, factors, linear))
    offsets = np.hstack([read - roots[seen] for roots in trends])
    found = {}
    for kernel, smoothing in (("", 0.0), *_KERNELS):
        beside = np.zeros((len(patches.xyz), 3 * len(TRENDS)))
        if kernel:
            beside = _interpolator(part, offsets, Recipe("", kernel, smoothing))(patches.signal)
        for place, trend in enumerate(TRENDS):
            roots = trends[place] + beside[:, 3 * place : 3 * place + 3]
            found[Recipe(trend, kernel, smoothing)] = additive.white_xyz * _ratio_of(roots)
    return found


def _part(patches: Patches, seen: Mask) -> Patches:
    labels = tuple(names for names, kept in zip(patches.labels, seen, strict=True) if kept)
    kept = (patches.signal[seen], patches.xyz[seen], patches.count[seen], patches.scatter[seen])
    return Patches(labels, *kept, patches.step)


def _anchors(patches: Patches) -> Mask:
    """Return which patches are black, white and the full primaries, shape (n,)."""
    anchors = np.zeros(len(patches.xyz), dtype=bool)
    for signal in ((0, 0, 0), (1, 1, 1), (1, 0, 0), (0, 1, 0), (0, 0, 1)):
        place = patches.find(*signal)
        if place is not None:
            anchors[place] = True
    return anchors


def _trend_factors(patches: Patches, additive: Response, trend: str, linear: Array) -> Array:
    """Return the XYZ of each term of a trend, shape (k, 3): the matrix, or least squares of relative errors."""
    if trend == ADDITIVE.trend:
        return additive.matrix.T
    terms = TRENDS[trend](linear)
    weight = weights(patches)[:, None]
    light = patches.xyz - additive.black_xyz
    return np.asarray(np.linalg.lstsq(terms * weight, light * weight, rcond=None)[0])


def _trend_roots(additive: Response, trend: str, factors: Array, linear: Array) -> Array:
    """Return what a trend gives for linear light, in CIELAB's cube root, shape (n, 3)."""
    light = additive.black_xyz + TRENDS[trend](linear) @ factors
    return _roots_of(np.maximum(light, 0.0) / additive.white_xyz)


def _interpolator(patches: Patches, values: Array, recipe: Recipe) -> Callable[[Array], Array]:
    from scipy.interpolate import RBFInterpolator

    smoothing = np.where(_anchors(patches), 0.0, recipe.smoothing)
    made: Callable[[Array], Array] = RBFInterpolator(
        patches.signal, values, kernel=recipe.kernel, smoothing=smoothing, degree=1
    )
    return made


def _roots_of(ratio: Array) -> Array:
    """Return CIELAB's f of XYZ over white (CIE 015:2018, 8.2.1), any shape."""
    return np.asarray(np.where(ratio > _EDGE**3, np.cbrt(ratio), ratio / (3 * _EDGE**2) + 4 / 29))


def _ratio_of(roots: Array) -> Array:
    """Return XYZ over white of CIELAB's f, any shape; no light is negative."""
    return np.asarray(np.maximum(np.where(roots > _EDGE, roots**3, 3 * _EDGE**2 * (roots - 4 / 29)), 0.0))


def _cube(steps: Array) -> Array:
    return np.array(list(product(steps, repeat=3)))


def _nearest(lab: Callable[[Array], Array], aim: Array, grids: list[Array]) -> Array:
    """Return the drives in the cube whose CIELAB is nearest to the aims, shape (n, 3) both.

    Args:
        lab: CIELAB of drives between 0 and 1.
        aim: What is looked for.
        grids: Drives to start from, shape (m, 3): the first, and the second for aims that it does not reach.
    """
    from scipy.spatial import KDTree

    drive = _descend(lab, aim, grids[0][KDTree(lab(grids[0])).query(aim)[1]])
    missed = _misses(lab, drive, aim)
    stuck = np.flatnonzero(missed > _MISSED)
    starts = KDTree(lab(grids[1])).query(aim[stuck], _AGAIN)[1] if len(stuck) else np.empty((0, _AGAIN), dtype=int)
    for place in range(_AGAIN):
        left = missed[stuck] > _MISSED
        stuck, starts = stuck[left], starts[left]
        if not len(stuck):
            break
        found = _descend(lab, aim[stuck], grids[1][starts[:, place]])
        now = _misses(lab, found, aim[stuck])
        better = now < missed[stuck]
        drive[stuck[better]], missed[stuck[better]] = found[better], now[better]
    return drive


def _misses(lab: Callable[[Array], Array], drive: Array, aim: Array) -> Array:
    return np.asarray(np.linalg.norm(lab(drive) - aim, axis=1))


def _descend(lab: Callable[[Array], Array], aim: Array, start: Array) -> Array:
    """Return where damped Gauss–Newton steps lead from each start, shape (n, 3), never away from its aim."""
    drive = start.copy()
    damping = np.full(len(aim), 1e-3)
    going = np.arange(len(aim))
    for _ in range(_STEPS):
        here, wanted = drive[going], aim[going]
        shown = lab(here)
        miss = shown - wanted
        step = _damped_step(_slopes(lab, here, shown), here, miss, damping[going])
        there = np.clip(here + step, 0.0, 1.0)
        better = ((lab(there) - wanted) ** 2).sum(axis=1) < (miss**2).sum(axis=1)
        drive[going[better]] = there[better]
        damping[going] = np.clip(damping[going] * np.where(better, 0.2, 8.0), 1e-9, 1e9)
        going = going[np.abs(there - here).max(axis=1) > _DONE]
        if not len(going):
            break
    return drive


def _slopes(lab: Callable[[Array], Array], drive: Array, shown: Array) -> Array:
    """Return the slopes of CIELAB over drives, shape (n, 3, 3), from differences towards the cube's middle."""
    towards = np.where(drive > 0.5, -_DIFFERENCE, _DIFFERENCE)
    columns = [(lab(drive + towards * unit) - shown) / (towards @ unit)[:, None] for unit in np.eye(3)]
    return np.stack(columns, axis=-1)


def _damped_step(slopes: Array, drive: Array, miss: Array, damping: Array) -> Array:
    """Return one damped Gauss–Newton step of each signal, shape (n, 3); a channel at its end stays inside."""
    downhill = -np.einsum("nij,ni->nj", slopes, miss)
    free = ~(((drive <= 0) & (downhill < 0)) | ((drive >= 1) & (downhill > 0)))
    square = np.einsum("nij,nik->njk", slopes, slopes) * (free[:, :, None] & free[:, None, :])
    size = np.einsum("njj->nj", square).max(axis=1, keepdims=True) + 1e-9
    square += np.where(free, damping[:, None] * size, 1.0)[:, :, None] * np.eye(3)
    return np.asarray(np.linalg.solve(square, (downhill * free)[:, :, None])[:, :, 0])
