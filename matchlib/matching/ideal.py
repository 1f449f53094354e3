"""What an unlimited display with the monitor's black would be set to."""

from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel
from matchlib.displays.response import GAMMA_FLOOR, Response
from matchlib.encoding import Encoding, convert_signal, normalised_matrix
from matchlib.matching.space import GAMMA_RANGE, Task
from matchlib.matching.target import search
from matchlib.perception.viewing import Wanted

PQ = "PQ"


@dataclass(frozen=True, slots=True, eq=False)
class Ideal:
    """What the monitor would show with no limits, told in its own signals.

    Attributes:
        white_xyz: R_w, black and room light included, shape (3,), cd/m².
        primaries_xyz: Rows full red, green, blue above black, shape (3, 3).
        gamma: Exponent over the monitor's signal; NaN where the tone is PQ.
        tone: ``gamma`` or ``PQ``.
        keeping: In the match mode ``appearance`` the same with the projector's primaries; else None.
    """

    white_xyz: Array
    primaries_xyz: Array
    gamma: float
    tone: str = "gamma"
    keeping: "Ideal | None" = None


def projector_figures(
    projector: Response, projector_encoding: Encoding, monitor_encoding: Encoding, wanted: Wanted
) -> Ideal:
    """Return the projector's own figures at the monitor's working white: the ideal of all modes but appearance.

    Where the monitor is fed another encoding, its signals mean other colours; the ideal is then the display
    that shows, for the converted signals, what the projector shows.
    """
    primaries, gamma = projector.primaries_xyz, projector.gamma
    if not np.isfinite(gamma):
        gamma = projector_encoding.gamma
    if monitor_encoding != projector_encoding:
        to_projector = np.linalg.solve(
            normalised_matrix(projector_encoding),
            normalised_matrix(monitor_encoding, projector_encoding.white_xy),
        )
        primaries = (primaries.T @ to_projector).T
        if _tone(monitor_encoding) != _tone(projector_encoding):
            gamma = _gamma_over(projector, projector_encoding, monitor_encoding)
    scale = wanted.white[1] / projector.white_xyz[1]
    if monitor_encoding.eotf == PQ:
        return Ideal(wanted.white, primaries * scale, float("nan"), PQ)
    return Ideal(wanted.white, primaries * scale, float(gamma))


def searched_ideal(start: Ideal, signal: Array, wanted: Wanted, black_xyz: Array) -> Ideal:
    """Return the ideal of the match mode ``appearance``: white and peak pinned, the rest searched without limits.

    Args:
        start: The projector's figures.
        signal: The monitor's, shape (n, 3).
        wanted: What it should show.
        black_xyz: Of the monitor, room light included, shape (3,).
    """
    panel = Panel(start.primaries_xyz.T, black_xyz, "unlimited")
    task = Task(
        signal=signal,
        wanted_xyz=wanted.xyz,
        reference_white=wanted.white,
        panel=panel,
        white_xyz=start.white_xyz,
        primaries_xyz=start.primaries_xyz.T,
        hull_xyz=_spectral_locus(),
        gamma=float(np.clip(start.gamma, *GAMMA_RANGE)),
        bounded=False,
    )
    kept, free = (search(replace(task, free_primaries=free)) for free in (False, True))
    found = [
        Ideal(start.white_xyz, settings.primaries_xyz.T, settings.gamma)
        for settings in (space.settings(x) for space, x in (kept, free))
    ]
    return replace(found[1], keeping=found[0])


def _spectral_locus() -> Array:
    """Return XYZ of monochromatic lights every 10 nm, shape (k, 3): no primary lies outside (CIE 015:2018)."""
    import colour

    functions = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.asarray(functions[np.arange(400, 701, 10.0)])


def _tone(encoding: Encoding) -> tuple[float, str]:
    return encoding.gamma, encoding.eotf if encoding.eotf in {"sRGB", PQ} else ""


def _gamma_over(projector: Response, projector_encoding: Encoding, monitor_encoding: Encoding) -> float:
    """Return the log–log slope of the projector's greys over the monitor's signals (design 4)."""
    greys = np.repeat(np.linspace(0.02, 1, 50)[:, None], 3, axis=1)
    light = projector.forward(greys)[:, 1] - projector.black
    return log_slope(convert_signal(greys, projector_encoding, monitor_encoding)[:, 1], light)


def log_slope(signal: Array, light: Array) -> float:
    """Return the slope of log(light) on log(signal) from peak down to 5 % of it (design 4), both shape (n,)."""
    used = (light >= GAMMA_FLOOR * light[-1]) & (signal > 0)
    return float(np.polyfit(np.log(signal[used]), np.log(light[used]), 1)[0])
