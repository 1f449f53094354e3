"""Two instruments on one display: how the patches move when the correction is used."""

from typing import TYPE_CHECKING

import numpy as np

from matchlib.arrays import Array
from matchlib.perception.difference import xy
from matchlib.readings.instrument import uv_distance
from matchlib.readings.instrument_check import CheckedPair, InstrumentCheck
from matchlib.reporting.drawing import Drawing, save_svg
from matchlib.reporting.plots.chromaticity import spectral_locus
from matchlib.reporting.plots.style import HAIR, LOOKS, NOW, PALE, SOFT, TARGET, key, note, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH, _HEIGHT = 6.7, 2.9  # inch: a report's text width
_LONGER = 5  # times: misreadings are too short to be seen
_WORDS = {NOW: "as read", TARGET: "corrected"}


def instrument_patches(check: InstrumentCheck) -> Drawing:
    """Return the patches of the newest pair: how far off in the CIE 1931 x, y diagram, and luminance.

    Args:
        check: As :func:`matchlib.readings.instrument_check.check_instrument` returned it.
    """
    pair = check.newest
    with sheet(_WIDTH, _HEIGHT) as figure:
        left = figure.add_axes((0.05, 0.12, 0.39, 0.80))
        _colours(left, pair)
        right = figure.add_axes((0.53, 0.12, 0.45, 0.80))
        _luminance(right, pair, check.reference.luminance)
        key(right, (NOW, TARGET), _WORDS, loc="lower right", bbox_to_anchor=(1.0, 1.02), ncols=2)
        svg = save_svg(figure)
    return Drawing("instrument", f"{check.instrument.id} · {check.panel}", _alt(pair, check.reference.luminance), svg)


def _shown(pair: CheckedPair) -> dict[str, Array]:
    """Return XYZ of the tested patches by look, shape (n, 3) each."""
    return {NOW: pair.patches.read[pair.tested], TARGET: pair.corrected[pair.tested]}


def _colours(axes: "Axes", pair: CheckedPair) -> None:
    """Draw each patch where the reference sees it, and a line, lengthened, to where the instrument does."""
    locus = _to_xy(spectral_locus())
    axes.plot(*np.vstack([locus, locus[:1]]).T, color=HAIR, linewidth=0.7, zorder=1)
    start = xy(pair.patches.reference[pair.tested])
    for name, xyz in _shown(pair).items():
        look = LOOKS[name]
        end = start + _LONGER * (xy(xyz) - start)
        for begin, tip in zip(start, end, strict=True):
            axes.plot(*np.array([begin, tip]).T, **look.line() | {"linewidth": 0.7, "linestyle": "-"})
        axes.plot(*end.T, **look.marks(0.75), linestyle="none", zorder=look.order)
    axes.plot(*start.T, marker=".", markersize=1.6, color=SOFT, linestyle="none", zorder=5)
    axes.set_aspect("equal", adjustable="box", anchor="SW")
    axes.set_xlim(0, 0.8)
    axes.set_ylim(0, 0.88)
    axes.set_xlabel("x")
    axes.set_ylabel("y")
    note(axes, 0.99, 0.97, f"from the reference,\n{_LONGER} times as long", ha="right", va="top")


def _to_xy(uv: Array) -> Array:
    """Return CIE 1931 x, y of CIE 1976 u′, v′ (CIE 015:2018, 8.2.2, turned round), shape (n, 2)."""
    u, v = uv.T
    return np.asarray(np.stack([9 * u, 4 * v], axis=-1) / (6 * u - 16 * v + 12)[:, None])


def _luminance(axes: "Axes", pair: CheckedPair, stated: float) -> None:
    """Draw the error of luminance over the reference's luminance, its stated uncertainty as a band."""
    reference = pair.patches.reference[pair.tested, 1]
    axes.axhspan(-100 * stated, 100 * stated, color=PALE, linewidth=0, zorder=0)
    axes.axhline(0, color=SOFT, linewidth=0.6, zorder=1)
    for name, xyz in _shown(pair).items():
        look = LOOKS[name]
        axes.plot(reference, 100 * (xyz[:, 1] / reference - 1), **look.marks(), linestyle="none", zorder=look.order)
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.set_xlabel("luminance by the reference, cd/m²")
    axes.set_ylabel("error of luminance, %")
    note(axes, 0.01, 1.02, f"band: the reference's ± {100 * stated:g} %", va="bottom")


def _alt(pair: CheckedPair, stated: float) -> str:
    reference = pair.patches.reference[pair.tested]
    told = []
    for name, xyz in _shown(pair).items():
        off, light = uv_distance(xyz, reference), 100 * (xyz[:, 1] / reference[:, 1] - 1)
        worst = int(off.argmax())
        label = pair.patches.labels[int(pair.tested[worst])]
        told.append(
            f"{_WORDS[name]}: Δu′v′ {np.sqrt((off**2).mean()):.4f} (root mean square), at most {off[worst]:.4f} in "
            f"{label}, luminance off by {light.min():+.1f} % to {light.max():+.1f} %"
        )
    return (
        f"{len(reference)} patches of one display by two instruments, in the CIE 1931 x, y diagram, with lines from "
        f"the reference, {_LONGER} times as long, and their luminance. {'; '.join(told)}. "
        f"The reference states ± {100 * stated:g} % of luminance."
    )
