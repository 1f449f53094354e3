"""The colours that projector and monitor can make, in the CIE 1976 u′v′ diagram."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.displays.reach import Panel, gamut_planes
from matchlib.encoding import Encoding, Pair, xy_to_unit_xyz
from matchlib.matching.result import Figures, MonitorMatch, RoomMatch, Target
from matchlib.matching.verdict import uv_of, white_distance
from matchlib.perception.difference import uv
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.style import (
    HAIR,
    HEIGHT,
    INK,
    LOOKS,
    NOW,
    PROJECTOR,
    SKY,
    SMALL,
    SOFT,
    TARGET,
    WIDTH,
    detail_of,
    reference_word,
    sheet,
)
from matchlib.reporting.words import join, name_of, tint

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NEAR = 0.02  # Δu′v′ from the middle to the edge of the small picture of the whites, at least
_SEEN_OUTSIDE = 0.001  # Δu′v′: a primary nearer to the panel's edge is not called outside
_ELLIPSE = np.sqrt(-2 * np.log(0.05))  # of 95 % of a normal distribution in two dimensions
_CHANNELS = ("red", "green", "blue")


@lru_cache(maxsize=1)
def spectral_locus() -> Array:
    """Return u′, v′ of monochromatic light from 380 nm to 700 nm in steps of 5 nm, shape (65, 2).

    From the CIE 1931 2° colour-matching functions (CIE 015:2018) as colour-science keeps them.
    """
    import colour

    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    wanted = np.isin(observer.wavelengths, np.arange(380, 701, 5))
    return read_only(uv(observer.values[wanted]))


def chromaticity(room: RoomMatch, monitor: MonitorMatch) -> Drawing:
    """Return the gamut triangles and whites of projector, monitor and target, with the panel's reach.

    Args:
        room: The room; its projector is what the monitor is held against.
        monitor: A measured monitor.

    Raises:
        InputError: The monitor was not measured.
    """
    detail = detail_of(monitor)
    shown = _displays(room, monitor)
    reach = uv(detail.panel.matrix.T)
    limit = None if room.settings is None else room.settings.tolerances.white
    with sheet() as figure:
        axes = figure.add_axes((0.105, 0.125, 0.86, 0.865))
        _diagram(axes, reach)
        for name, display in shown.items():
            look = LOOKS[name]
            corners = np.array([uv_of(pair) for pair in (*display.primaries, display.primaries[0])])
            axes.plot(*corners.T, **look.line(), **look.marks())
            axes.plot(*uv_of(display.white), **look.marks(0.8), linestyle="none", zorder=look.order)
        _key(axes, reference_word(room))
        side = 0.9
        small = figure.add_axes((0.985 - side / WIDTH, 0.16, side / WIDTH, side / HEIGHT))
        _whites(small, {name: np.array(uv_of(display.white)) for name, display in shown.items()}, limit)
        if NOW in shown and detail.white_covariance is not None:
            middle = np.array(uv_of(shown[PROJECTOR].white))
            _ellipse(small, np.array(uv_of(shown[NOW].white)) - middle, detail.white_covariance)
        svg = save_svg(figure)
    return Drawing("chromaticity", name_of(monitor), _alt(room, shown, detail.panel, limit), svg)


@dataclass(frozen=True, slots=True)
class _Corners:
    """White and full primaries of one display, CIE 1931 x, y."""

    white: Pair
    primaries: tuple[Pair, Pair, Pair]


def _corners(display: Figures | Target | Encoding) -> _Corners:
    return _Corners(display.white_xy, (display.red_xy, display.green_xy, display.blue_xy))


def _displays(room: RoomMatch, monitor: MonitorMatch) -> dict[str, _Corners]:
    """Return what is drawn, by kind of display; the encoding for the projector in a room that follows it."""
    followed: Figures | Encoding = room.projector.response
    if reference_word(room) != PROJECTOR and room.projector.row is not None:
        followed = room.projector.row.encoding
    found: dict[str, Figures | Target | Encoding | None] = {
        PROJECTOR: followed,
        NOW: monitor.response,
        TARGET: monitor.set_to,
    }
    return {name: _corners(display) for name, display in found.items() if display is not None}


def _diagram(axes: "Axes", reach: Array) -> None:
    locus = spectral_locus()
    axes.plot(*np.vstack([locus, locus[:1]]).T, color=HAIR, linewidth=0.7, zorder=1)
    axes.fill(*reach.T, facecolor=SKY, alpha=0.16, linewidth=0, zorder=1)
    axes.fill(*reach.T, fill=False, edgecolor=SKY, hatch="/////", linewidth=0, zorder=1.1)
    axes.fill(*reach.T, fill=False, edgecolor=INK, linestyle=(0, (0.8, 1.6)), linewidth=0.8, zorder=2.5)
    axes.set_aspect("equal", adjustable="box", anchor="SW")
    axes.set_xlim(-0.02, 0.766)
    axes.set_ylim(-0.01, 0.628)
    axes.spines["bottom"].set_bounds(0, 0.4)
    axes.spines["left"].set_bounds(0, 0.6)
    axes.set_xticks([0, 0.1, 0.2, 0.3, 0.4], ["0", "0.1", "0.2", "0.3", "0.4"])
    axes.set_yticks([0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6], ["0", "0.1", "0.2", "0.3", "0.4", "0.5", "0.6"])
    axes.set_xlabel("u′", loc="left")
    axes.set_ylabel("v′")


def _key(axes: "Axes", word: str) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    samples = [Line2D([], [], **LOOKS[name].line(), **LOOKS[name].marks()) for name in (PROJECTOR, NOW, TARGET)]
    swatch = Patch(facecolor="white", edgecolor=SKY, hatch="//////", linewidth=0.6)
    axes.legend(
        [*samples, swatch],
        [word, NOW, TARGET, "panel's reach"],
        loc="upper right",
        bbox_to_anchor=(1.0, 0.69),
        frameon=False,
        fontsize=SMALL,
        handlelength=1.7,
        handletextpad=0.4,
        labelspacing=0.3,
        borderpad=0.0,
        borderaxespad=0.0,
    )


def _whites(axes: "Axes", whites: dict[str, Array], limit: float | None) -> None:
    """Draw where the whites lie around the projector's, the tolerance as a circle."""
    from matplotlib.patches import Circle

    middle = whites[PROJECTOR]
    farthest = max(float(np.abs(white - middle).max()) for white in whites.values())
    edge = max(_NEAR, np.ceil(110 * farthest) / 100)
    if limit is not None:
        circle = Circle((0, 0), limit, facecolor="0.9", edgecolor=SOFT, linewidth=0.6)
        axes.add_patch(circle)
    for name, white in whites.items():
        look = LOOKS[name]
        axes.plot(*(white - middle), **look.marks(0.9), linestyle="none", zorder=look.order)
    axes.set_xlim(-edge, edge)
    axes.set_ylim(-edge, edge)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(True)
    axes.set_title(f"whites, ± {edge:g}", fontsize=SMALL, pad=2.5)


def _ellipse(axes: "Axes", middle: Array, covariance: Array) -> None:
    """Draw where the monitor's white lies from the projector's with 95 % probability."""
    from matplotlib.patches import Ellipse

    sizes, directions = np.linalg.eigh(covariance)
    if not sizes[-1] > 0:
        return
    width, height = 2 * _ELLIPSE * np.sqrt(np.maximum(sizes[::-1], 0.0))
    angle = float(np.degrees(np.arctan2(directions[1, -1], directions[0, -1])))
    look = LOOKS[NOW]
    axes.add_patch(
        Ellipse(tuple(middle), width, height, angle=angle, fill=False, edgecolor=look.color, linewidth=0.7)
    )


def _alt(room: RoomMatch, shown: dict[str, _Corners], panel: Panel, limit: float | None) -> str:
    word, projector = reference_word(room), shown[PROJECTOR]
    sentences = [f"Triangles of primaries in the CIE 1976 u′v′ diagram: {word}, monitor now, with target."]
    if NOW in shown:
        now = shown[NOW].white
        towards = f", towards {tint(now, projector.white)}" if white_distance(now, projector.white) > 5e-5 else ""
        held = "" if limit is None else f" (limit {limit:g})"
        sentence = f"White lies {white_distance(now, projector.white):.4f} u′v′ from the {word}'s{towards}{held}"
        if TARGET in shown:
            sentence += f"; with the target {white_distance(shown[TARGET].white, projector.white):.4f}"
        sentences.append(f"{sentence}.")
        distances = [
            f"{channel} {white_distance(mine, wanted):.3f}"
            for channel, mine, wanted in zip(_CHANNELS, shown[NOW].primaries, projector.primaries, strict=True)
        ]
        sentences.append(f"Primaries lie from the {word}'s by: {', '.join(distances)}.")
    outside = _outside(panel, projector)
    sentences.append(
        f"The hatched reach of the panel leaves out the {word}'s {join(outside)}."
        if outside
        else f"The hatched reach of the panel holds all three of the {word}'s primaries."
    )
    if panel.guessed:
        sentences.append("The reach is a guess.")
    return " ".join(sentences)


def _outside(panel: Panel, projector: _Corners) -> list[str]:
    """Return the primaries that lie outside the panel's triangle, with their distance to its edges."""
    planes = gamut_planes(panel.matrix.T)
    corners = uv(panel.matrix.T)
    found = []
    for channel, pair in zip(_CHANNELS, projector.primaries, strict=True):
        distance = _to_triangle(np.array(uv_of(pair)), corners)
        if np.any(planes @ xy_to_unit_xyz(pair) > 0) and distance >= _SEEN_OUTSIDE:
            found.append(f"{channel} by {distance:.3f} u′v′")
    return found


def _to_triangle(point: Array, corners: Array) -> float:
    """Return the distance of a point, shape (2,), to the nearest edge of a triangle, shape (3, 2)."""
    start, edge = corners, np.roll(corners, -1, axis=0) - corners
    along = np.clip(((point - start) * edge).sum(axis=1) / (edge**2).sum(axis=1), 0, 1)
    return float(np.hypot(*(point - start - along[:, None] * edge).T).min())
