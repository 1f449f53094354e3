"""A monitor's page as the data that the template sets: figures, checks, levels, drawings."""

from dataclasses import dataclass
from typing import Any

from matchlib.matching.result import Check, Expanded, Figures, MonitorMatch, RoomMatch, Target
from matchlib.perception.difference import Score
from matchlib.reporting import words
from matchlib.reporting.drawing import Drawing
from matchlib.reporting.outlook import LEVEL_WORDS, boxes_words, keeping_words
from matchlib.reporting.repeats import repeats_advice
from matchlib.reporting.shared import cost_of, gamma_or_tone

CAPTIONS = {
    "chromaticity": "Colours it can make, against the screen's",
    "tone": "Tone: how light the greys are",
    "patches": "Difference by patch, worst first",
    "greys": "Tint of the greys against the screen's",
}
WIDE = "causes"  # the drawing across the page
_RESULTS = {"pass": "within", "fail": "beyond", "undecided": "undecided"}
_FIGURES = (("peak, cd/m²", "luminance", 1), ("black, cd/m²", "black", 4), ("gamma", "gamma", 2))


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the table of figures; ``sure``: whether its figures carry an uncertainty."""

    head: str
    figures: Figures | Target | None
    score: Score | None = None
    sure: bool = True

    @property
    def uncertainty(self) -> Expanded | None:
        """Of its figures; None where they are exact or not known."""
        return self.figures.uncertainty if self.sure and self.figures is not None else None


def monitor_page(
    room: RoomMatch, monitor: MonitorMatch, files: dict[tuple[str, str], tuple[str, Drawing]]
) -> dict[str, Any]:
    """Return everything that stands on a measured monitor's page."""
    subject = words.name_of(monitor)
    columns = columns_of(room, monitor)
    return {
        "name": subject,
        "result": words.RESULTS[monitor.verdict.result],
        "summary": words.summary(monitor),
        "heads": [column.head for column in columns],
        "figures": _figures(columns),
        "drawings": [_drawing(files[name, subject], caption) for name, caption in CAPTIONS.items()],
        "causes": _drawing(files[WIDE, subject], _causes_caption(monitor)),
        "checks": [_check(check) for check in monitor.verdict.checks],
        "levels": _levels(monitor),
        "notes": [
            text for text in (boxes_words(monitor), keeping_words(monitor), repeats_advice(room, monitor)) if text
        ],
        "limits": list(monitor.limits),
        "warnings": list(monitor.warnings),
    }


def columns_of(room: RoomMatch, monitor: MonitorMatch) -> list[Column]:
    """Return what stands side by side: screen, now, what to set (and the own best where that differs), ideal.

    What is typed in is exact; the uncertainty of what is followed stands beside the ideal.
    """
    set_to = monitor.set_to
    columns = [
        Column("Screen", room.projector.response),
        Column("Monitor now", monitor.response, monitor.difference),
        Column("Set it to", set_to, _expected(set_to), sure=False),
    ]
    cost = cost_of(monitor)
    if monitor.follows_room and cost is not None and _differ(set_to, monitor.target):
        columns[-1] = Column("Shared target", set_to, _expected(set_to), sure=False)
        columns.append(Column("Its own best", monitor.target, _expected(monitor.target), sure=False))
    return [*columns, Column("Ideal", monitor.ideal, _expected(monitor.ideal))]


def _expected(target: Target | None) -> Score | None:
    return None if target is None else target.expected


def _differ(one: Target | None, other: Target | None) -> bool:
    """Return whether two targets differ in what a sheet prints."""
    return one is not None and other is not None and _printed(one) != _printed(other)


def _printed(target: Target) -> list[str]:
    pairs = (target.white_xy, target.red_xy, target.green_xy, target.blue_xy)
    return [f"{target.luminance:.1f}", gamma_or_tone(target), *(_pair(pair) for pair in pairs)]


def _drawing(found: tuple[str, Drawing], caption: str) -> dict[str, str]:
    file, drawing = found
    return {"file": file, "alt": drawing.alt, "caption": caption}


def _causes_caption(monitor: MonitorMatch) -> str:
    return f"Where the difference comes from: {words.main_causes(monitor)}"


def _check(check: Check) -> list[str]:
    return [
        words.check_words(check.name),
        _check_value(check.value, check.unit),
        "–" if check.uncertainty is None else f"±\u00a0{_check_value(check.uncertainty, check.unit)}",
        _check_value(check.limit, check.unit),
        "no figure" if check.value is None else _RESULTS[check.result],
    ]


def _check_value(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    if unit == "relative":
        return f"{100 * value:.1f} %"
    return f"{value:.4f}\u00a0u′v′" if unit == "Δu′v′" else f"{value:.2f}"


def _levels(monitor: MonitorMatch) -> list[list[str]]:
    """Return the strip of levels: what adjusts it, and the mean difference that this leaves."""
    scores = {name: monitor.levels.get(level) for level, name in LEVEL_WORDS.items()}
    return [[name, "–" if score is None else _mean(score)] for name, score in scores.items()]


def _figures(columns: list[Column]) -> list[list[str]]:
    """Return the table of a monitor's page: a row a figure."""
    rows = [[name, *(_sure_figure(c, key, places) for c in columns)] for name, key, places in _FIGURES]
    for name in ("white", "red", "green", "blue"):
        pairs = [getattr(c.figures, f"{name}_xy") if c.figures else None for c in columns]
        rows.append([f"{name} x, y", *("–" if pair is None else _pair(pair) for pair in pairs)])
    rows.append(["white ± x, y (k = 2)", *(_sure_pair(c.uncertainty) for c in columns)])
    scores = [column.score for column in columns]
    rows.append(["difference: mean", *("–" if s is None else _mean(s) for s in scores)])
    ends = ["–" if s is None else f"{s.p95:.2f},\u00a0{s.worst:.1f}" for s in scores]
    return [*rows, ["difference: 95 %, worst", *ends]]


def _pair(pair: tuple[float, float]) -> str:
    return f"{pair[0]:.4f}\u00a0{pair[1]:.4f}"


def _mean(score: Score) -> str:
    return f"{score.mean:.2f}{words.plus_minus(score.u_mean)}"


def _sure_figure(column: Column, key: str, places: int) -> str:
    """Return a figure with its expanded uncertainty, which has a place more where it would be lost else."""
    found = column.figures
    if key == "gamma" and isinstance(found, Target) and found.gamma is None:
        return gamma_or_tone(found)
    value = None if found is None else getattr(found, key)
    if value is None:
        return "not read" if key == "black" else "–"
    expanded = None if column.uncertainty is None else getattr(column.uncertainty, key)
    if expanded is None:
        return f"{value:.{places}f}"
    return f"{value:.{places}f}\u00a0±\u00a0{expanded:.{places + (expanded < 0.5 * 10**-places)}f}"


def _sure_pair(sure: Expanded | None) -> str:
    if sure is None or sure.white_xy is None:
        return "–"
    return "\u00a0".join(f"{value:.4f}" for value in sure.white_xy)
