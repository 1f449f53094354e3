"""The metrics: CIEDE2000 as a vector whose length is the difference, ΔE_ITP and CAM16-UCS beside it."""

from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array

CIEDE2000, ITP, CAM16_UCS = "CIEDE2000", "ΔE_ITP", "CAM16-UCS"
_LAB_STEP = 1e-4  # CIELAB units, of forward differences
_COS_30, _SIN_30, _COS_6, _SIN_6, _COS_63, _SIN_63 = (
    function(np.radians(angle)) for angle in (30, 6, 63) for function in (np.cos, np.sin)
)


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
    step_l, _ = _lightness_step(lab_1[..., 0], lab_2[..., 0])
    step_c, step_h = _colour_steps(lab_1, lab_2[..., 1], lab_2[..., 2])
    return np.stack([step_l, step_c, step_h], axis=-1)


def ciede2000_slope(lab_1: Array, lab_2: Array) -> tuple[Array, Array]:
    """Return the vectors of :func:`ciede2000_vector` and their derivative by the sample's CIELAB.

    By forward differences in a* and b*; lightness stands for itself.

    Returns:
        Shape (…, 3) and (…, 3, 3), the last axis L*, a*, b*.
    """
    a2, b2 = lab_2[..., 1], lab_2[..., 2]
    step_l, by_l = _lightness_step(lab_1[..., 0], lab_2[..., 0])
    steps = _colour_steps(lab_1, a2, b2)
    slope = np.zeros((*step_l.shape, 3, 3))
    slope[..., 0, 0] = by_l
    for column, moved in ((1, (a2 + _LAB_STEP, b2)), (2, (a2, b2 + _LAB_STEP))):
        for row, (here, there) in enumerate(zip(steps, _colour_steps(lab_1, *moved), strict=True), start=1):
            slope[..., row, column] = (there - here) / _LAB_STEP
    return np.stack([step_l, *steps], axis=-1), slope


def _lightness_step(l1: Array, l2: Array) -> tuple[Array, Array]:
    """Return ΔL′ / S_L (Sharma 2005, eq. 8, 12, 15) and its derivative by the sample's L*."""
    beyond = (l1 + l2) / 2 - 50
    square = beyond * beyond
    root = np.sqrt(20 + square)
    s_l = 1 + 0.015 * square / root
    by_mean = 0.015 * beyond * (2 - square / (20 + square)) / root
    return (l2 - l1) / s_l, 1 / s_l - (l2 - l1) / (s_l * s_l) * by_mean / 2


def _colour_steps(lab_1: Array, a2: Array, b2: Array) -> tuple[Array, Array]:
    """Return the two components of chroma and hue, their rotation taken up; lightness has no part in them."""
    a1, b1 = lab_1[..., 1], lab_1[..., 2]
    stretch = 1 + chroma_stretch((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2)  # eq. 2 to 5
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)  # eq. 6
    cos, sin = _mean_hue((a1, b1, c1), (a2, b2, c2))
    chroma = (c1 + c2) / 2  # eq. 13
    s_c, s_h = _weights(chroma, cos, sin)
    from_blue = (np.degrees(np.arctan2(sin, cos)) % 360 - 275) / 25
    delta_theta = np.radians(30) * np.exp(-from_blue * from_blue)  # eq. 16
    rotation = -2 * np.sin(2 * delta_theta) * _saturating(chroma)  # eq. 17, 21
    step_c = (c2 - c1) / s_c
    step_h = _hue_step(a1 * b2 - b1 * a2, c1 * c2, a1 * a2 + b1 * b2) / s_h
    return step_c + rotation / 2 * step_h, step_h * np.sqrt(1 - rotation * rotation / 4)


def _mean_hue(one: tuple[Array, Array, Array], two: tuple[Array, Array, Array]) -> tuple[Array, Array]:
    """Return cosine and sine of the mean hue, which lies between the two, the short way round (eq. 14).

    The sum of two unit vectors halves the angle between them. Where one colour is grey the hue is the other's;
    where the hues are opposite, a quarter turn beyond the lesser.

    Args:
        one: a′, b′, C′ of the reference.
        two: The same of the sample.
    """
    (a1, b1, c1), (a2, b2, c2) = one, two
    x, y = a1 * c2 + a2 * c1, b1 * c2 + b2 * c1
    grey = c1 * c2 == 0
    x, y = np.where(grey, a1 + a2, x), np.where(grey, b1 + b2, y)
    length = np.hypot(x, y)
    opposite = ~grey & (length <= 1e-9 * c1 * c2)
    first = np.where((b1 > 0) | ((b1 == 0) & (a1 > 0)), 1.0, -1.0)  # whose hue is below 180°: eq. 14 adds 90° to it
    x, y = np.where(opposite, -first * b1, x), np.where(opposite, first * a1, y)
    length = np.where(opposite, c1, length)
    lit = length > 0
    return np.divide(x, length, out=np.ones_like(length), where=lit), np.divide(
        y, length, out=np.zeros_like(length), where=lit
    )


def _hue_step(cross: Array, product: Array, dot: Array) -> Array:
    """Return ΔH′ = 2 √(C′₁C′₂) sin(Δh′ / 2) (eq. 11), of the cross product of the hues, C′₁C′₂, and the dot product.

    sin(θ / 2) is sin θ / (2 cos(θ / 2)), which loses nothing at small angles; at opposite hues it is 1.
    """
    half = np.sqrt(np.maximum((product + dot) / 2, 0.0))  # √(C′₁C′₂) cos(Δh′ / 2)
    far = half <= 1e-7 * np.sqrt(product)  # rounding leaves no more of a hue step there
    return np.where(far, 2 * np.sqrt(product), np.divide(cross, half, out=np.zeros_like(half), where=~far))


def chroma_stretch(mean_chroma: Array) -> Array:
    """Return the stretch G of a* near grey (Sharma 2005, eq. 4)."""
    return np.asarray(0.5 * (1 - _saturating(mean_chroma)))


def _saturating(chroma: Array) -> Array:
    """Return √(C⁷ / (C⁷ + 25⁷)) of equations 4 and 17."""
    c2 = chroma * chroma
    c7 = c2 * c2 * c2 * chroma
    return np.asarray(np.sqrt(c7 / (c7 + 25.0**7)))


def _weights(chroma: Array, cos: Array, sin: Array) -> tuple[Array, Array]:
    """Return S_C, S_H (Sharma 2005, eq. 15, 19, 20), from cosine and sine of the mean hue."""
    cos_2, sin_2 = 2 * cos * cos - 1, 2 * sin * cos
    cos_3, sin_3 = cos * cos_2 - sin * sin_2, sin * cos_2 + cos * sin_2
    cos_4, sin_4 = 2 * cos_2 * cos_2 - 1, 2 * sin_2 * cos_2
    t = (
        1
        - 0.17 * (cos * _COS_30 + sin * _SIN_30)
        + 0.24 * cos_2
        + 0.32 * (cos_3 * _COS_6 - sin_3 * _SIN_6)
        - 0.20 * (cos_4 * _COS_63 + sin_4 * _SIN_63)
    )
    return 1 + 0.045 * chroma, 1 + 0.015 * chroma * t


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
