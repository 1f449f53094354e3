"""Match modes: what a monitor should show for what the projector shows.

Only the mode ``absolute`` is here: the monitor shows the projector's XYZ as they are.
"""

from dataclasses import dataclass

from matchlib.arrays import Array
from matchlib.errors import InputError, Problem


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a monitor should show.

    Attributes:
        xyz: R_i, shape (n, 3), cd/m².
        white: R_w, the reference white of every score, shape (3,), cd/m².
    """

    xyz: Array
    white: Array


def wanted(mode: str, projector_xyz: Array, projector_white: Array) -> Wanted:
    """Return what the monitor should show in a match mode.

    Args:
        mode: ``absolute``.
        projector_xyz: P_i, shape (n, 3), cd/m².
        projector_white: W_P, shape (3,), cd/m².

    Raises:
        InputError: A mode this version does not compute.
    """
    if mode != "absolute":
        raise InputError(Problem(f"match mode {mode!r} is not computed by this version yet", 'use "absolute"'))
    return Wanted(projector_xyz, projector_white)
