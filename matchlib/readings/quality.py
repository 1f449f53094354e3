"""Whether a session can be believed. A finding that refuses keeps the session from being used."""

import numpy as np

from matchlib.errors import InputError, Problem
from matchlib.readings.session import Session, average_repeats

_LEAST_CONTRAST = 1.2  # brightest to darkest reading; no display that works shows less


def check_session(session: Session) -> None:
    """Refuse a session whose readings cannot be those of a display.

    Raises:
        InputError: Every reading is alike, black is as bright as white, or a full primary adds no light.
    """
    patches = average_repeats(session)
    luminance = patches.xyz[:, 1]
    drive = patches.signal.max(axis=1)
    if len(drive) > 1 and drive.max() - drive.min() >= 0.5:
        low, high = float(luminance.min()), float(luminance.max())
        if high < _LEAST_CONTRAST * low or np.ptp(session.xyz[:, 1]) == 0:
            what = (
                f"all readings are alike, between {low:.4g} and {high:.4g} cd/m², though the signal goes "
                f"from {drive.min():.2g} to {drive.max():.2g} of full: the patches never reached the screen"
            )
            raise _refusal(session, what)
    black, white = patches.find(0, 0, 0), patches.find(1, 1, 1)
    if black is None:
        return
    if white is not None and luminance[black] >= 0.5 * luminance[white]:
        what = f"black reads {luminance[black]:.4g} cd/m², white {luminance[white]:.4g}"
        raise _refusal(session, what)
    for name, signal in {"red": (1, 0, 0), "green": (0, 1, 0), "blue": (0, 0, 1)}.items():
        full = patches.find(*signal)
        if full is not None and luminance[full] <= luminance[black]:
            what = f"full {name} reads {luminance[full]:.4g} cd/m², no more than black {luminance[black]:.4g}"
            raise _refusal(session, what)


def _refusal(session: Session, what: str) -> InputError:
    do = "measure the display again, or set the file aside with a reason"
    return InputError(Problem(f"the session is refused: {what}", do, session.file))
