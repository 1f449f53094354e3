"""The verdict: a monitor's figures held against the room's tolerances."""

import math
from typing import TYPE_CHECKING

import numpy as np

from matchlib.facility.rooms import Tolerances
from matchlib.matching.result import Check, Figures, Target, Verdict
from matchlib.perception.difference import Score

if TYPE_CHECKING:
    from matchlib.matching.uncertainty import Uncertainty

_SOURCE = "facility.toml, tolerances"
CHECKS = ("mean_difference", "p95_difference", "white", "luminance", "gamma")


def uv_of(xy: tuple[float, float]) -> tuple[float, float]:
    """Return CIE 1976 u′, v′ of CIE 1931 x, y (CIE 015:2018, 8.2.2)."""
    scale = -2 * xy[0] + 12 * xy[1] + 3
    return 4 * xy[0] / scale, 9 * xy[1] / scale


def white_distance(xy_1: tuple[float, float], xy_2: tuple[float, float]) -> float:
    """Return Δu′v′ of two chromaticities given as x, y."""
    return float(np.hypot(*np.subtract(uv_of(xy_1), uv_of(xy_2))))


def conformance_probability(
    value: float, standard_uncertainty: float, low: float = -math.inf, high: float = math.inf
) -> float:
    """Return the probability that the truth lies from ``low`` to ``high`` (JCGM 106:2012, 7.2 to 7.4).

    For a normal distribution of standard deviation ``standard_uncertainty`` about ``value``.

    Raises:
        ValueError: The uncertainty is not above 0.
    """
    if not standard_uncertainty > 0:
        raise ValueError(f"standard_uncertainty is {standard_uncertainty}, and must be above 0")

    def below(limit: float) -> float:
        return 0.5 * (1 + math.erf((limit - value) / (standard_uncertainty * math.sqrt(2))))

    return below(high) - below(low)


def guarded_result(value: float, limit: float, expanded: float) -> str:
    """Return ``pass``, ``fail`` or ``undecided`` of an upper limit with a guard band U (JCGM 106:2012, 8.3).

    Passes where value ≤ limit − U, fails where value > limit + U. For a lower limit give all but U negative.
    """
    if value <= limit - expanded:
        return "pass"
    return "fail" if value > limit + expanded else "undecided"


def judge(
    now: Score, figures: Figures, ideal: Target, tolerances: Tolerances, sure: "Uncertainty | None" = None
) -> Verdict:
    """Return the verdict by the room's rule.

    Args:
        now: The score over the standard list.
        figures: Of the monitor.
        ideal: What they are held against.
        tolerances: Limits and rule: ``guarded``, or ``simple``, which takes each figure as it is.
        sure: How sure the figures are; None: by the rule ``simple`` whatever the room says.
    """
    gamma = None
    if figures.gamma is not None and ideal.gamma is not None:
        gamma = abs(figures.gamma - ideal.gamma)
    values = {
        "mean_difference": (now.mean, now.metric),
        "p95_difference": (now.p95, now.metric),
        "white": (white_distance(figures.white_xy, ideal.white_xy), "Δu′v′"),
        "luminance": (abs(figures.luminance / ideal.luminance - 1), "relative"),
        "gamma": (gamma, ""),
    }
    guarded = tolerances.rule == "guarded"
    checks = tuple(
        _check(name, *values[name], getattr(tolerances, name), sure=sure, guarded=guarded) for name in CHECKS
    )
    failed = any(check.result == "fail" for check in checks)
    # A tone of PQ has no gamma: the check stands empty, and the mean difference judges the tone
    unsure = any(check.result == "undecided" for check in checks if check.name != "gamma" or ideal.tone != "PQ")
    limits = {check.name: check.limit for check in checks if check.value is not None}
    probability = sure.probability(limits) if sure is not None and guarded else None
    return Verdict("no match" if failed else "undecided" if unsure else "match", probability, checks)


def _check(
    name: str, value: float | None, unit: str, limit: float, *, sure: "Uncertainty | None", guarded: bool
) -> Check:
    if value is None:
        return Check(name, None, limit, None, unit, "undecided", _SOURCE)
    expanded = None if sure is None else sure.spread(name).expanded
    band = expanded if guarded and expanded is not None else 0.0
    return Check(name, value, limit, expanded, unit, guarded_result(value, limit, band), _SOURCE)
