"""A display over the years: its figures against date and against hours, changes marked, the drift as a line."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from matchlib.arrays import Array
from matchlib.facility.rooms import Tolerances
from matchlib.matching.ageing import FEWEST
from matchlib.matching.due import outlook_words
from matchlib.matching.history import FIGURES, DisplayHistory, Outlook, RoomHistory, Trend, trends_of
from matchlib.matching.result import Target
from matchlib.matching.verdict import uv_of
from matchlib.reporting.drawing import Drawing, Drawings, save_svg
from matchlib.reporting.plots.style import HAIR, LOOKS, NOW, PALE, SMALL, SOFT, note, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WIDTH, _ROW, _ABOVE, _BELOW = 6.7, 0.92, 0.28, 0.42  # inch
_AHEAD = 180  # days that a drift is drawn beyond the newest session
_LEFT, _DATE, _HOURS, _GAP = 0.125, 0.50, 0.27, 0.09  # parts of the width
# Heights of the axes at least; of peak and black a share of the newest. No source
_LEAST = MappingProxyType(
    {"peak": 0.05, "white_u": 0.003, "white_v": 0.003, "gamma": 0.1, "black": 0.2, "difference": 0.5}
)
_LETTERS = MappingProxyType({"adjusted": "a", "lamp": "l", "panel": "p", "jump": "j"})
_WORDS = MappingProxyType(
    {"adjusted": "adjusted", "lamp": "lamp changed", "panel": "panel changed", "jump": "jump, no change known"}
)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a monitor's figures are held against, and how far they may be from it."""

    ideal: Target
    tolerances: Tolerances


def trend(history: DisplayHistory, limits: Limits | None = None, outlook: Outlook | None = None) -> Drawing:
    """Return each figure against date, with its drift, and against hours of lamp or panel.

    Filled marks: since the last change; hollow ones: before. The drift is a line with its 95 % band.

    Args:
        history: Of the display, with one visit at least.
        limits: Drawn as thin lines; None: none are.
        outlook: Told in the alternative text.
    """
    trends = trends_of(history)
    height = _ABOVE + _BELOW + _ROW * len(trends)
    with sheet(_WIDTH, height) as figure:
        for row, (name, found) in enumerate(trends.items()):
            bottom, tall = (height - _ABOVE - _ROW * (row + 1) + 0.12) / height, (_ROW - 0.2) / height
            by_date = figure.add_axes((_LEFT, bottom, _DATE, tall))
            by_hours = figure.add_axes((_LEFT + _DATE + _GAP, bottom, _HOURS, tall))
            last = row == len(trends) - 1
            _panel(by_date, history, name, found, against="date")
            _panel(by_hours, history, name, found, against="hours")
            _drawn_drift(by_date, history, name, found)
            _drawn_limits((by_date, by_hours), name, limits)
            _heights(by_date, by_hours, history, name, found)
            _changes(by_date, history, found, letters=row == 0)
            _ticks(by_date, by_hours, history, last=last)
        svg = save_svg(figure)
    return Drawing("trend", history.name, _alt(history, trends, outlook), svg)


def room_trends(room: RoomHistory) -> Drawings:
    """Return the trend of a room's projector and of each of its monitors that was measured."""
    tolerances, drawings = room.match.tolerances, [trend(room.projector)]
    for history, outlook, match in zip(room.monitors, room.outlooks, room.match.monitors, strict=True):
        if history.visits:
            limits = Limits(match.ideal, tolerances) if match.ideal is not None and tolerances is not None else None
            drawings.append(trend(history, limits, outlook))
    return Drawings(drawings)


def _panel(axes: "Axes", history: DisplayHistory, name: str, found: Trend, *, against: str) -> None:
    """Draw the marks of one figure."""
    figure, first = FIGURES[name], len(history.visits) - len(history.present)
    look = LOOKS[NOW]
    for filled in (False, True):
        places = [place for place in found.places if (place >= first) == filled]
        visits = [history.visits[place] for place in places]
        kept = [visit for visit in visits if against == "date" or visit.hours is not None]
        across = [_number(visit.measured) if against == "date" else float(visit.hours or 0.0) for visit in kept]
        style = look.marks() if filled else look.marks() | {"markerfacecolor": "none"}
        axes.plot(across, [figure.of(visit) or 0.0 for visit in kept], **style, linestyle="none", zorder=look.order)
    if against == "date":
        axes.set_ylabel(f"{figure.words},\n{figure.unit}" if figure.unit else figure.words, fontsize=SMALL)
        axes.yaxis.set_label_coords(-0.155, 0.5)
    axes.margins(x=0.05, y=0.18)


def _drawn_drift(axes: "Axes", history: DisplayHistory, name: str, found: Trend) -> None:
    """Draw the line since the last change and its band, on to half a year after the newest session."""
    drift = found.drift
    if drift is None:
        return
    newest = max(place for place in found.places)
    end = _number(history.visits[newest].measured)
    days = np.linspace(0.0, drift.day + _AHEAD, 60)
    shown = np.exp if FIGURES[name].relative else _same
    line, half = drift.at(days), drift.range_at(days)
    look, dates = LOOKS[NOW], end - drift.day + days
    axes.fill_between(dates, shown(line - half), shown(line + half), color=PALE, linewidth=0, zorder=0)
    axes.plot(dates, shown(line), **look.line() | {"linewidth": 0.8, "zorder": 1.5})


def _same(values: Array) -> Array:
    return values


def _drawn_limits(both: tuple["Axes", "Axes"], name: str, limits: Limits | None) -> None:
    """Draw the limits of a figure; those of white are a circle, of which the width in u′ or v′ is shown."""
    for axes in both:
        for value in _limits_of(name, limits):
            axes.axhline(value, color=SOFT, linewidth=0.6, linestyle=(0, (1, 2)), zorder=1)


def _heights(by_date: "Axes", by_hours: "Axes", history: DisplayHistory, name: str, found: Trend) -> None:
    """Give both columns one range of values, no smaller than what a reader should care for."""
    values = [FIGURES[name].of(history.visits[place]) or 0.0 for place in found.places]
    low, high = by_date.get_ylim()
    least = _LEAST[name] * (abs(values[-1]) if name in ("peak", "black") else 1.0)
    more = max(least - (high - low), 0.0) / 2
    for axes in (by_date, by_hours):
        axes.set_ylim(low - more, high + more)


def _limits_of(name: str, limits: Limits | None) -> list[float]:
    if limits is None:
        return []
    ideal, allowed = limits.ideal, limits.tolerances
    u, v = uv_of(ideal.white_xy)
    ends: dict[str, Callable[[], list[float]]] = {
        "peak": lambda: [ideal.luminance * (1 - allowed.luminance), ideal.luminance * (1 + allowed.luminance)],
        "white_u": lambda: [u - allowed.white, u + allowed.white],
        "white_v": lambda: [v - allowed.white, v + allowed.white],
        "gamma": lambda: [] if ideal.gamma is None else [ideal.gamma - allowed.gamma, ideal.gamma + allowed.gamma],
        "difference": lambda: [allowed.mean_difference],
    }
    return ends[name]() if name in ends else []


def _changes(axes: "Axes", history: DisplayHistory, found: Trend, *, letters: bool) -> None:
    """Mark between which sessions the display was changed, and jumps that no change explains."""
    marks = [(place, kind) for place, kind in history.changes if place < len(history.visits)]
    marks += [(place, "jump") for place in found.jumps]
    for place, kind in marks:
        before, after = (_number(history.visits[index].measured) for index in (place - 1, place))
        at = (before + after) / 2
        axes.axvline(at, color=SOFT if kind != "jump" else HAIR, linewidth=0.8, linestyle="-", zorder=1)
        if letters or kind == "jump":
            style: dict[str, Any] = {"ha": "center", "va": "bottom", "fontsize": SMALL, "color": SOFT}
            axes.text(at, 1.02, _LETTERS[kind], transform=axes.get_xaxis_transform(), **style)


def _ticks(by_date: "Axes", by_hours: "Axes", history: DisplayHistory, *, last: bool) -> None:
    """Give both columns the same ranges in all rows, and words below the last."""
    from matplotlib.ticker import MaxNLocator

    dates = [_number(visit.measured) for visit in history.visits]
    span = max(dates[-1] - dates[0], 60.0)
    ahead = _AHEAD if len(history.present) >= FEWEST else 0.0
    by_date.set_xlim(dates[0] - 0.05 * span, dates[-1] + max(0.05 * span, ahead))
    for axes in (by_date, by_hours):
        axes.xaxis.set_major_locator(MaxNLocator(5 if axes is by_date else 4))
        axes.yaxis.set_major_locator(MaxNLocator(3))
        if not last:
            axes.set_xticklabels([])
    hours = [visit.hours for visit in history.visits if visit.hours is not None]
    if hours:
        room = 0.06 * max(max(hours) - min(hours), 100.0)
        by_hours.set_xlim(min(hours) - room, max(hours) + room)
    else:
        by_hours.set_xticks([])
        note(by_hours, 0.5, 0.5, "no hours told", ha="center", va="center")
    if last:
        by_date.xaxis.set_major_formatter(lambda value, _: (_EPOCH + timedelta(days=value)).date().isoformat())
        by_date.set_xlabel("date")
        by_hours.set_xlabel("hours of lamp" if history.kind == "projector" else "hours of panel")


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _number(moment: datetime) -> float:
    """Return days since 1970."""
    return (moment - _EPOCH).total_seconds() / 86_400


def _alt(history: DisplayHistory, trends: dict[str, Trend], outlook: Outlook | None) -> str:
    visits = history.visits
    told = [f"{len(visits)} sessions from {visits[0].day} to {visits[-1].day}"]
    told += [
        f"{_WORDS[kind]} before {visits[place].day}" if place < len(visits) else f"{_WORDS[kind]} since"
        for place, kind in history.changes
    ]
    told += [words for name, found in trends.items() for words in _figure_words(history, name, found)]
    if outlook is not None and outlook.first is not None:
        told.append(f"leaves its limits: {outlook_words(outlook)}")
    return f"Figures against date and hours. {'; '.join(told)}."


def _figure_words(history: DisplayHistory, name: str, found: Trend) -> list[str]:
    figure = FIGURES[name]
    first, last = (figure.of(history.visits[found.places[end]]) for end in (0, -1))
    drift = found.a_year(name)
    unit = f" {figure.rate_unit}" if figure.rate_unit else ""
    rate = (
        "not enough sessions for a drift" if drift is None else f"drift {drift[0]:+.3g} ± {drift[1]:.2g}{unit} a year"
    )
    jumped = [f"{figure.words} jumped before {history.visits[place].day}" for place in found.jumps]
    return [f"{figure.words} {first:.4g} to {last:.4g}, {rate}", *jumped]
