"""The verdict: a monitor's figures held against the room's tolerances."""

import numpy as np

from matchlib.facility.rooms import Tolerances
from matchlib.matching.result import Check, Figures, Target, Verdict
from matchlib.perception.difference import Score

_SOURCE = "facility.toml, tolerances"


def uv_of(xy: tuple[float, float]) -> tuple[float, float]:
    """Return CIE 1976 u′, v′ of CIE 1931 x, y (CIE 015:2018, 8.2.2)."""
    scale = -2 * xy[0] + 12 * xy[1] + 3
    return 4 * xy[0] / scale, 9 * xy[1] / scale


def white_distance(xy_1: tuple[float, float], xy_2: tuple[float, float]) -> float:
    """Return Δu′v′ of two chromaticities given as x, y."""
    return float(np.hypot(*np.subtract(uv_of(xy_1), uv_of(xy_2))))


def judge(now: Score, figures: Figures, ideal: Target, tolerances: Tolerances) -> Verdict:
    """Return the verdict by the rule ``simple``: each figure as it is against its limit."""
    gamma = None
    if figures.gamma is not None and ideal.gamma is not None:
        gamma = abs(figures.gamma - ideal.gamma)
    values = (
        ("mean_difference", now.mean, now.metric),
        ("p95_difference", now.p95, now.metric),
        ("white", white_distance(figures.white_xy, ideal.white_xy), "Δu′v′"),
        ("luminance", abs(figures.luminance / ideal.luminance - 1), "relative"),
        ("gamma", gamma, ""),
    )
    checks = tuple(_check(name, value, getattr(tolerances, name), unit) for name, value, unit in values)
    failed = any(check.result == "fail" for check in checks)
    unsure = any(check.result == "undecided" for check in checks)
    return Verdict("no match" if failed else "undecided" if unsure else "match", None, checks)


def _check(name: str, value: float | None, limit: float, unit: str) -> Check:
    if value is None:
        return Check(name, None, limit, None, unit, "undecided", _SOURCE)
    return Check(name, value, limit, None, unit, "pass" if value <= limit else "fail", _SOURCE)
