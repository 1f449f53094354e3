"""How often the dark patches of a session should be read."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.readings.instrument_noise import NoiseModel, repeats_needed

WANTED = 0.05  # of a patch's light, expanded (k = 2): about half a unit of L* in the darks. No source
DARK = 0.05  # of the peak


@dataclass(frozen=True, slots=True)
class DarkPatch:
    """A dark patch: its place among the patches, its name, and how many readings make it known to 5 %."""

    place: int
    name: str
    needed: int


def dark_repeats(names: Sequence[tuple[str, ...]], light: Array, noise: NoiseModel) -> list[DarkPatch]:
    """Return the dark patches, the darkest first.

    Args:
        names: Labels of each patch.
        light: Luminance of each, shape (n,), cd/m².
        noise: Of the instrument's readings.
    """
    dark = np.flatnonzero((light > 0) & (light < DARK * light.max())).tolist()
    found = [
        DarkPatch(place, (names[place] or ("a patch",))[0], repeats_needed(noise, float(light[place]), WANTED))
        for place in dark
    ]
    return sorted(found, key=lambda patch: light[patch.place])
