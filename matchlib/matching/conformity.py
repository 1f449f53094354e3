"""A display against its own standard: the projector, or a reference monitor, and monitors fed video.

Nominal values are those of the encoding that the facility declares, for a house may project at another
peak or gamma on purpose; where they differ from the standard's, the standard's own are checked beside them.
Tolerances in x, y are boxes, as the standards draw them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from matchlib.displays.response import Response
from matchlib.encoding import STANDARD, Encoding, Pair
from matchlib.facility.rooms import Instrument, Projector
from matchlib.matching.conformity_hdr import hdr_conformity
from matchlib.matching.errors_of_readings import noise_of, scatter_of
from matchlib.matching.result import Check, Figures
from matchlib.matching.steps import step_checks
from matchlib.matching.tolerances import NOMINAL_PEAK, REVIEW_ROOM, THEATRE, Place, Sure, sure_by
from matchlib.matching.uniformity import uniformity_checks
from matchlib.matching.verdict import uv_of, white_distance
from matchlib.perception.difference import uv
from matchlib.readings.archive import Across
from matchlib.readings.session import Session, average_repeats
from matchlib.readings.session_drift import drift_of

_ST, _RP, _EBU = "ST 431-1:2006", "RP 431-2:2011", "EBU Tech 3320 v3.0"
VIDEO = ("BT.709", "BT.601 525", "BT.601 625", "BT.2020")
_CHANNELS = ("red", "green", "blue")


# RP 431-2:2011, Table A.1, 7.9: how far x and y may lie (below, above) the nominal primary
_PRIMARY_BOXES = {
    "red": ((0.01, 0.01), (0.01, 0.01)),
    "green": ((0.02, 0.02), (0.02, 0.02)),
    "blue": ((0.03, 0.01), (0.04, 0.02)),
}


@dataclass(frozen=True, slots=True)
class Grade:
    """A grade of EBU Tech 3320 v3.0 (October 2014), clauses 5.1 to 5.7.

    Attributes:
        peak: Least and greatest luminance that 100 % must be adjustable to, cd/m²; L* of white from the latter.
        black: Greatest black, cd/m²; ``contrast``: least full-screen contrast.
        gamma: Greatest distance from nominal at 10 % to 90 % of signal; None: optional.
        greys: Δu*v* of the greys about the measured white, from 1 cd/m² up.
        primaries: Δu*v* of the primaries; ``white``: of white.
    """

    name: str
    peak: Pair
    black: float
    contrast: float
    gamma: float | None
    greys: float
    primaries: float
    white: float


GRADES = (
    Grade("grade 1", (70, 100), 0.05, 2000, 0.10, 0.5, 4, 1.3),
    Grade("grade 2", (70, 200), 0.4, 500, 0.10, 1.0, 7, 4),
    Grade("grade 3", (70, 250), 0.7, 300, None, 1.5, 7, 4),
)


def _sure(session: Session, response: Response, instrument: Instrument, *, guarded: bool) -> Sure:
    drift = drift_of(session)
    scatter = scatter_of(average_repeats(session), response, noise_of(session, instrument, drift))
    # The scale cancels in a contrast; what is left is the scatter of black and, below the floor, its noise, and the
    # light's own drift between black and white.
    black = np.hypot(2 * scatter.black / response.black, 2 * drift.luminance) if response.black > 0 else np.inf
    return sure_by(instrument, drift, guarded=guarded, gamma=2 * scatter.gamma, contrast=float(black))


@dataclass(frozen=True, slots=True, eq=False)
class Screen:
    """A room's reference as it was measured.

    Attributes:
        projector: As declared.
        session: What counts; ``response``: fitted to it; ``figures``: of it.
        across: What was read beside the centre.
        instruments: By id.
    """

    projector: Projector
    session: Session
    response: Response
    figures: Figures
    across: Across
    instruments: Mapping[str, Instrument]


def reference_conformity(screen: Screen, rule: str, place: Place = REVIEW_ROOM) -> tuple[Check, ...]:
    """Return a room's reference against its standard.

    A reference monitor that takes the screen's place is held against EBU Tech 3320 if it is fed video.
    A reference in PQ, of either kind, is held against DCI's HDR Addendum.

    Args:
        screen: As measured.
        rule: ``guarded`` or ``simple``.
        place: Whose limits; a facility does not state its own, so a review room's by default.
    """
    session, response, figures = screen.session, screen.response, screen.figures
    instrument = screen.instruments[session.header.instrument]
    if session.encoding.eotf == "PQ":
        return hdr_conformity(screen.projector.kind, session, figures, instrument, rule, place)
    if screen.projector.kind == "monitor":
        return video_conformity(session, response, figures, instrument, rule) or ()
    guarded = rule == "guarded"
    sure = _sure(session, response, instrument, guarded=guarded)
    checks = projection_checks(figures, screen.projector.encoding, sure, place)
    steps = step_checks(session, instrument, sure, place)
    return (*checks, *steps, *uniformity_checks(screen.across, session, screen.instruments, place, guarded=guarded))


def in_theatre(screen: Screen, rule: str) -> tuple[Check, ...]:
    """Return the checks of a projector with the limits of a theatre; none for a reference monitor."""
    return () if screen.projector.kind == "monitor" else reference_conformity(screen, rule, THEATRE)


def projection_checks(
    figures: Figures, encoding: Encoding, sure: Sure, place: Place = REVIEW_ROOM
) -> tuple[Check, ...]:
    """Return a projector's checks against ST 431-1:2006 and RP 431-2:2011, about what is declared.

    Beside them, where the declared nominal is another, against the standards' own.
    """
    standard = STANDARD["P3 DCI"]
    found = _about(figures, encoding, sure, place)
    names = {check.name for check in found}
    for own in _about(figures, standard, sure, place):
        differs = _nominal(own.name, encoding) != _nominal(own.name, standard)
        if differs or own.name not in names:
            found.append(
                Check(
                    f"{own.name}, the standard's own",
                    *(own.value, own.limit, own.uncertainty, own.unit, own.result, own.source),
                )
            )
    return tuple(found)


def _nominal(name: str, encoding: Encoding) -> object:
    word = name.split(maxsplit=1)[0]
    if word == "luminance":
        return encoding.luminance
    if word == "gamma":
        return encoding.eotf, encoding.gamma
    return getattr(encoding, f"{word}_xy", None)


def _about(figures: Figures, encoding: Encoding, sure: Sure, place: Place) -> list[Check]:
    share = encoding.luminance / NOMINAL_PEAK
    scaled = "" if share == 1 else ", scaled with the declared peak"
    off = abs(figures.luminance - encoding.luminance)
    where = f", {place.name}"
    found = [
        sure.check(
            "luminance",
            *(off, place.luminance * share, sure.luminance * figures.luminance, "cd/m²"),
            f"{_ST}, 5.1{where}{scaled}",
        )
    ]
    for axis, got, nominal in zip("xy", figures.white_xy, encoding.white_xy, strict=True):
        source = f"{_ST}, 5.3{where}"
        found.append(sure.check(f"white {axis}", abs(got - nominal), place.white, sure.xy, axis, source))
    if figures.gamma is not None:
        off = abs(figures.gamma / encoding.gamma - 1)
        expanded = sure.gamma / encoding.gamma
        found.append(sure.check("gamma", off, place.gamma, expanded, "relative", f"{_RP}, 7.7{where}"))
    if figures.contrast is not None:
        expanded = sure.contrast * figures.contrast
        source = f"{_RP}, 7.5{where}, sequential"
        found.append(sure.least("contrast", figures.contrast, place.contrast, expanded, ":1", source))
    for name in _CHANNELS:
        pairs = zip("xy", getattr(figures, f"{name}_xy"), getattr(encoding, f"{name}_xy"), strict=True)
        for (axis, got, nominal), (below, above) in zip(pairs, _PRIMARY_BOXES[name], strict=True):
            limit = above if got >= nominal else below
            found.append(sure.check(f"{name} {axis}", abs(got - nominal), limit, sure.xy, axis, f"{_RP}, 7.9"))
    return found


def video_conformity(
    session: Session, response: Response, figures: Figures, instrument: Instrument, rule: str = "guarded"
) -> tuple[Check, ...] | None:
    """Return a monitor against EBU Tech 3320, every grade; None where it is not fed a video encoding, or PQ.

    Viewing angle, uniformity, streaking and simultaneous contrast are not in a session at the centre.
    """
    if session.encoding.eotf == "PQ" or not session.encoding.name.startswith(VIDEO):
        return None
    sure = _sure(session, response, instrument, guarded=rule == "guarded")
    return tuple(check for grade in GRADES for check in grade_checks(grade, session, response, figures, sure))


def grade_checks(grade: Grade, session: Session, response: Response, figures: Figures, sure: Sure) -> list[Check]:
    """Return the checks of one grade; the formulas of its Annex B, the encoding's nominal values."""
    found = []
    encoding = session.encoding

    def name(what: str) -> str:
        return f"{grade.name}: {what}"

    low, high = grade.peak
    expanded = sure.luminance * figures.luminance
    source = f"{_EBU}, 5.1: the peak as it is set lies in the range"
    found.append(sure.least(name("peak, least"), figures.luminance, low, expanded, "cd/m²", source))
    if figures.black is not None:
        expanded = (sure.luminance + sure.contrast) * figures.black
        found.append(sure.check(name("black"), figures.black, grade.black, expanded, "cd/m²", f"{_EBU}, 5.2"))
    if figures.contrast is not None:
        expanded = sure.contrast * figures.contrast
        source = f"{_EBU}, 5.3, full screen"
        found.append(sure.least(name("contrast"), figures.contrast, grade.contrast, expanded, ":1", source))
    if grade.gamma is not None:
        off = gamma_distance(response, encoding.gamma)
        source = f"{_EBU}, 5.4, 10 % to 90 % of signal, black subtracted"
        found.append(sure.check(name("gamma"), off, grade.gamma, sure.gamma, "", source))
    tracking = grey_tracking(session, response)
    if tracking is not None:
        # One step in x, y moves greys and white alike, so that the instrument's error cancels.
        found.append(sure.check(name("greys"), tracking, grade.greys, 0.0, "Δu*v*", f"{_EBU}, 5.5"))
    scale = 13.0 * _lightness(figures.luminance / high)
    step = scale * _uv_step(figures.white_xy, sure.xy)
    off = scale * white_distance(figures.white_xy, encoding.white_xy)
    found.append(sure.check(name("white"), off, grade.white, step, "Δu*v*", f"{_EBU}, 5.7, Annex B"))
    for channel, light in zip(_CHANNELS, response.primaries_xyz, strict=True):
        scale = 13.0 * _lightness(float(light[1]) / figures.luminance)
        got, nominal = getattr(figures, f"{channel}_xy"), getattr(encoding, f"{channel}_xy")
        step = scale * _uv_step(got, sure.xy)
        source = f"{_EBU}, 5.6, Annex B: nominal at the measured L*"
        off = scale * white_distance(got, nominal)
        found.append(sure.check(name(channel), off, grade.primaries, step, "Δu*v*", source))
    return found


def gamma_distance(response: Response, nominal: float) -> float:
    """Return the greatest distance of the local gamma from nominal over 10 % to 90 % of signal.

    log(light) / log(signal) with black subtracted: a raised black would bend it.
    """
    signal = np.arange(1, 10) / 10
    light = response.forward(np.repeat(np.append(signal, 1.0)[:, None], 3, axis=1))[:, 1] - response.black
    return float(np.abs(np.log(light[:-1] / light[-1]) / np.log(signal) - nominal).max())


def grey_tracking(session: Session, response: Response) -> float | None:
    """Return the greatest Δu*v* of the greys as read, 1 cd/m² and up, about the measured white.

    u* = 13 L* (u′ − u′ of white), L* under the measured white (EBU Tech 3320 v3.0, Annex B). None without greys.
    """
    patches = average_repeats(session)
    greys = patches.xyz[patches.greys()]
    greys = greys[greys[:, 1] >= 1.0]
    if len(greys) < 2:
        return None
    lightness = np.array([_lightness(y) for y in greys[:, 1] / response.white_xyz[1]])
    distance = np.hypot(*(uv(greys) - uv(response.white_xyz)).T)
    return float((13 * lightness * distance).max())


def _lightness(ratio: float) -> float:
    """Return L* of Y / Y_n (CIE 015:2018, 8.2.1)."""
    return float(116 * np.cbrt(ratio) - 16 if ratio > (6 / 29) ** 3 else (29 / 3) ** 3 * ratio)


def _uv_step(xy: Pair, step: float) -> float:
    """Return the greatest Δu′v′ of a step in x or in y."""
    u, v = uv_of(xy)
    moved = (uv_of((xy[0] + step, xy[1])), uv_of((xy[0], xy[1] + step)))
    return max(float(np.hypot(other[0] - u, other[1] - v)) for other in moved)


def reached_grade(checks: tuple[Check, ...]) -> str:
    """Return the best grade of which no check fails; ``no grade`` where each has one that does."""
    for grade in GRADES:
        own = [check for check in checks if check.name.startswith(f"{grade.name}:")]
        if own and all(check.result != "fail" for check in own):
            return grade.name
    return "no grade"
