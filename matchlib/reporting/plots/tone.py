"""Tone: the exponent of each grey, and how much lighter or darker the greys are than the projector's."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.perception.difference import xyz_to_lab
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.style import (
    LOOKS,
    NOW,
    PALE,
    PROJECTOR,
    TARGET,
    detail_of,
    error_bar,
    grey_places,
    key,
    note,
    reference_word,
    sheet,
)
from matchlib.reporting.words import name_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SEEN = 0.01  # of the axis: about a quarter of a millimetre in print
_EVEN = 0.5  # L*: greys nearer than this are not called lighter or darker


def tone(room: RoomMatch, monitor: MonitorMatch) -> Drawing:
    """Return two axes over the projector's signal: exponent of the greys, and L* less the projector's.

    The exponent log((Y − Y_black) / (Y_white − Y_black)) / log(signal) is level for a pure gamma, so that an
    error of gamma shows as a step, and a lift of the shadows as a bend.

    Args:
        room: The room; its projector is what the monitor is held against.
        monitor: A measured monitor.

    Raises:
        InputError: The monitor was not measured.
    """
    detail = detail_of(monitor)
    places, signal = grey_places(detail)
    shown = {
        PROJECTOR: detail.wanted_xyz[places],
        NOW: detail.now_xyz[places],
        TARGET: detail.after_xyz[places],
    }
    exponents = {name: exponent(signal, xyz[:, 1]) for name, xyz in shown.items()}
    lightness = {name: xyz_to_lab(xyz, detail.reference_white)[:, 0] for name, xyz in shown.items()}
    steps = {name: lightness[name] - lightness[PROJECTOR] for name in (NOW, TARGET)}
    with sheet() as figure:
        upper = figure.add_axes((0.14, 0.575, 0.83, 0.35))
        lower = figure.add_axes((0.14, 0.125, 0.83, 0.35))
        _exponents(upper, signal, exponents, _band(room, monitor))
        _bar(upper, monitor)
        _steps(lower, signal, steps, reference_word(room))
        words = {PROJECTOR: reference_word(room)}
        key(upper, (PROJECTOR, NOW, TARGET), words, loc="lower left", bbox_to_anchor=(0.0, 1.03), ncols=3)
        svg = save_svg(figure)
    return Drawing("tone", name_of(monitor), _alt(room, monitor, signal, steps), svg)


def exponent(signal: Array, luminance: Array) -> Array:
    """Return log((Y − Y_black) / (Y_white − Y_black)) / log(signal) of greys, shape (k,).

    NaN at black and white, where light is not above black, and everywhere where black or white is missing.

    Args:
        signal: From 0 to 1, rising, shape (k,).
        luminance: cd/m², shape (k,).
    """
    found = np.full(len(signal), np.nan)
    if len(signal) < 3 or signal[0] != 0 or signal[-1] != 1:
        return found
    light = (luminance - luminance[0]) / (luminance[-1] - luminance[0])
    inner = (signal > 0) & (signal < 1) & (light > 0) & (light < 1)
    found[inner] = np.log(light[inner]) / np.log(signal[inner])
    return found


def _band(room: RoomMatch, monitor: MonitorMatch) -> tuple[float, float] | None:
    """Return the gammas within the limit; None where the ideal has no gamma or no limit is known."""
    if room.settings is None or monitor.ideal is None or monitor.ideal.gamma is None:
        return None
    limit = room.settings.tolerances.gamma
    return monitor.ideal.gamma - limit, monitor.ideal.gamma + limit


def _exponents(axes: "Axes", signal: Array, exponents: dict[str, Array], band: tuple[float, float] | None) -> None:
    known = np.concatenate([values[np.isfinite(values)] for values in exponents.values()])
    if band is not None and known.size:
        axes.axhspan(*band, color=PALE, linewidth=0, zorder=0)
        note(axes, 0.995, 0.97, "grey band: within the limit", ha="right", va="top")
    for name, values in exponents.items():
        marks = {} if name == PROJECTOR else LOOKS[name].marks()
        axes.plot(100 * signal, values, **LOOKS[name].line(), **marks)
    if known.size:
        low, high = known.min(), known.max()
        room_for = max(0.35, 0.62 * (high - low))
        axes.set_ylim((low + high) / 2 - room_for, (low + high) / 2 + 1.3 * room_for)
    else:
        note(axes, 0.5, 0.5, "too few greys", ha="center", va="center")
    axes.locator_params(axis="y", nbins=5)
    axes.set_ylabel("gamma per grey")
    axes.yaxis.set_label_coords(-0.12, 0.5)
    axes.set_xlim(0, 101)
    axes.set_xticks([0, 25, 50, 75, 100], [])


def _bar(axes: "Axes", monitor: MonitorMatch) -> None:
    """Draw the gamma of all greys with its uncertainty (k = 2) at white, where it can be seen in print."""
    figures = monitor.response
    error = None if figures is None or figures.uncertainty is None else figures.uncertainty.gamma
    low, high = axes.get_ylim()
    if error is None or figures is None or figures.gamma is None or error < _SEEN * (high - low):
        return
    axes.errorbar([100], [figures.gamma], [error], clip_on=False, zorder=LOOKS[NOW].order, **error_bar())


def _steps(axes: "Axes", signal: Array, steps: dict[str, Array], word: str) -> None:
    axes.axhline(0, **LOOKS[PROJECTOR].line())
    for name, values in steps.items():
        axes.plot(100 * signal, values, **LOOKS[name].line(), **LOOKS[name].marks(), clip_on=False)
    greatest = max((float(np.abs(values).max(initial=0.0)) for values in steps.values()), default=0.0)
    span = max(1.0, 1.6 * greatest)
    axes.set_ylim(-span, span)
    note(axes, 0.995, 0.985, f"lighter than the {word}", ha="right", va="top")
    note(axes, 0.995, 0.015, f"darker than the {word}", ha="right", va="bottom")
    axes.locator_params(axis="y", nbins=5)
    axes.set_ylabel("ΔL*")
    axes.yaxis.set_label_coords(-0.12, 0.5)
    axes.set_xlim(0, 101)
    axes.set_xticks([0, 25, 50, 75, 100], ["0", "25", "50", "75", "100"])
    axes.set_xlabel("signal of the grey, %")


def _alt(room: RoomMatch, monitor: MonitorMatch, signal: Array, steps: dict[str, Array]) -> str:
    word = reference_word(room)
    gammas = (
        (f"the {word}", None if monitor.ideal is None else monitor.ideal.gamma),
        ("the monitor now", None if monitor.response is None else monitor.response.gamma),
        ("the target", None if monitor.set_to is None else monitor.set_to.gamma),
    )
    told = ", ".join(f"{name} {'not known' if gamma is None else f'{gamma:.2f}'}" for name, gamma in gammas)
    sentences = [f"Gamma of the greys: {told}."]
    if len(signal):
        sentences.append(
            f"Now {_side(signal, steps[NOW], word)}; with the target {_side(signal, steps[TARGET], '')}."
        )
    else:
        sentences.append("There are no greys to draw.")
    return " ".join(sentences)


def _side(signal: Array, steps: Array, word: str) -> str:
    """Return where the greys are farthest from the projector's, in words."""
    place = int(np.abs(steps).argmax())
    size = float(steps[place])
    of = f" than the {word}'s" if word else ""
    if abs(size) < _EVEN:
        return f"no grey is more than {abs(size):.1f} L* off"
    direction = "lighter" if size > 0 else "darker"
    return f"greys are up to {abs(size):.1f} L* {direction}{of}, most at {100 * signal[place]:.0f} % signal"
