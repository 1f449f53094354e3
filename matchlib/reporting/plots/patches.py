"""Difference by patch: all of them sorted, and the worst as they look side by side."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from matchlib.arrays import Array
from matchlib.matching.result import Detail, MonitorMatch, RoomMatch
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.style import (
    INK,
    LOOKS,
    NOW,
    SMALL,
    SOFT,
    TARGET,
    detail_of,
    key,
    reference_word,
    sheet,
)
from matchlib.reporting.words import join, name_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WORST = 6
Places = NDArray[np.intp]


def patches(room: RoomMatch, monitor: MonitorMatch) -> Drawing:
    """Return the CIEDE2000 of every patch, sorted, and swatches of the six worst.

    Args:
        room: The room; its projector is what the monitor is held against.
        monitor: A measured monitor.

    Raises:
        InputError: The monitor was not measured.
    """
    detail = detail_of(monitor)
    worst = np.argsort(-detail.now, kind="stable")[:_WORST]
    limits = None
    if room.settings is not None:
        limits = (room.settings.tolerances.mean_difference, room.settings.tolerances.p95_difference)
    with sheet() as figure:
        axes = figure.add_axes((0.095, 0.125, 0.475, 0.80))
        _sorted(axes, detail, limits)
        key(axes, (NOW, TARGET), loc="lower left", bbox_to_anchor=(0.0, 1.03), ncols=2)
        beside = figure.add_axes((0.635, 0.02, 0.36, 0.97))
        _swatches(beside, detail, worst, reference_word(room))
        svg = save_svg(figure)
    return Drawing("patches", name_of(monitor), _alt(detail, worst, limits), svg)


def display_colours(xyz: Array, white: Array) -> Array:
    """Return sRGB signals, 0 to 1, that show XYZ about right on a screen with a D65 white, shape (n, 3).

    The reference white becomes the screen's (Bradford). Where a colour is lighter than white, all are
    darkened by one factor, so that the lightest is as light as white; what sRGB cannot show is clipped.

    Args:
        xyz: cd/m², shape (n, 3).
        white: The reference white, cd/m², shape (3,).
    """
    import colour

    d65 = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    lightest = max(float(white[1]), float(xyz[:, 1].max(initial=0.0)))
    adapted = colour.adaptation.chromatic_adaptation_VonKries(
        xyz / lightest, white / white[1], d65, transform="Bradford"
    )
    return np.asarray(np.clip(colour.XYZ_to_sRGB(adapted), 0.0, 1.0))


def _sorted(axes: "Axes", detail: Detail, limits: tuple[float, float] | None) -> None:
    count = len(detail.now)
    rank = np.arange(1, count + 1)
    top = 1.0
    for name, differences in ((NOW, detail.now), (TARGET, detail.after)):
        look = LOOKS[name]
        falling = np.sort(differences)[::-1]
        axes.plot(rank, falling, **look.line())
        mean = float(differences.mean())
        axes.plot([count * 1.05], [mean], **look.marks(1.2), clip_on=False, linestyle="none")
        top = max(top, float(falling[0]))
    for limit, words in zip(limits or (), ("limit of the mean:", "limit for 95 %:"), strict=False):
        axes.axhline(limit, color=SOFT, linewidth=0.7, linestyle=(0, (1, 1.5)), zorder=1)
        axes.text(
            count,
            limit + 0.01 * top,
            f"{words} {limit:g}",
            fontsize=SMALL,
            color=SOFT,
            ha="right",
            va="bottom",
            zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.6},
        )
        top = max(top, limit * 1.1)
    axes.set_xlim(1, count * 1.05)
    axes.set_ylim(0, top * 1.05)
    axes.set_xticks([1, count], ["1", str(count)])
    axes.locator_params(axis="y", integer=True)  # a longer number would meet the label
    axes.set_xlabel("patches, worst first; marks: mean")
    axes.set_ylabel("CIEDE2000")


def _swatches(axes: "Axes", detail: Detail, worst: Places, word: str) -> None:
    """Draw the worst patches as pairs without a gap, for a gap hides a difference."""
    from matplotlib.patches import Rectangle

    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(_WORST + 0.45, -0.02)
    axes.text(0, 0.28, f"{word} | monitor", fontsize=SMALL, color=SOFT)
    both = np.vstack([detail.wanted_xyz[worst], detail.now_xyz[worst]])
    wanted, now = np.split(display_colours(both, detail.reference_white), 2)
    for row, place in enumerate(worst.tolist()):
        top = row + 0.45
        for left, colours in ((0.0, wanted), (0.16, now)):
            axes.add_patch(Rectangle((left, top), 0.16, 0.82, facecolor=colours[row], linewidth=0))
        axes.add_patch(Rectangle((0, top), 0.32, 0.82, fill=False, edgecolor=SOFT, linewidth=0.4))
        axes.text(0.37, top + 0.36, f"{detail.now[place]:.1f} → {detail.after[place]:.1f}", color=INK)
        axes.text(0.37, top + 0.75, detail.labels[place], fontsize=SMALL, color=SOFT)


def _alt(detail: Detail, worst: Places, limits: tuple[float, float] | None) -> str:
    p95 = {name: float(np.percentile(values, 95)) for name, values in ((NOW, detail.now), (TARGET, detail.after))}
    held = ("", "") if limits is None else tuple(f" (limit {limit:g})" for limit in limits)
    named = join([f"{detail.labels[place]} {detail.now[place]:.1f}" for place in worst.tolist()])
    return (
        f"CIEDE2000 of {len(detail.now)} patches, sorted: mean {detail.now.mean():.2f} now{held[0]}, "
        f"{detail.after.mean():.2f} with the target; 95 % of the patches within {p95[NOW]:.2f} now{held[1]}, "
        f"{p95[TARGET]:.2f} with the target. The worst now: {named}. "
        "Their swatches are approximate: the projector's white is shown as the reader's white, or below it "
        "where a patch is lighter, and what sRGB cannot show is clipped."
    )
