"""How sure the figures of one display are, by themselves: the law of propagation (JCGM 100:2008, 5.1.2)."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.errors_of_readings import Display
from matchlib.matching.misreading import COMMON, EACH, NOISE, Misread
from matchlib.matching.result import Expanded, Figures
from matchlib.perception.difference import xy
from matchlib.readings.instrument_noise import LEVEL, t_factor


def with_uncertainty(figures: Figures, display: Display) -> Figures:
    """Return figures with their expanded uncertainties; what was not read has none.

    Args:
        figures: Of the display, as read.
        display: The same with what can be wrong with it.
    """
    expanded = expanded_figures(display)
    known = {name: value for name, value in expanded.items() if getattr(figures, name) is not None}
    return replace(figures, uncertainty=Expanded(LEVEL, **known))


def expanded_figures(display: Display) -> dict[str, Any]:
    """Return expanded uncertainties by name of figure: instrument, residual, drift and repeats.

    k is Student's t at the effective degrees of freedom (JCGM 100:2008, G.4): 2 where repeats hardly count.
    """
    parts = linear_parts(display)
    freedom = np.inf if display.scatter is None else display.scatter.freedom
    found: dict[str, Any] = {}
    for name, errors in parts.items():
        total, noise = (errors**2).sum(axis=0), (errors[NOISE] ** 2).sum(axis=0)
        effective = np.divide(
            freedom * total**2, noise**2, out=np.full_like(total, np.inf), where=noise > 1e-6 * total
        )
        sizes = [t_factor(float(f)) * float(np.sqrt(v)) for f, v in zip(effective, total, strict=True)]
        found[name] = sizes[0] if len(sizes) == 1 else tuple(sizes)
    return found


def linear_parts(display: Display) -> Mapping[str, Array]:
    """Return what one standard uncertainty of each error makes of each figure, shape (errors, 1 or 2)."""
    step = np.eye(EACH)
    up, down = figures_read(display, step), figures_read(display, -step)
    return {name: (up[name] - down[name]) / 2 for name in up}


def figures_read(display: Display, own: Array) -> dict[str, Array]:
    """Return figures as they would be read under errors, shape (s, errors) to (s, 1), of chromaticities (s, 2)."""
    read = Misread(display, np.zeros((len(own), COMMON)), own, alone=True)
    white, black, primaries = read.white(), read.black(), read.primaries()
    light = white[:, 1] - black[:, 1]
    dark = np.where(black[:, 1] > 0, black[:, 1], np.nan)
    figures = {
        "luminance": white[:, 1],
        "black": black[:, 1],
        "contrast": white[:, 1] / dark,
        "gamma": display.response.gamma + read.gamma(),
        "additivity_error": primaries[..., 1].sum(axis=1) / light - 1,
    }
    chromaticities = {"white_xy": xy(white)}
    chromaticities |= {f"{name}_xy": xy(primaries[:, i]) for i, name in enumerate(("red", "green", "blue"))}
    return {name: value[:, None] for name, value in figures.items()} | chromaticities
