"""Which model fits a display: the additive one, or where its light does not add one over scattered readings."""

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import Response, fit_response
from matchlib.displays.scattered import ADDITIVE, Recipe, ScatteredResponse, fit_scattered, hold_out
from matchlib.once import once
from matchlib.perception.difference import CIEDE2000, Score, ciede2000, score
from matchlib.readings.checks.ramps import BEYOND_NOISE, SUM
from matchlib.readings.instrument_noise import fit_noise
from matchlib.readings.session import Patches, Session, average_repeats

# CIEDE2000 between an additive fit and its readings: about twice what a measured wide-gamut LCD leaves whose
# light adds to 0.3 % (tests/reference/wide_gamut_lcd: mean 0.82, 95 % 1.90). No source
FIT_MEAN, FIT_P95 = 1.6, 4.0
GAIN = 0.8  # another model must leave less than this share of the additive one's cross-validated mean. No source
_TRENDS = {
    "additive": "the additive fit",
    "tetrahedral": "tetrahedral interpolation between the corners of the signal cube in linear light",
    "trilinear": "trilinear interpolation between the corners of the signal cube in linear light",
}
_KERNELS = {"linear": "linear radial basis functions", "thin_plate_spline": "thin-plate splines"}


@once
def fit_display(session: Session) -> Response:
    """Return the response of a display, additive or not.

    The additive fit stands unless its sum of primaries or its error says that the light does not add, and
    another model does clearly better on patches that it has not seen.

    Raises:
        InputError: The readings allow no fit.
    """
    patches = average_repeats(session)
    additive = fit_response(session)
    reason = why_not_additive(patches, additive)
    if not reason:
        return additive
    held_out = hold_out(patches, session.file)
    scores = {recipe: _score(patches, xyz, additive) for recipe, xyz in held_out.items()}
    best = min(scores, key=lambda recipe: scores[recipe].mean)
    if scores[best].mean > GAIN * scores[ADDITIVE].mean or scores[best].p95 > scores[ADDITIVE].p95:
        return additive
    return fit_scattered(patches, additive, best, reason, held_out)


def why_not_additive(patches: Patches, additive: Response) -> str:
    """Return in words why a display's light does not add; empty where nothing says so.

    Args:
        patches: Repeats averaged.
        additive: The additive fit to them.
    """
    if abs(additive.additivity_error) > max(SUM, BEYOND_NOISE * _noise_of_sum(patches, additive)):
        return (
            f"full red, green and blue add to {100 * (1 + additive.additivity_error):.1f} % of white's luminance, "
            "black subtracted"
        )
    found = _score(patches, additive.forward(patches.signal), additive)
    if found.mean > FIT_MEAN or found.p95 > FIT_P95:
        return (
            f"an additive fit leaves {found.mean:.2f} CIEDE2000 in the mean and {found.p95:.2f} at 95 % of its own "
            f"readings, where {FIT_MEAN:g} and {FIT_P95:g} are the most of a display whose light adds"
        )
    return ""


def cross_validated(patches: Patches, response: ScatteredResponse) -> tuple[Score, Score]:
    """Return the error on patches not seen of a model over scattered readings, and of the additive one."""
    ours, additive = (_score(patches, xyz, response) for xyz in (response.held_out, response.held_out_additive))
    return ours, additive


def words_on_fit(session: Session, response: Response) -> list[str]:
    """Return what a reader must know of a fit that is not the ordinary one; nothing of an ordinary one."""
    patches = average_repeats(session)
    if isinstance(response, ScatteredResponse):
        ours, additive = cross_validated(patches, response)
        return [
            f"{session.file}: the display is not additive: {response.reason}. A model over the "
            f"{len(patches.xyz)} patches as read stands for it: {recipe_words(response.recipe)}; cross-validated "
            f"error: mean {ours.mean:.2f}, 95 % {ours.p95:.2f} (of the additive fit: {additive.mean:.2f}, "
            f"{additive.p95:.2f})"
        ]
    reason = why_not_additive(patches, response)
    if not reason:
        return []
    return [
        f"{session.file}: the display is not additive: {reason}. From {len(patches.xyz)} patches no model that was "
        "tried does clearly better on patches it has not seen, so the additive fit stands, with the error it has; "
        "read more colours, such as the standard list"
    ]


def recipe_words(recipe: Recipe) -> str:
    """Return how a model over scattered readings is made, in words."""
    trend = _TRENDS[recipe.trend]
    if not recipe.kernel:
        return trend
    return f"{trend}, and beside it {_KERNELS[recipe.kernel]} over the signals, smoothing {recipe.smoothing:g}"


def _score(patches: Patches, xyz: Array, response: Response) -> Score:
    differences = ciede2000(patches.xyz, xyz, response.white_xyz)
    return score(CIEDE2000, differences, patch_names(patches))


def patch_names(patches: Patches) -> tuple[str, ...]:
    """Return a name a patch: its first label, or its signal in per cent."""
    return tuple(
        names[0] if names else "R {:.4g} G {:.4g} B {:.4g}".format(*100 * signal)
        for names, signal in zip(patches.labels, patches.signal, strict=True)
    )


def _noise_of_sum(patches: Patches, additive: Response) -> float:
    """Return the standard uncertainty of the additivity error by repeat noise (JCGM 100:2008, 5.1.2)."""
    noise = fit_noise(patches)
    if noise is None:
        return 0.0
    places = [patches.find(*signal) for signal in ((1, 1, 1), (1, 0, 0), (0, 1, 0), (0, 0, 1))]
    kept = [place for place in places if place is not None]
    deviation = noise.deviation(patches.xyz[kept, 1]) / np.sqrt(patches.count[kept])
    return float(np.sqrt((deviation**2).sum()) / (additive.luminance - additive.black))
