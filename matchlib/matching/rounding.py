"""What rounding to a menu's places costs: a target with the figures of the sheet, through the same model."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array
from matchlib.encoding import Pair, xy_to_unit_xyz
from matchlib.matching.limits import chromaticity
from matchlib.matching.settings import Compared
from matchlib.matching.space import Settings, Task


@dataclass(frozen=True, slots=True)
class Places:
    """Decimal places of what is typed into a menu: chromaticities, gamma, cd/m²; common practice, no source."""

    xy: int = 4
    gamma: int = 2
    luminance: int = 1


MENU = Places()


def rounding_loss(compared: Compared, task: Task, settings: Settings, places: Places = MENU) -> float:
    """Return the mean CIEDE2000 with rounded settings less that with the exact ones; below zero by chance.

    Only what the monitor's menu takes is rounded. White and peak are rounded as they are read, room light
    included where its session holds it; the backlight stays, and what the panel cannot show clips.

    Args:
        compared: The monitor.
        task: What the settings were found for.
        settings: Exact.
        places: Of the sheet.
    """
    exact = compared.score_of(shown_by(task, settings))
    rounded = compared.score_of(shown_by(task, rounded_settings(compared, task, settings, places)))
    return rounded.mean - exact.mean


def rounded_settings(compared: Compared, task: Task, settings: Settings, places: Places = MENU) -> Settings:
    """Return settings with what the menu takes rounded as on the sheet."""
    adjusts = compared.monitor.adjusts
    read = settings.white_xyz + compared.veil.read
    pair, peak = chromaticity(read), float(read[1])
    pair = _rounded(pair, places.xy) if "white" in adjusts else pair
    peak = round(peak, places.luminance) if "luminance" in adjusts else peak
    primaries = settings.primaries_xyz
    if "primaries" in adjusts:
        pairs = [_rounded(chromaticity(light), places.xy) for light in primaries.T]
        primaries = np.stack([xy_to_unit_xyz(entry) for entry in pairs], axis=1)
    takes_gamma = "gamma" in adjusts and task.linear is None
    return replace(
        settings,
        white_xyz=peak * xy_to_unit_xyz(pair) - compared.veil.read,
        primaries_xyz=primaries,
        gamma=round(settings.gamma, places.gamma) if takes_gamma else settings.gamma,
    )


def shown_by(task: Task, settings: Settings) -> Array:
    """Return what a monitor shows with settings, shape (n, 3), cd/m²: their primaries scaled to add up to white."""
    s, panel = settings.backlight, task.panel
    black = s * panel.black_xyz
    directions = settings.primaries_xyz
    matrix = directions * np.linalg.solve(directions, settings.white_xyz - black)
    linear = task.signal**settings.gamma if task.linear is None else task.linear
    drive = np.clip(linear @ np.linalg.solve(panel.matrix, matrix).T, 0.0, s)
    return np.asarray(task.veil_xyz + black + drive @ panel.matrix.T)


def _rounded(pair: Pair, places: int) -> Pair:
    return round(pair[0], places), round(pair[1], places)
