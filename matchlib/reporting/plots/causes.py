"""Where the mean difference comes from: a step a cause, from nothing to the mean."""

from itertools import accumulate
from typing import TYPE_CHECKING, Any

from matchlib.errors import InputError, Problem
from matchlib.matching.result import MonitorMatch, RoomMatch
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.style import HAIR, INK, SMALL, SOFT, WIDTH, sheet
from matchlib.reporting.words import name_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH, _HEIGHT = 2 * WIDTH, 0.76  # inch: a strip across the page
_BAR = 0.62  # of a row
_LEAST = 1.0  # CIEDE2000: the picture ends no nearer, so that little looks like little
_FORWARD: dict[str, Any] = {"facecolor": "0.45", "edgecolor": "0.45"}
_BACKWARD: dict[str, Any] = {"facecolor": "white", "edgecolor": INK, "hatch": "//////"}
_SUM: dict[str, Any] = {"facecolor": INK, "edgecolor": INK}
_NAMES = {"remainder": "the rest"}
_TOTAL = "together"


def causes(room: RoomMatch, monitor: MonitorMatch) -> Drawing:  # noqa: ARG001 - every figure takes both
    """Return the shares of the mean CIEDE2000 as steps from left to right, and their sum below.

    A share below zero is a hatched step to the left: it hides part of another.

    Args:
        room: The room.
        monitor: A measured monitor with its causes; also one that was read back from ``match.json``.

    Raises:
        InputError: Its causes are not known.
    """
    if monitor.causes is None:
        what = f"monitor {monitor.monitor}: its causes are not known"
        raise InputError(Problem(what, "draw measured monitors of a room that matchlib.match_room returned"))
    shares = [(_NAMES.get(entry["cause"], entry["cause"]), float(entry["share"])) for entry in monitor.causes]
    with sheet(_WIDTH, _HEIGHT) as figure:
        axes = figure.add_axes((0.115, 0.02, 0.80, 0.96))
        _steps(axes, shares)
        _frame(axes, shares)
        svg = save_svg(figure)
    return Drawing("causes", name_of(monitor), _alt(shares), svg)


def signed(share: float) -> str:
    """Return a share with two places and a true minus sign; what rounds to zero has none."""
    text = f"{share:.2f}"
    return text.replace("-", "" if float(text) == 0 else "\u2212")


def _ends(shares: list[tuple[str, float]]) -> list[float]:
    """Return where each step begins, and where the last one ends."""
    return list(accumulate((share for _, share in shares), initial=0.0))


def _steps(axes: "Axes", shares: list[tuple[str, float]]) -> None:
    ends = _ends(shares)
    looks = [*(_FORWARD if share >= 0 else _BACKWARD for _, share in shares), _SUM]
    lengths = [*(share for _, share in shares), ends[-1]]
    for place, (share, left, look) in enumerate(zip(lengths, [*ends[:-1], 0.0], looks, strict=True)):
        axes.barh(place, share, height=_BAR, left=left, linewidth=0.5, zorder=3, **look)
        axes.annotate(
            signed(share),
            (max(left, left + share), place),
            (3, 0),
            textcoords="offset points",
            fontsize=SMALL,
            color=INK,
            va="center_baseline",
            zorder=5,
        )
        if place < len(shares):  # where this step ends, the next begins
            edge = ends[place + 1]
            axes.plot([edge, edge], [place, place + 1], color=SOFT, linewidth=0.5, zorder=2)


def _frame(axes: "Axes", shares: list[tuple[str, float]]) -> None:
    ends = _ends(shares)
    low, high = min(ends), max(ends)
    names = [*(name for name, _ in shares), _TOTAL]
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), names, fontsize=SMALL)
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(low, max(high, _LEAST))
    axes.set_xticks([])
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.axvline(0, color=HAIR, linewidth=0.5, zorder=1, clip_on=False)


def _alt(shares: list[tuple[str, float]]) -> str:
    listed = ", ".join(f"{name} {signed(share)}" for name, share in shares)
    below = any(signed(share).startswith("\u2212") for _, share in shares)
    hidden = " A share below zero hides part of the others." if below else ""
    total = signed(sum(share for _, share in shares))
    return f"Where the mean difference comes from, in CIEDE2000: {listed}; together {total}.{hidden}"
