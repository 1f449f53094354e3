"""All monitors of a room at a glance: mean difference now, and with the target."""

from typing import TYPE_CHECKING, Any

import numpy as np

from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.outlook import is_set
from matchlib.reporting.plots.style import (
    HAIR,
    INK,
    LOOKS,
    NOW,
    SOFT,
    TARGET,
    key,
    note,
    sheet,
)
from matchlib.reporting.words import SIZES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH = 6.7  # inch: a report's text width
_ROW, _ABOVE, _BELOW = 0.17, 0.26, 0.42
_LEAST = 11.5  # CIEDE2000: the axis ends no nearer, so that every word has its place


def overview(room: RoomMatch) -> Drawing:
    """Return one row a monitor, numbered in the order given, on an axis of mean CIEDE2000 with words.

    The axis is the square root of the difference. A monitor that the sheet leaves as it is has no open mark.

    Args:
        room: The room; also one that was read back from ``match.json``.
    """
    count = max(len(room.monitors), 1)
    height = _ABOVE + _BELOW + _ROW * count
    limit = None if room.settings is None else room.settings.tolerances.mean_difference
    end = max([_LEAST, *(1.08 * value for monitor in room.monitors for value in _ends(monitor))])
    with sheet(_WIDTH, height) as figure:
        axes = figure.add_axes((0.035, _BELOW / height, 0.855, _ROW * count / height))
        zones(axes, end)
        for place, monitor in enumerate(room.monitors):
            _row(axes, place, monitor)
        if limit is not None:
            limit_line(axes, limit)
        _frame(axes, count, end)
        svg = save_svg(figure)
    return Drawing("overview", "", _alt(room, limit), svg)


def _ends(monitor: MonitorMatch) -> list[float]:
    """Return the mean difference now, and with the target where there is something to set."""
    now = [] if monitor.difference is None else [monitor.difference.mean]
    return [*now, monitor.set_to.expected.mean] if is_set(monitor) and monitor.set_to is not None else now


def _sure(monitor: MonitorMatch) -> tuple[float, float]:
    """Return how far the mean difference now may be off (k = 2 or the 95 % interval, as in the verdict's check)."""
    mean = 0.0 if monitor.difference is None else monitor.difference.mean
    checks = [check for check in monitor.verdict.checks if check.name == "mean_difference"]
    expanded = (checks[0].uncertainty or 0.0) if checks else 0.0
    return max(0.0, mean - expanded), mean + expanded


def zones(axes: "Axes", end: float) -> None:
    """Shade an axis of roots of mean CIEDE2000 by the words for its sizes, up to ``end``."""
    low = 0.0
    for place, (high, word, _) in enumerate(SIZES):
        left, right = np.sqrt(low), np.sqrt(min(high, end))
        axes.axvspan(left, right, color=("0.97", "0.90")[place % 2], linewidth=0, zorder=0)
        axes.annotate(
            word,
            ((left + right) / 2, 0),
            (0, -13),
            xycoords=axes.get_xaxis_transform(),
            textcoords="offset points",
            ha="center",
            va="top",
        )
        low = high


def _row(axes: "Axes", place: int, monitor: MonitorMatch) -> None:
    ends = _ends(monitor)
    across = axes.get_yaxis_transform()
    if not ends:
        axes.text(0.012, place, "not measured", color=SOFT, va="center", style="italic", transform=across)
        return
    axes.axhline(place, color=HAIR, linewidth=0.4, zorder=0.5)
    roots = np.sqrt(ends)
    low, high = _sure(monitor)
    if high > low:
        bar: dict[str, Any] = {"color": LOOKS[NOW].color, "linewidth": 0.8, "zorder": 3}
        axes.plot(np.sqrt([low, high]), [place] * 2, marker="|", markersize=5, markeredgewidth=0.8, **bar)
    axes.plot(roots, [place] * len(ends), color=SOFT, linewidth=1.0, zorder=2)
    # the small full mark lies above the wide hollow one, so that both are seen where they meet
    for name, root in zip((NOW, TARGET), roots.tolist(), strict=False):
        look = LOOKS[name]
        inside = {"markerfacecolor": look.color if look.filled else "white"}
        axes.plot(
            [root],
            [place],
            **look.marks(1.3) | inside,
            linestyle="none",
            zorder=7 - look.order,
            clip_on=False,
        )
    axes.text(1.012, place, " → ".join(f"{value:.1f}" for value in ends), va="center", transform=across)


def limit_line(axes: "Axes", limit: float) -> None:
    """Draw the limit of the mean difference on such an axis."""
    root = float(np.sqrt(limit))
    axes.axvline(root, color=INK, linewidth=0.9, linestyle=(0, (1, 1.5)), zorder=1.5)
    axes.text(root, 1.0, f"limit {limit:g}", transform=axes.get_xaxis_transform(), ha="center", va="bottom")


def numbered_rows(axes: "Axes", count: int, end: float, ends: str) -> None:
    """Set up an axis of roots of mean CIEDE2000 with a numbered row a monitor; ``ends``: what its numbers are."""
    axes.set_ylim(count - 0.5, -0.5)
    axes.set_yticks(range(count), [str(place + 1) for place in range(count)])
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(0, np.sqrt(end))
    ticks = [value for value in (0, 0.5, 1, 2, 4, 8, 16, 32, 64) if value <= end]
    axes.set_xticks(np.sqrt(ticks), [f"{value:g}" for value in ticks])
    axes.spines["left"].set_visible(False)
    note(axes, 1.012, 1.0, ends, va="bottom")


def _frame(axes: "Axes", count: int, end: float) -> None:
    numbered_rows(axes, count, end, "now → target")
    key(axes, (NOW, TARGET), loc="lower right", bbox_to_anchor=(0.97, 1.0), ncols=2)


def _alt(room: RoomMatch, limit: float | None) -> str:
    held = "" if limit is None else f"; the limit is {limit:g}"
    rows = []
    for place, monitor in enumerate(room.monitors, 1):
        ends = [f"{value:.2f}" for value in _ends(monitor)]
        told = f"{' now, '.join(ends)}{' with the target' if len(ends) > 1 else ' now'}" if ends else "not measured"
        low, high = _sure(monitor)
        if ends and high > low:
            told += f" (now from {low:.2f} to {high:.2f})"
        rows.append(f"{place}: {told}")
    return f"Mean difference of each monitor from the screen in CIEDE2000{held}. {'; '.join(rows)}."
