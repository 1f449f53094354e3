"""A display's figures over all its visits: what changed, how they drift, when they leave the room's limits."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from types import MappingProxyType

import numpy as np

from matchlib.arrays import Array, one_thread, read_only
from matchlib.encoding import Pair, convert_signal
from matchlib.facility.rooms import Tolerances
from matchlib.matching.ageing import FEWEST, Drift, Leaving, Series, fit_drift, jumps, leaves, leaves_circle
from matchlib.matching.errors_of_readings import Sources, display_of, sources_of
from matchlib.matching.fitting import fit_display
from matchlib.matching.reference import Judge
from matchlib.matching.result import Figures, RoomMatch, Target
from matchlib.matching.solving import figures_of
from matchlib.matching.veil import room_veil, under_veil
from matchlib.matching.verdict import CHECKS, uv_of
from matchlib.patches import standard_list
from matchlib.perception.difference import CIEDE2000, Score, ciede2000, score
from matchlib.readings.instrument import Meters
from matchlib.readings.session import Session

# How far a display's figures come back on another day, the instrument set up anew: standard uncertainties of the
# peak (relative), of u′ and v′, of gamma, of black (relative). Common practice, no source
SET_UP = MappingProxyType({"peak": 0.005, "white": 0.0003, "gamma": 0.01, "black": 0.02})


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """One complete calibrated session at the centre.

    Attributes:
        day: In the facility's time zone.
        scale: Whose scale it was read with: the instrument, and the correction used.
        sources: What can be wrong with that scale.
        own: Standard uncertainties by figure of what is this session's own.
        difference: To the projector as of that day; ``today``: to the projector as it is now; None where there is
            no projector, or it had not been measured.
    """

    file: str
    measured: datetime
    day: date
    hours: float | None
    instrument: str
    scale: str
    sources: Sources
    figures: Figures
    own: Mapping[str, float]
    difference: Score | None = None
    today: Score | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DisplayHistory:
    """A display over all its visits.

    Attributes:
        display: Its id; ``preset``: empty for a projector.
        kind: ``monitor`` or ``projector``.
        visits: Oldest first.
        changes: Before which visits it was changed, and how; ``len(visits)``: since the newest.
    """

    display: str
    preset: str
    kind: str
    visits: tuple[Visit, ...]
    changes: tuple[tuple[int, str], ...] = ()

    @property
    def name(self) -> str:
        """Its name, with the preset where it has one."""
        return f"{self.display} · {self.preset}" if self.preset else self.display

    @property
    def present(self) -> tuple[Visit, ...]:
        """The visits since the last change."""
        return self.visits[self.changes[-1][0] :] if self.changes else self.visits


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure that is followed over the years.

    Attributes:
        words: What it is; ``unit``: of its axis; ``rate_unit``: of its drift.
        of: Its value in a visit, as drawn; None where that visit has none.
        own: Whose uncertainty it has in ``Visit.own``; empty: its scatter alone tells.
        relative: Whether it drifts by a share: its logarithm runs along the line.
    """

    words: str
    unit: str
    rate_unit: str
    of: Callable[[Visit], float | None]
    own: str = ""
    relative: bool = False


FIGURES: Mapping[str, Figure] = MappingProxyType(
    {
        "peak": Figure("peak", "cd/m²", "%", lambda v: v.figures.luminance, "peak", relative=True),
        "white_u": Figure("white, u′", "", "", lambda v: uv_of(v.figures.white_xy)[0], "white"),
        "white_v": Figure("white, v′", "", "", lambda v: uv_of(v.figures.white_xy)[1], "white"),
        "gamma": Figure("gamma", "", "", lambda v: v.figures.gamma, "gamma"),
        "black": Figure("black", "cd/m²", "cd/m²", lambda v: v.figures.black, "black"),
        "difference": Figure(
            "difference", "mean CIEDE2000", "CIEDE2000", lambda v: v.difference.mean if v.difference else None
        ),
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """One figure since the last change.

    Attributes:
        places: Of the visits that have it, among all visits.
        drift: Its line, of the logarithm where the figure is relative; None: not enough sessions to tell.
        jumps: Places, among all visits, of those before which it jumped though no change is known.
    """

    places: tuple[int, ...]
    drift: Drift | None
    jumps: tuple[int, ...]

    def a_year(self, name: str) -> tuple[float, float] | None:
        """Return drift a year and half the width of its 95 % interval, in the figure's rate unit."""
        if self.drift is None:
            return None
        rate, half = 365.25 * self.drift.rate, 365.25 * self.drift.rate_range
        if FIGURES[name].relative:
            low, high = (100 * np.expm1(end) for end in (rate - half, rate + half))
            return float(100 * np.expm1(rate)), float((high - low) / 2)
        return rate, half


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """When a monitor leaves its room's limits, the projector taken to stay as it was last measured.

    Attributes:
        start: Day of the newest session.
        leaving: By check, of those that can be told; empty: not enough sessions to tell.
    """

    start: date
    leaving: Mapping[str, Leaving]

    @property
    def first(self) -> str | None:
        """The check that is left first; None where none is told to be within the horizon."""
        told = {name: entry.expected for name, entry in self.leaving.items() if entry.expected is not None}
        return min(told, key=lambda name: told[name]) if told else None

    def within(self, days: float) -> float:
        """Return the probability that the likeliest check leaves its limit within days after ``start``."""
        return max((entry.within(days) for entry in self.leaving.values()), default=0.0)


@dataclass(frozen=True, slots=True, eq=False)
class RoomHistory:
    """The projector of a room and its monitors over the years.

    Attributes:
        match: As it is now.
        outlooks: By place among the monitors.
    """

    match: RoomMatch
    projector: DisplayHistory
    monitors: tuple[DisplayHistory, ...]
    outlooks: tuple[Outlook | None, ...]


def visit_of(session: Session, panel: str, meters: Meters, day: date) -> tuple[Visit, Session]:
    """Return a session as a visit, without differences, and the session as it counts.

    Args:
        session: As read.
        panel: Kind of panel of a monitor; empty for a projector.
        meters: With the corrections of that day.
        day: Of the session in the facility's time zone.
    """
    instrument = meters.instruments[session.header.instrument]
    counted, correction = meters.corrected(session, panel)
    with one_thread():
        response = fit_display(counted)
        sources = sources_of(instrument, meters, correction)
        figures = figures_of(counted, response, instrument)
        errors = display_of(counted, response, standard_list().signal, sources, instrument)
    scatter, drift = errors.scatter, errors.drift
    read = {"white": drift.xy}
    if scatter is not None:
        black = scatter.black / max(abs(figures.black or 0.0), 1e-9)
        read |= {"peak": np.hypot(scatter.white, drift.luminance), "gamma": scatter.gamma, "black": black}
    own = {name: float(np.hypot(read.get(name, 0.0), again)) for name, again in SET_UP.items()}
    own["black"] = max(own["black"] * abs(figures.black or 0.0), 1e-9)
    header = session.header
    scale = header.instrument if correction is None else f"{header.instrument}, corrected {correction.made}"
    found = Visit(session.file, header.measured, day, header.hours, header.instrument, scale, sources, figures, own)
    return found, counted


def difference_to(judge: Judge, session: Session) -> Score:
    """Return how far a monitor's session is from what a judge's projector asks for, over the standard list."""
    reference = judge.reference
    with one_thread():
        response = under_veil(fit_display(session), room_veil(judge.room, session).unread)
        signal = convert_signal(reference.patches.signal, reference.encoding, session.encoding)
        aim = reference.wanted
        return score(CIEDE2000, ciede2000(aim.xyz, response.forward(signal), aim.white), reference.patches.labels)


def trends_of(history: DisplayHistory) -> dict[str, Trend]:
    """Return the trend of each figure that any visit has."""
    present = _followed_places(history)
    found = {}
    for name, figure in FIGURES.items():
        places = tuple(place for place, visit in enumerate(history.visits) if figure.of(visit) is not None)
        if places:
            used = [place for place in places if place in present]
            series = _followed(history, used, figure)
            found[name] = Trend(places, fit_drift(series), tuple(used[place] for place in jumps(series)))
    return found


def outlook_of(history: DisplayHistory, ideal: Target, tolerances: Tolerances, screen: Sources | None) -> Outlook:
    """Return when a monitor leaves its limits.

    Args:
        history: Of the monitor.
        ideal: What its figures are held against, as today's match has it.
        tolerances: Of its room.
        screen: What can be wrong with the projector's session; None: with a nominal reference nothing is.
    """
    visits = tuple(history.visits[place] for place in _followed_places(history))
    leaving: dict[str, Leaving] = {}
    if len(visits) >= FEWEST:
        ratios = [_log(visit.figures.luminance / ideal.luminance) for visit in visits]
        peak = fit_drift(_against(visits, "peak", ratios, screen))
        if peak is not None:
            limit = tolerances.luminance
            leaving["luminance"] = leaves(peak, float(np.log1p(-limit)), float(np.log1p(limit)))
        leaving |= _white_leaving(visits, ideal.white_xy, tolerances.white, screen)
        leaving |= _gamma_leaving(visits, ideal.gamma, tolerances.gamma)
        leaving |= _difference_leaving(visits, tolerances)
    start = visits[-1].day if visits else history.visits[-1].day
    return Outlook(start, {name: leaving[name] for name in CHECKS if name in leaving})


def _followed_places(history: DisplayHistory) -> list[int]:
    """Return the places of the visits that a line runs through: since the last change, each day's last.

    What was read before it on that day was read to set the display.
    """
    first = len(history.visits) - len(history.present)
    return list({visit.day: place for place, visit in enumerate(history.visits) if place >= first}.values())


def _white_leaving(
    visits: tuple[Visit, ...], white_xy: Pair, limit: float, screen: Sources | None
) -> dict[str, Leaving]:
    wanted = uv_of(white_xy)
    away = [np.subtract(uv_of(visit.figures.white_xy), wanted) for visit in visits]
    lines = [fit_drift(_against(visits, "white", [float(way[axis]) for way in away], screen)) for axis in (0, 1)]
    u, v = lines
    return {} if u is None or v is None else {"white": leaves_circle((u, v), limit)}


def _gamma_leaving(visits: tuple[Visit, ...], gamma: float | None, limit: float) -> dict[str, Leaving]:
    read = [visit for visit in visits if visit.figures.gamma is not None]
    if gamma is None or not read or read[-1] is not visits[-1]:  # days are counted from the newest visit
        return {}
    series = _series(read, [(visit.figures.gamma or 0.0) - gamma for visit in read], "gamma")
    drift = fit_drift(series)
    return {} if drift is None else {"gamma": leaves(drift, -limit, limit)}


def _difference_leaving(visits: tuple[Visit, ...], tolerances: Tolerances) -> dict[str, Leaving]:
    """Return when the mean and the 95th percentile leave their limits; they have no limit below."""
    compared = [(visit, visit.today) for visit in visits if visit.today is not None]
    found: dict[str, Leaving] = {}
    if not compared or compared[-1][0] is not visits[-1]:
        return found
    for name in ("mean_difference", "p95_difference"):
        values = [now.mean if name == "mean_difference" else now.p95 for _, now in compared]
        drift = fit_drift(_series([visit for visit, _ in compared], values, ""))
        if drift is not None:
            found[name] = leaves(drift, -np.inf, getattr(tolerances, name))
    return found


def _followed(history: DisplayHistory, places: list[int], figure: Figure) -> Series:
    """Return a figure over visits, as its line runs."""
    visits = [history.visits[place] for place in places]
    values = [figure.of(visit) or 0.0 for visit in visits]
    followed = _series(visits, [_log(value) for value in values] if figure.relative else values, figure.own)
    if figure.own not in ("peak", "white"):
        return followed
    return replace(followed, common=read_only([_common(visit, figure.own, None) for visit in visits]))


def _against(visits: tuple[Visit, ...], name: str, values: list[float], screen: Sources | None) -> Series:
    """Return a figure less the projector's: an instrument that read both errs on both alike, as far as it does."""
    followed = _series(list(visits), values, name)
    return replace(followed, common=read_only([_common(visit, name, screen) for visit in visits]))


def _series(visits: list[Visit], values: list[float], own: str) -> Series:
    start = visits[0].measured if visits else None
    days = [(visit.measured - start).total_seconds() / 86_400 for visit in visits if start is not None]
    return Series(
        days=read_only(days),
        values=read_only(values),
        own=read_only([visit.own[own] for visit in visits]) if own else None,
        common=np.zeros(len(visits)),
        scales=tuple(visit.scale for visit in visits),
    )


def _common(visit: Visit, name: str, screen: Sources | None) -> float:
    """Return the standard uncertainty that a visit's scale has in all its sessions."""
    sources = visit.sources
    both = screen is not None and screen.instrument == sources.instrument
    if name == "peak":
        left = [0.0 if both else sources.luminance, sources.residual_luminance]
        left += [screen.luminance] if screen is not None and not both else []
        return float(np.linalg.norm(left))
    share = 2 * (1 - sources.common_xy) if both else 1.0
    left = [sources.xy * np.sqrt(share), sources.residual_xy]
    left += [screen.xy] if screen is not None and not both else []
    return float(np.linalg.norm(left) * _uv_of_xy(visit.figures.white_xy))


def _uv_of_xy(white_xy: Pair) -> float:
    """Return the length in u′ or v′ of one unit of error in both x and y, root mean square of the two."""
    step = 1e-5
    moved: list[Array] = []
    for axis in (0, 1):
        off = np.array(white_xy)
        off[axis] += step
        moved.append(np.subtract(uv_of((off[0], off[1])), uv_of(white_xy)) / step)
    return float(np.sqrt((np.array(moved) ** 2).sum() / 2))


def _log(value: float) -> float:
    return float(np.log(max(value, 1e-9)))
