"""Match modes: what a monitor should show for what the projector shows."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array


@dataclass(frozen=True, slots=True)
class Viewing:
    """In which mode, and under which conditions on both sides, the monitor is compared.

    Attributes:
        mode: ``absolute``: the monitor shows the projector's XYZ; ``relative``: the same, scaled to the
            working white; ``appearance``: what looks alike by CAM16 under both conditions.
        luminance: Working white of the monitor, cd/m²; None in ``absolute``.
        screen: Surround of the projector: ``dark``, ``dim`` or ``average``; ``room``: of the monitor.
    """

    mode: str
    luminance: float | None = None
    screen: str = "dark"
    room: str = "dim"


ABSOLUTE = Viewing("absolute")


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a monitor should show.

    Attributes:
        xyz: R_i, shape (…, n, 3), cd/m².
        white: R_w, the reference white of every score, shape (…, 3), cd/m².
        viewing: By which mode and conditions.
    """

    xyz: Array
    white: Array
    viewing: Viewing = ABSOLUTE


def wanted(viewing: Viewing, projector_xyz: Array, projector_white: Array) -> Wanted:
    """Return what the monitor should show in a match mode (design 5).

    Args:
        viewing: Mode and conditions.
        projector_xyz: P_i, shape (…, n, 3), cd/m².
        projector_white: W_P, shape (3,) or (…, 1, 3), cd/m².
    """
    if viewing.mode == "absolute" or viewing.luminance is None:
        return Wanted(projector_xyz, projector_white, viewing)
    scale = viewing.luminance / projector_white[..., 1:2]
    if viewing.mode == "relative":
        return Wanted(projector_xyz * scale, projector_white * scale, viewing)
    return Wanted(_alike(viewing, projector_xyz, projector_white), projector_white * scale, viewing)


def _alike(viewing: Viewing, xyz: Array, white: Array) -> Array:
    """Return the XYZ in cd/m² that have J, C, h of the projector's under the monitor's conditions.

    CAM16 (Li et al. 2017) through colour-science: full adaptation (D = 1) to the projector's white
    chromaticity on both sides, at its luminance there and at the working white here; L_A = Y_w / 5, Y_b = 20.
    """
    import colour
    from colour.appearance import CAM_Specification_CAM16

    surrounds = colour.VIEWING_CONDITIONS_CAM16
    relative_white = np.broadcast_to(white * (100 / white[..., 1:2]), xyz.shape)
    luminance = np.broadcast_to(white[..., 1], xyz.shape[:-1])
    working = np.full(xyz.shape[:-1], viewing.luminance)
    with np.errstate(invalid="ignore", divide="ignore"):  # Q of the very dark, which is not used
        seen = colour.XYZ_to_CAM16(
            np.maximum(xyz, 0.0) * (100 / luminance[..., None]),
            relative_white,
            luminance / 5,
            20.0,
            surrounds[viewing.screen.capitalize()],
            discount_illuminant=True,
        )
        back = colour.CAM16_to_XYZ(
            CAM_Specification_CAM16(J=np.maximum(seen.J, 0.0), C=seen.C, h=seen.h),
            relative_white,
            working / 5,
            20.0,
            surrounds[viewing.room.capitalize()],
            discount_illuminant=True,
        )
    return np.asarray(np.nan_to_num(back) * (working[..., None] / 100))
