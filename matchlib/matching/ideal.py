"""What an unlimited display with the monitor's black would be set to."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.response import GAMMA_FLOOR, Response
from matchlib.encoding import Encoding, convert_signal, normalised_matrix


@dataclass(frozen=True, slots=True, eq=False)
class Ideal:
    """The projector's figures, told in the monitor's signals.

    Attributes:
        white_xyz: Black included, shape (3,), cd/m².
        primaries_xyz: Rows full red, green, blue above black, shape (3, 3).
        gamma: Exponent over the monitor's signal.
    """

    white_xyz: Array
    primaries_xyz: Array
    gamma: float


def ideal_display(projector: Response, projector_encoding: Encoding, monitor_encoding: Encoding) -> Ideal:
    """Return the ideal of the match mode ``absolute``: the projector's own figures.

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
    return Ideal(projector.white_xyz, primaries, float(gamma))


def _tone(encoding: Encoding) -> tuple[float, str]:
    return encoding.gamma, encoding.eotf if encoding.eotf == "sRGB" else ""


def _gamma_over(projector: Response, projector_encoding: Encoding, monitor_encoding: Encoding) -> float:
    """Return the log–log slope of the projector's greys over the monitor's signals (design 4)."""
    greys = np.repeat(np.linspace(0.02, 1, 50)[:, None], 3, axis=1)
    light = projector.forward(greys)[:, 1] - projector.black
    signal = convert_signal(greys, projector_encoding, monitor_encoding)[:, 1]
    used = light >= GAMMA_FLOOR * light[-1]
    return float(np.polyfit(np.log(signal[used]), np.log(light[used]), 1)[0])
