"""Patch lists: signals between 0 and 1, with labels that people can read."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from matchlib.arrays import Array, read_only


@dataclass(frozen=True, slots=True, eq=False)
class PatchList:
    """Patches to show on a display.

    Attributes:
        labels: A name a patch.
        signal: Fractions of full signal, shape (n, 3), channels r, g, b.
    """

    labels: tuple[str, ...]
    signal: Array


def patch_label(signal: tuple[float, float, float]) -> str:
    """Return the name of a patch: ``white``, ``grey 45 %``, ``R 25 G 50 B 100`` (per cent of signal).

    >>> patch_label((0.25, 0.5, 1.0))
    'R 25 G 50 B 100'
    """
    if min(signal) == max(signal):
        named = {0.0: "black", 1.0: "white"}
        return named.get(signal[0], f"grey {100 * signal[0]:g} %")
    primaries = {
        (1.0, 0.0, 0.0): "red",
        (0.0, 1.0, 0.0): "green",
        (0.0, 0.0, 1.0): "blue",
        (0.0, 1.0, 1.0): "cyan",
        (1.0, 0.0, 1.0): "magenta",
        (1.0, 1.0, 0.0): "yellow",
    }
    red, green, blue = (f"{100 * value:g}" for value in signal)
    return primaries.get(signal, f"R {red} G {green} B {blue}")


@lru_cache(maxsize=1)
def standard_list() -> PatchList:
    """Return the 141 patches of every verdict: a cube of 5 steps a channel and 21 greys.

    The five greys of the cube are among the 21, so 125 + 21 - 5 patches remain. One and the same fault
    scores differently on different lists, so there is one, and it stands here.
    """
    steps = (0.0, 0.25, 0.5, 0.75, 1.0)
    cube = [(red, green, blue) for red in steps for green in steps for blue in steps]
    greys = [(step / 20, step / 20, step / 20) for step in range(21)]
    signals = cube + [grey for grey in greys if grey not in cube]
    return PatchList(tuple(patch_label(signal) for signal in signals), read_only(np.array(signals)))
