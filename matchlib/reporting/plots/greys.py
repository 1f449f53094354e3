"""Tint of the greys against the projector's, from dark to white."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.perception.difference import uv
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

DARKEST = 0.05  # cd/m²: below it few instruments tell a tint from noise; common practice, no source
_AXES = (("Δu′ × 1000", "redder", "more cyan"), ("Δv′ × 1000", "yellower", "bluer"))


def greys(room: RoomMatch, monitor: MonitorMatch) -> Drawing:
    """Return Δu′ and Δv′ of the greys less the projector's of the same signal, in thousandths.

    Greys darker than 0.05 cd/m² on any of the displays are left out.

    Args:
        room: The room; its projector is what the monitor is held against.
        monitor: A measured monitor.

    Raises:
        InputError: The monitor was not measured.
    """
    detail = detail_of(monitor)
    places, signal = grey_places(detail)
    wanted, now, after = detail.wanted_xyz[places], detail.now_xyz[places], detail.after_xyz[places]
    light = np.minimum(np.minimum(wanted[:, 1], now[:, 1]), after[:, 1]) >= DARKEST
    signal = signal[light]
    tints = {name: 1000 * (uv(xyz) - uv(wanted))[light] for name, xyz in ((NOW, now), (TARGET, after))}
    limit = None if room.settings is None else 1000 * room.settings.tolerances.white
    word = reference_word(room)
    with sheet() as figure:
        greatest = max((float(np.abs(values).max(initial=0.0)) for values in tints.values()), default=0.0)
        span = max(2.0, 1.6 * (limit or 0.0), 1.6 * greatest)
        for place, bottom in ((0, 0.575), (1, 0.125)):
            axes = figure.add_axes((0.14, bottom, 0.83, 0.35))
            _tracking(axes, signal, {name: values[:, place] for name, values in tints.items()}, limit)
            if detail.white_covariance is not None and len(signal):
                error = 2000 * float(np.sqrt(detail.white_covariance[place, place]))
                _bar(axes, 100 * signal[-1], tints[NOW][-1, place], error)
            _frame(axes, _AXES[place], span, last=place == 1)
            if place == 0:
                words = {PROJECTOR: word}
                key(
                    axes,
                    (PROJECTOR, NOW, TARGET),
                    words,
                    loc="lower left",
                    bbox_to_anchor=(0.0, 1.03),
                    ncols=3,
                )
        svg = save_svg(figure)
    left_out = len(places) - len(signal)
    return Drawing("greys", name_of(monitor), _alt(word, signal, tints, limit, left_out), svg)


def _tracking(axes: "Axes", signal: Array, values: dict[str, Array], limit: float | None) -> None:
    if limit is not None:
        axes.axhspan(-limit, limit, color=PALE, linewidth=0, zorder=0)
    axes.axhline(0, **LOOKS[PROJECTOR].line())
    for name, line in values.items():
        axes.plot(100 * signal, line, **LOOKS[name].line(), **LOOKS[name].marks(), clip_on=False)
    if not len(signal):
        note(axes, 0.5, 0.7, "no grey is light enough", ha="center", va="center")


def _bar(axes: "Axes", signal: float, value: float, error: float) -> None:
    """Draw the uncertainty (k = 2) of white; one step in x, y is most of it, and moves all greys alike."""
    axes.errorbar([signal], [value], [error], clip_on=False, zorder=LOOKS[NOW].order, **error_bar())


def _frame(axes: "Axes", words: tuple[str, str, str], span: float, *, last: bool) -> None:
    label, above, below = words
    axes.set_ylim(-span, span)
    axes.locator_params(axis="y", nbins=5)
    axes.set_ylabel(label)
    axes.yaxis.set_label_coords(-0.12, 0.5)
    note(axes, 0.995, 0.985, above, ha="right", va="top")
    note(axes, 0.995, 0.015, below, ha="right", va="bottom")
    axes.set_xlim(0, 101)
    ticks = [0, 25, 50, 75, 100]
    axes.set_xticks(ticks, [str(tick) for tick in ticks] if last else [])
    if last:
        axes.set_xlabel("signal of the grey, %; grey band: the white's limit")


def _alt(word: str, signal: Array, tints: dict[str, Array], limit: float | None, left_out: int) -> str:
    if not len(signal):
        return f"Tint of the greys: none is above {DARKEST:g} cd/m² on both displays, so nothing is drawn."
    parts = []
    for name, when in ((NOW, "now"), (TARGET, "with the target")):
        distance = np.hypot(*tints[name].T)
        place = int(distance.argmax())
        most = f"at most {distance[place]:.1f} at {100 * signal[place]:.0f} % signal"
        parts.append(f"{when} mean {distance.mean():.1f}, {most}")
    held = "" if limit is None else f" The white's limit is {limit:g}."
    dark = f" {left_out} darker than {DARKEST:g} cd/m² are left out." if left_out else ""
    return (
        f"Tint of {len(signal)} greys against the {word}'s of the same signal, Δu′v′ in thousandths: "
        f"{'; '.join(parts)}.{held}{dark}"
    )
