"""The metrics: CIEDE2000 as a vector whose length is the difference, ΔE_ITP and CAM16-UCS beside it."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array

CIEDE2000, ITP, CAM16_UCS = "CIEDE2000", "ΔE_ITP", "CAM16-UCS"


@dataclass(frozen=True, slots=True)
class Score:
    """Differences over a patch list, told in four figures.

    Attributes:
        metric: Name of the metric.
        mean: Mean over the list.
        p95: 95th percentile, linear interpolation between ranks.
        worst: The greatest.
        worst_patch: Its label.
        u_mean: Standard uncertainty of the mean; None where it is not computed.
    """

    metric: str
    mean: float
    p95: float
    worst: float
    worst_patch: str
    u_mean: float | None = None


def score(metric: str, differences: Array, labels: tuple[str, ...]) -> Score:
    """Return the score of differences, shape (n,), over patches of these labels."""
    worst = int(differences.argmax())
    return Score(
        metric,
        float(differences.mean()),
        float(np.percentile(differences, 95)),
        float(differences[worst]),
        labels[worst],
    )


def xyz_to_lab(xyz: Array, white: Array) -> Array:
    """Return CIELAB under a reference white (CIE 015:2018, 8.2.1); L* above 100 is allowed.

    Args:
        xyz: Shape (…, 3).
        white: XYZ of the reference white, shape (3,), same scale.
    """
    ratio = xyz / white
    cube_root = np.cbrt(ratio)
    f = np.where(ratio > (6 / 29) ** 3, cube_root, (29 / 6) ** 2 / 3 * ratio + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def ciede2000_vector(lab_1: Array, lab_2: Array) -> Array:
    """Return vectors whose length is CIEDE2000 (Sharma, Wu & Dalal 2005, equations 2 to 22).

    The rotation term makes ΔE² a quadratic form in chroma and hue steps; completing its square turns it
    into a sum of three squares, which a least-squares search can take apart.

    Args:
        lab_1: CIELAB of the reference, shape (…, 3).
        lab_2: CIELAB of the sample, shape (…, 3).

    Returns:
        Shape (…, 3), broadcast.
    """
    l1, a1, b1 = lab_1[..., 0], lab_1[..., 1], lab_1[..., 2]
    l2, a2, b2 = lab_2[..., 0], lab_2[..., 1], lab_2[..., 2]
    stretch = 1 + chroma_stretch((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2)  # eq. 2 to 5
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)  # eq. 6
    h1, h2 = np.arctan2(b1, a1), np.arctan2(b2, a2)  # eq. 7, in radians
    grey = c1 * c2 == 0
    turn = np.where(grey, 0.0, h2 - h1)
    turn = turn - 2 * np.pi * np.where(turn > np.pi, 1.0, np.where(turn < -np.pi, -1.0, 0.0))  # eq. 10
    hue = np.where(grey, h1 + h2, h1 + turn / 2)  # eq. 14: the mean lies between, the short way round
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2  # eq. 12, 13
    s_l, s_c, s_h = _weights(lightness, chroma, hue)
    hue_degrees = np.degrees(hue) % 360
    delta_theta = np.radians(30) * np.exp(-(((hue_degrees - 275) / 25) ** 2))  # eq. 16
    rotation = -2 * np.sin(2 * delta_theta) * _saturating(chroma)  # eq. 17, 21
    step_l = (l2 - l1) / s_l
    step_c = (c2 - c1) / s_c
    step_h = 2 * np.sqrt(c1 * c2) * np.sin(turn / 2) / s_h  # eq. 11
    return np.stack([step_l, step_c + rotation / 2 * step_h, step_h * np.sqrt(1 - rotation**2 / 4)], axis=-1)


def chroma_stretch(mean_chroma: Array) -> Array:
    """Return the stretch G of a* near grey (Sharma 2005, eq. 4)."""
    return np.asarray(0.5 * (1 - _saturating(mean_chroma)))


def _saturating(chroma: Array) -> Array:
    """Return √(C⁷ / (C⁷ + 25⁷)) of equations 4 and 17."""
    c2 = chroma * chroma
    c7 = c2 * c2 * c2 * chroma
    return np.asarray(np.sqrt(c7 / (c7 + 25.0**7)))


def _weights(lightness: Array, chroma: Array, hue: Array) -> tuple[Array, Array, Array]:
    """Return S_L, S_C, S_H (Sharma 2005, eq. 15, 18, 19, 20); hue in radians."""
    t = (
        1
        - 0.17 * np.cos(hue - np.radians(30))
        + 0.24 * np.cos(2 * hue)
        + 0.32 * np.cos(3 * hue + np.radians(6))
        - 0.20 * np.cos(4 * hue - np.radians(63))
    )
    square = (lightness - 50) ** 2
    return 1 + 0.015 * square / np.sqrt(20 + square), 1 + 0.045 * chroma, 1 + 0.015 * chroma * t


def ciede2000(xyz_1: Array, xyz_2: Array, white: Array) -> Array:
    """Return CIEDE2000 of XYZ under one reference white, shape (…)."""
    vector = ciede2000_vector(xyz_to_lab(xyz_1, white), xyz_to_lab(xyz_2, white))
    return np.asarray(np.sqrt((vector**2).sum(axis=-1)))


def delta_e_itp(xyz_1: Array, xyz_2: Array) -> Array:
    """Return ΔE_ITP (ITU-R BT.2124-0) of absolute XYZ in cd/m², shape (…), through colour-science."""
    import colour

    to_rgb = colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_XYZ_to_RGB
    itp = [colour.RGB_to_ICtCp(np.maximum(xyz, 0) @ to_rgb.T) for xyz in (xyz_1, xyz_2)]
    return np.asarray(colour.delta_E(itp[0], itp[1], method="ITP"))


def cam16_ucs(xyz_1: Array, xyz_2: Array, white: Array, surround: str) -> Array:
    """Return the CAM16-UCS difference (Li et al. 2017), shape (…), through colour-science.

    Both samples are seen under the same conditions: full adaptation to ``white``, L_A = Y_w / 5, Y_b = 20.

    Args:
        xyz_1: Shape (…, 3), cd/m².
        xyz_2: Shape (…, 3), cd/m².
        white: Shape (3,), cd/m².
        surround: ``dark``, ``dim`` or ``average``.
    """
    import colour

    conditions = colour.VIEWING_CONDITIONS_CAM16[surround.capitalize()]
    scale = 100 / white[1]
    coordinates = []
    for xyz in (xyz_1, xyz_2):
        seen = colour.XYZ_to_CAM16(
            np.maximum(xyz, 0) * scale,
            white * scale,
            white[1] / 5,
            20.0,
            conditions,
            discount_illuminant=True,
        )
        coordinates.append(colour.JMh_CAM16_to_CAM16UCS(np.stack([seen.J, seen.M, seen.h], axis=-1)))
    return np.asarray(np.sqrt(((coordinates[0] - coordinates[1]) ** 2).sum(axis=-1)))


def xy(xyz: Array) -> Array:
    """Return CIE 1931 x, y, shape (…, 2)."""
    total = xyz.sum(axis=-1, keepdims=True)
    return np.asarray(np.divide(xyz[..., :2], total, out=np.full(xyz[..., :2].shape, np.nan), where=total > 0))


def uv(xyz: Array) -> Array:
    """Return CIE 1976 u′, v′, shape (…, 2) (CIE 015:2018, 8.2.2)."""
    scale = xyz @ np.array([1.0, 15.0, 3.0])
    pair = np.stack([4 * xyz[..., 0], 9 * xyz[..., 1]], axis=-1)
    return np.asarray(np.divide(pair, scale[..., None], out=np.full(pair.shape, np.nan), where=scale[..., None] > 0))
