"""How every figure looks: sizes, line styles, marks, the key; readable in black and white."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from matchlib.arrays import Array
from matchlib.errors import InputError, Problem
from matchlib.matching.result import Detail, MonitorMatch, RoomMatch

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH, HEIGHT = 3.35, 2.7  # inch: half of a report's text width
SIZE, SMALL = 7.0, 6.2  # pt in print
INK, SOFT, HAIR, PALE = "0.08", "0.35", "0.75", "0.93"
# Okabe & Ito, "Color Universal Design" (2008): a palette that colour-blind readers tell apart.
VERMILION, BLUE, SKY = "#D55E00", "#0072B2", "#56B4E9"


@dataclass(frozen=True, slots=True)
class Look:
    """How one kind of display is drawn: colour, dash and mark each tell it from the others."""

    color: str
    dash: str | tuple[int, tuple[float, ...]]
    width: float
    mark: str
    size: float
    filled: bool
    order: float

    def line(self) -> dict[str, Any]:
        """Return the arguments of a line without marks."""
        return {
            "color": self.color,
            "linestyle": self.dash,
            "linewidth": self.width,
            "zorder": self.order,
            "solid_joinstyle": "round",
        }

    def marks(self, scale: float = 1.0) -> dict[str, Any]:
        """Return the arguments of the marks on a line; hollow ones let the mark beneath be seen."""
        return {
            "marker": self.mark,
            "markersize": scale * self.size,
            "markeredgewidth": 0.9,
            "markeredgecolor": self.color,
            "markerfacecolor": self.color if self.filled else "none",
        }


PROJECTOR, NOW, TARGET = "projector", "monitor now", "with target"
# The projector lies broad and grey beneath; the target, which often covers it, thin and dashed above.
LOOKS = MappingProxyType(
    {
        PROJECTOR: Look("0.62", "-", 2.6, "s", 5.0, True, 2.0),
        NOW: Look(VERMILION, "-", 1.1, "o", 2.9, True, 3.0),
        TARGET: Look(BLUE, (0, (3.5, 1.6)), 1.1, "D", 4.0, False, 4.0),
    }
)
_OURS = MappingProxyType(
    {
        "font.family": "DejaVu Sans",
        "font.size": SIZE,
        "svg.fonttype": "none",
        "hatch.linewidth": 0.4,
        "axes.linewidth": 0.5,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "axes.labelpad": 2.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.formatter.useoffset": False,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.major.size": 2.0,
        "ytick.major.size": 2.0,
        "xtick.major.width": 0.5,
        "ytick.major.width": 0.5,
        "xtick.major.pad": 2.0,
        "ytick.major.pad": 2.0,
        "text.color": INK,
    }
)
_GROUPS = (
    *("axes", "figure", "font", "grid", "hatch", "lines", "markers", "mathtext", "patch", "path"),
    *("savefig", "svg", "text", "xtick", "ytick"),
)


@lru_cache(maxsize=1)
def _settings() -> Mapping[str, Any]:
    """Return matplotlib's defaults with ours above, so that nobody's own settings change a figure."""
    from matplotlib import rcParamsDefault

    return {key: rcParamsDefault[key] for key in rcParamsDefault if key.split(".")[0] in _GROUPS} | dict(_OURS)


@contextmanager
def sheet(width: float = WIDTH, height: float = HEIGHT) -> Iterator["Figure"]:
    """Give an empty figure, in inch; draw and save it inside, where the look of the house holds."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(dict(_settings())):
        yield Figure(figsize=(width, height))


def detail_of(monitor: MonitorMatch) -> Detail:
    """Return what a monitor's figures are drawn from.

    Raises:
        InputError: It was not measured, or was read back from ``match.json``.
    """
    if monitor.detail is None:
        what = f"monitor {monitor.monitor}: there are no readings to draw"
        raise InputError(Problem(what, "draw measured monitors of a room that matchlib.match_room returned"))
    return monitor.detail


def reference_word(room: RoomMatch) -> str:
    """Return what the monitors are held against: ``projector``, or ``encoding`` where a room follows that."""
    return "encoding" if room.settings is not None and room.settings.reference == "nominal" else PROJECTOR


def grey_places(detail: Detail) -> tuple[list[int], Array]:
    """Return where the greys stand in a detail, dark to light, and the projector's signals, shape (k,)."""
    import numpy as np

    from matchlib.patches import standard_list

    listed = standard_list()
    greys = {
        label: signal[0]
        for label, signal in zip(listed.labels, listed.signal.tolist(), strict=True)
        if min(signal) == max(signal)
    }
    found = sorted((greys[label], place) for place, label in enumerate(detail.labels) if label in greys)
    return [place for _, place in found], np.array([signal for signal, _ in found], dtype=np.float64)


def key(axes: "Axes", names: tuple[str, ...], words: Mapping[str, str] | None = None, **place: Any) -> None:
    """Name the lines of a figure by samples that show dash and mark.

    Args:
        axes: Where the key stands.
        names: Keys of ``LOOKS``.
        words: Other words for them.
        place: Arguments of a legend: ``loc``, ``bbox_to_anchor``, ``ncols``.
    """
    from matplotlib.lines import Line2D

    marks = {name: {} if name == PROJECTOR else LOOKS[name].marks() for name in names}
    samples = [Line2D([], [], **LOOKS[name].line(), **marks[name]) for name in names]
    axes.legend(
        samples,
        [(words or {}).get(name, name) for name in names],
        **{"frameon": False, "fontsize": SMALL, "handlelength": 2.2, "borderpad": 0.0, "borderaxespad": 0.0}
        | {"handletextpad": 0.5, "labelspacing": 0.3, "columnspacing": 1.2}
        | place,
    )


def error_bar() -> dict[str, Any]:
    """Return the arguments of an error bar of the monitor as it is now."""
    return {"ecolor": LOOKS[NOW].color, "elinewidth": 0.8, "capsize": 2.0, "capthick": 0.8, "fmt": "none"}


def note(axes: "Axes", x: float, y: float, text: str, **style: Any) -> None:
    """Write small words at a place in parts of the axes."""
    arguments: dict[str, Any] = {"fontsize": SMALL, "color": SOFT, "transform": axes.transAxes}
    axes.text(x, y, text, **arguments | style)
