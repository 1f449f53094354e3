"""A lamp change in two figures: what moved on the screen, and how the monitors of a room look beside it."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.lamp import LampMonitor, LampRoom
from matchlib.matching.lamp_moved import ScreenChange
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.overview import limit_line, numbered_rows, zones
from matchlib.reporting.plots.style import HAIR, LOOKS, NOW, PALE, SMALL, SOFT, TARGET, Look, note, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH, _HEIGHT = 6.7, 2.5  # inch: a report's text width
_ROW, _ABOVE, _BELOW = 0.17, 0.26, 0.42
_LEAST = 11.5  # CIEDE2000: the axis ends no nearer, so that every word has its place
_NEAR = 0.004  # Δu′v′ from the old white to the edge, at least
_ELLIPSE = np.sqrt(-2 * np.log(0.05))  # of 95 % of a normal distribution in two dimensions
_DARKEST = 0.2  # signal: darker greys hold too much black to tell the lamp's light
_LOWEST = 5.0  # %, of the axis of luminance, at least
_BEFORE = Look("0.45", (0, (1, 1.5)), 1.1, "s", 3.4, False, 2.5)


def lamp_moved(change: ScreenChange) -> Drawing:
    """Return how the white moved in u′, v′, with its 95 % ellipse, and how the luminance of each grey changed.

    Args:
        change: Of one entry of the machine.
    """
    with sheet(_WIDTH, _HEIGHT) as figure:
        left = figure.add_axes((0.09, 0.16, 0.295, 0.79))
        _white(left, change)
        right = figure.add_axes((0.53, 0.16, 0.45, 0.79))
        light = _light(change)
        _greys(right, change, light)
        svg = save_svg(figure)
    return Drawing("lamp_moved", change.entry, _moved_alt(change, light), svg)


def _white(axes: "Axes", change: ScreenChange) -> None:
    """Draw the step of white from where it was, a thousandth of u′, v′ the unit of the axes."""
    step = 1000 * change.white_step
    values, turns = np.linalg.eigh(1e6 * change.white_covariance)
    angles = np.linspace(0, 2 * np.pi, 73)
    circle = np.stack([np.cos(angles), np.sin(angles)])
    ellipse = step[:, None] + _ELLIPSE * turns @ (np.sqrt(np.maximum(values, 0.0))[:, None] * circle)
    edge = max(1000 * _NEAR, 1.15 * float(np.abs(ellipse).max()))
    axes.axhline(0, color=HAIR, linewidth=0.5, zorder=0)
    axes.axvline(0, color=HAIR, linewidth=0.5, zorder=0)
    axes.fill(*ellipse, facecolor=PALE, edgecolor=LOOKS[NOW].color, linewidth=0.8, zorder=1)
    axes.plot([0, step[0]], [0, step[1]], color=SOFT, linewidth=0.9, zorder=2)
    axes.plot([0], [0], **_BEFORE.marks(1.3), linestyle="none", zorder=3)
    axes.plot([step[0]], [step[1]], **LOOKS[NOW].marks(1.3), linestyle="none", zorder=4)
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlim(-edge, edge)
    axes.set_ylim(-edge, edge)
    axes.set_xlabel("u′ of white, change in 0.001")
    axes.set_ylabel("v′ of white, change in 0.001")
    note(axes, 0.02, 0.98, "square: old lamp\ndot: new lamp, 95 %", va="top")


def _light(change: ScreenChange) -> Array:
    """Return the change of luminance of the brighter greys, %, shape (2, m): signal in %, and change."""
    bright = change.greys >= _DARKEST
    ratio = change.light[1, bright] / change.light[0, bright] - 1
    return np.stack([100 * change.greys[bright], 100 * ratio])


def _greys(axes: "Axes", change: ScreenChange, light: Array) -> None:
    luminance = change.of("luminance")
    if luminance is not None:
        middle, sure = 100 * luminance.change, 100 * luminance.uncertainty
        axes.axhspan(middle - sure, middle + sure, color="0.85", linewidth=0, zorder=0)
        note(axes, 0.99, 0.98, "band: white's change and its uncertainty (k = 2)", ha="right", va="top")
    axes.axhline(0, color=SOFT, linewidth=0.7, linestyle=_BEFORE.dash, zorder=1)
    axes.plot(*light, **LOOKS[NOW].line(), **LOOKS[NOW].marks(), clip_on=False)
    low, high = min(0.0, float(light[1].min())), max(0.0, float(light[1].max()))
    axes.set_ylim(low - _LOWEST / 2, high + max(_LOWEST, 0.3 * (high - low)))
    axes.set_xlim(100 * _DARKEST - 2, 100)
    axes.set_xlabel("signal of the grey, %")
    axes.set_ylabel("luminance, new lamp over old, %")


def _moved_alt(change: ScreenChange, light: Array) -> str:
    white, luminance = change.of("white"), change.of("luminance")
    u, v = 1000 * change.white_step
    told = [f"White moved by {u:+.1f} in u′ and {v:+.1f} in v′, thousandths"]
    if white is not None:
        told.append(f"Δu′v′ {white.change:.4f} where the readings alone may make {white.uncertainty:.4f}")
    if luminance is not None:
        sure = 100 * luminance.uncertainty
        told.append(f"white's luminance changed by {100 * luminance.change:+.1f} % ± {sure:.1f} %")
    told.append(f"that of the greys by {light[1].min():+.1f} % to {light[1].max():+.1f} %")
    return "; ".join(told) + "."


def lamp_overview(room: LampRoom) -> Drawing:
    """Return one row a monitor of a room: mean CIEDE2000 beside the old lamp, beside the new, and once it is set.

    Rows are numbered in the room's order; the axis is the square root of the difference.
    """
    count = max(len(room.monitors), 1)
    height = _ABOVE + _BELOW + _ROW * count
    ends = [_ends(monitor) for monitor in room.monitors]
    end = max([_LEAST, *(1.08 * value for row in ends for value in row)])
    tolerances = room.after.tolerances
    with sheet(_WIDTH, height) as figure:
        axes = figure.add_axes((0.035, _BELOW / height, 0.80, _ROW * count / height))
        zones(axes, end)
        for place, row in enumerate(ends):
            _row(axes, place, row)
        if tolerances is not None:
            limit_line(axes, tolerances.mean_difference)
        _frame(axes, count, end)
        svg = save_svg(figure)
    return Drawing("lamp_overview", room.after.room, _overview_alt(room, ends), svg)


def _ends(monitor: LampMonitor) -> list[float]:
    """Return the mean difference before, after, and where something is to be set, with the new target."""
    before, after, target = monitor.before.difference, monitor.after.difference, monitor.target
    if before is None or after is None:
        return []
    return [before.mean, after.mean] + ([target.expected.mean] if monitor.visit and target is not None else [])


def _row(axes: "Axes", place: int, ends: list[float]) -> None:
    across = axes.get_yaxis_transform()
    if not ends:
        axes.text(0.012, place, "not measured", color=SOFT, va="center", style="italic", transform=across)
        return
    axes.axhline(place, color=HAIR, linewidth=0.4, zorder=0.5)
    roots = np.sqrt(ends)
    axes.plot(roots[:2], [place] * 2, color=SOFT, linewidth=1.0, zorder=2)
    for look, root in zip((_BEFORE, LOOKS[NOW], LOOKS[TARGET]), roots.tolist(), strict=False):
        inside = {"markerfacecolor": look.color if look.filled else "white"}
        axes.plot([root], [place], **look.marks(1.3) | inside, linestyle="none", zorder=7 - look.order, clip_on=False)
    axes.text(1.012, place, " → ".join(f"{value:.1f}" for value in ends), va="center", transform=across)


def _frame(axes: "Axes", count: int, end: float) -> None:
    from matplotlib.lines import Line2D

    numbered_rows(axes, count, end, "old → new → set")
    looks = {"old lamp": _BEFORE, "new lamp": LOOKS[NOW], "once set": LOOKS[TARGET]}
    samples = [Line2D([], [], linestyle="none", **look.marks(1.2)) for look in looks.values()]
    place = {"loc": "lower right", "bbox_to_anchor": (0.97, 1.0), "ncols": 3, "columnspacing": 1.2}
    axes.legend(samples, list(looks), frameon=False, fontsize=SMALL, borderpad=0.0, handletextpad=0.3, **place)


def _overview_alt(room: LampRoom, ends: list[list[float]]) -> str:
    names = ("old lamp", "new lamp", "once set")
    rows = []
    for place, row in enumerate(ends, 1):
        told = ", ".join(f"{value:.2f} {name}" for name, value in zip(names, row, strict=False))
        rows.append(f"{place}: {told or 'not measured'}")
    limit = "" if room.after.tolerances is None else f"; the limit is {room.after.tolerances.mean_difference:g}"
    return f"Mean difference of each monitor from the screen in CIEDE2000{limit}. {'; '.join(rows)}."
