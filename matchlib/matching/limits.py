"""What a panel cannot reach, in plain words."""

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel, gamut_planes
from matchlib.matching.ideal import Ideal
from matchlib.matching.space import Task
from matchlib.perception.difference import ciede2000, uv, xy

_SEEN = 1.0  # CIEDE2000: below it a patch is not named; about the least that is seen side by side
_OUTSIDE = 0.001  # Δu′v′


def limits_in_words(task: Task, ideal: Ideal, backlight: float, mode: str = "absolute") -> list[str]:
    """Return a sentence for each thing that the panel cannot do and a viewer would see.

    Args:
        task: What was searched.
        ideal: What an unlimited display would be set to.
        backlight: s of the target.
        mode: Match mode.
    """
    wanted = ideal.white_xyz - task.veil_xyz
    found = [_peak(task, wanted), _white(task, wanted)]
    names = ("red", "green", "blue")
    found += [_primary(name, light, task.panel) for name, light in zip(names, ideal.primaries_xyz, strict=True)]
    return [sentence for sentence in [*found, _black(task, backlight, mode), _veil(task)] if sentence]


def _peak(task: Task, ideal_white: Array) -> str:
    wanted, got = float(ideal_white[1]), float(task.white_xyz[1])
    if got >= wanted * 0.999:
        return ""
    return f"peak luminance: {got:.1f} of {wanted:.1f} cd/m² is all it gives with this white"


def _white(task: Task, ideal_white: Array) -> str:
    distance = float(np.hypot(*(uv(task.white_xyz) - uv(ideal_white))))
    if distance <= _OUTSIDE:
        return ""
    return f"white stays {distance:.3f} u′v′ from the projector's"


def _primary(name: str, wanted: Array, panel: Panel) -> str:
    """Return how far a wanted primary lies outside the panel's triangle, in u′v′."""
    corners = panel.matrix.T
    if np.all(gamut_planes(corners) @ wanted <= 1e-9 * np.abs(wanted).max()):
        return ""
    distance = _distance_to_triangle(uv(wanted), uv(corners))
    if distance <= _OUTSIDE:
        return ""
    return f"{name} primary outside the panel's gamut by {distance:.3f} u′v′"


def _distance_to_triangle(point: Array, corners: Array) -> float:
    best = np.inf
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = np.clip((point - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
        best = min(best, float(np.hypot(*(point - start - along * (end - start)))))
    return best


def _black(task: Task, backlight: float, mode: str) -> str:
    """Return the sentence on a raised black, where the eye sees it against the projector's."""
    black = backlight * task.panel.black_xyz + task.veil_xyz
    darkest = int(task.wanted_xyz[:, 1].argmin())
    wanted = task.wanted_xyz[darkest]
    difference = float(ciede2000(wanted, black, task.reference_white))
    if black[1] <= wanted[1] or difference < _SEEN:
        return ""
    return (
        f"black: {_two_digits(black[1])} cd/m² is the panel's darkest here, {_wanted(mode)} "
        f"{_two_digits(wanted[1])}; dark pictures look lifted ({difference:.1f} in black itself)"
    )


def _wanted(mode: str) -> str:
    """Return the words before what black should be; only in ``absolute`` is that what the projector shows."""
    return "the projector shows" if mode == "absolute" else "to match it should be"


def _veil(task: Task) -> str:
    """Return the sentence on room light, which lies over everything and which no target removes."""
    light = float(task.veil_xyz[1])
    if light <= 0:
        return ""
    return f"room light: {_two_digits(light)} cd/m² on its face is seen with every picture, and no setting removes it"


def _two_digits(value: float) -> str:
    return f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def chromaticity(xyz: Array) -> tuple[float, float]:
    """Return CIE 1931 x, y as two floats."""
    first, second = xy(xyz)
    return float(first), float(second)
