"""The level ``settings``: what a monitor's own menu can do, at its best."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel, nearest_white
from matchlib.displays.response import Response
from matchlib.encoding import Encoding, signal_to_linear
from matchlib.facility.rooms import Monitor, Room
from matchlib.matching.descent import project
from matchlib.matching.ideal import PQ, Ideal, log_slope
from matchlib.matching.limits import chromaticity
from matchlib.matching.reference import Reference
from matchlib.matching.result import Figures, Target
from matchlib.matching.space import GAMMA_RANGE, Search, Settings, Task
from matchlib.matching.target import search_all
from matchlib.matching.veil import Veil
from matchlib.perception.difference import CIEDE2000, Score, ciede2000, score
from matchlib.perception.viewing import Wanted

WORTH_SETTING = 0.05  # CIEDE2000, mean: what gains less is not worth odd settings, or a visit
NAMED_TONES = ("BT.1886", "sRGB")  # that a menu offers by name
_GREYS = np.linspace(0.0, 1.0, 101)


@dataclass(frozen=True, eq=False)
class Compared:
    """A monitor, and what it is compared with.

    Attributes:
        response: What a viewer sees of it, room light included; ``figures``: as read.
        panel: Room light left out.
        signal: The standard list in the monitor's signals, shape (n, 3); ``labels``: its patches.
        wanted: What the monitor should show for them.
        encoding: Of its signals.
        monitor: Its row; ``room``: its room.
    """

    response: Response
    figures: Figures
    panel: Panel
    ideal: Ideal
    signal: Array
    labels: tuple[str, ...]
    wanted: Wanted
    encoding: Encoding
    monitor: Monitor
    room: Room
    veil: Veil = field(default_factory=Veil)

    @cached_property
    def now_xyz(self) -> Array:
        """What it shows now through its fit, shape (n, 3), cd/m²."""
        return self.response.forward(self.signal)

    @cached_property
    def now(self) -> Score:
        """How far that is from what it should show."""
        return self.score_of(self.now_xyz)

    def score_of(self, shown: Array) -> Score:
        """Return the score of what is shown, shape (n, 3), cd/m²."""
        return score(CIEDE2000, ciede2000(self.wanted.xyz, shown, self.wanted.white), self.labels)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The best settings, and what they would show.

    Attributes:
        task: What was searched; ``settings``: what was found.
        target: What to set; the monitor's own figures where nothing found is better.
        after_xyz: What it will then show, shape (n, 3), cd/m².
        primaries_xyz: Columns full red, green, blue of the target above black, shape (3, 3).
        kept: Whether nothing found is better than what it shows now.
    """

    task: Task
    settings: Settings
    target: Target
    after_xyz: Array
    primaries_xyz: Array
    kept: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """A search that ended: its task, tone, space and unknowns, and how much better another must be."""

    task: Task
    tone: str
    space: Search
    x: Array


def best_settings(compared: Compared) -> Found:
    """Return the best that the monitor's menu can do; never worse than what it shows now."""
    return best_settings_all([compared])[0]


def best_settings_all(monitors: Sequence[Compared]) -> list[Found]:
    """Return the best of each monitor's menu, all searched side by side."""
    tasks = [menu_task(compared) for compared in monitors]
    free = [_Candidate(task, _tone(compared), *end) for compared, task, end in _searched(monitors, tasks)]
    named = [(place, _named_task(compared, tasks[place])) for place, compared in enumerate(monitors)]
    renamed = [(place, task) for place, task in named if task is not None]
    ends = search_all([task for _, task in renamed])
    others: dict[int, list[_Candidate]] = {}
    for (place, task), end in zip(renamed, ends, strict=True):
        others.setdefault(place, []).append(_Candidate(task, monitors[place].encoding.eotf, *end))
    for place, compared in enumerate(monitors):
        own = _own_figures(compared, tasks[place])
        if own is not None:
            others.setdefault(place, []).append(own)
    return [
        _found(compared, _simplest(free[place], others.get(place, []))) for place, compared in enumerate(monitors)
    ]


def _searched(
    monitors: Sequence[Compared], tasks: Sequence[Task]
) -> list[tuple[Compared, Task, tuple[Search, Array]]]:
    return list(zip(monitors, tasks, search_all(tasks), strict=True))


def _simplest(best: _Candidate, others: Sequence[_Candidate]) -> _Candidate:
    """Return the last of the simpler ones that does as well within a hair, else the best."""
    least = best.space.mean(best.x)
    for other in others:
        if other.space.mean(other.x) - least < WORTH_SETTING:
            best = other
    return best


def _found(compared: Compared, chosen: _Candidate) -> Found:
    space, x = chosen.space, chosen.x
    settings, after = space.settings(x), space.shown(x)
    expected = compared.score_of(after)
    if expected.mean >= compared.now.mean:
        as_it_is = _as_it_is(compared)
        primaries = compared.response.primaries_xyz.T
        return Found(chosen.task, settings, as_it_is, compared.now_xyz, primaries, kept=True)
    target = target_of(compared, settings, expected, chosen.tone, chosen.task)
    return Found(chosen.task, settings, target, after, settings.primaries_xyz)


def menu_task(compared: Compared) -> Task:
    """Return the search of one monitor: what its menu takes is free, the rest stays as it is."""
    adjusts, response, ideal = compared.monitor.adjusts, compared.response, compared.ideal
    own_white = response.white_xyz - compared.veil.seen
    wanted_white = ideal.white_xyz - compared.veil.seen
    free_primaries, free_gamma = "primaries" in adjusts, "gamma" in adjusts
    white = wanted_white if "white" in adjusts else own_white
    peak = wanted_white[1] if "luminance" in adjusts else own_white[1]
    primaries = ideal.primaries_xyz.T if free_primaries else response.primaries_xyz.T
    task = box_task(compared, white / white[1] * peak, primaries, free_primaries=free_primaries)
    if free_gamma:
        return task
    gamma = response.gamma if np.isfinite(response.gamma) else task.gamma
    linear = response.linear(compared.signal)
    return replace(task, gamma=float(np.clip(gamma, *GAMMA_RANGE)), free_gamma=False, linear=linear)


def box_task(compared: Compared, white: Array, primaries: Array, *, free_primaries: bool = True) -> Task:
    """Return the search in which all is free but what is given: the tone a gamma, or PQ where it is fed that.

    Args:
        compared: The monitor.
        white: Wanted, with black, room light left out, shape (3,), cd/m².
        primaries: Start, or fixed, columns, shape (3, 3).
        free_primaries: Whether they are searched.
    """
    panel, ideal, monitor = compared.panel, compared.ideal, compared.monitor
    pinned = within_peak(nearest_white(panel, white), panel, None if free_primaries else primaries)
    linear = absolute_tone(compared, pinned) if ideal.tone == PQ else None
    gamma = ideal.gamma if np.isfinite(ideal.gamma) else compared.encoding.gamma
    return Task(
        signal=compared.signal,
        wanted_xyz=compared.wanted.xyz,
        reference_white=compared.wanted.white,
        panel=panel,
        white_xyz=pinned,
        primaries_xyz=primaries,
        hull_xyz=np.vstack([ideal.primaries_xyz, panel.matrix.T]),
        gamma=float(np.clip(gamma, *GAMMA_RANGE)),
        free_primaries=free_primaries,
        free_gamma=linear is None,
        linear=linear,
        backlight_range=(monitor.dims_min, 1.0) if monitor.dims == "backlight" else (1.0, 1.0),
        shrink=compared.room.out_of_reach == "shrink",
        veil_xyz=compared.veil.seen,
    )


def absolute_tone(compared: Compared, white: Array) -> Array:
    """Return the linear light of PQ on a display of this white, shape (n, 3); a lower peak clips."""
    light = signal_to_linear(compared.signal, compared.encoding) * float(compared.ideal.white_xyz[1] / white[1])
    return np.minimum(light, 1.0)


def within_peak(white: Array, panel: Panel, fixed_primaries: Array | None = None) -> Array:
    """Return the white, darkened as far as the panel's light demands.

    With free primaries the panel's own can always be had, so each channel's share of white must not exceed
    its full drive; with fixed ones no row's positive part may.
    """
    inverse = np.linalg.inv(panel.matrix)
    black = inverse @ panel.black_xyz
    if fixed_primaries is None:
        highest = float(((1 + black) / (inverse @ white)).min())
        return white * min(1.0, highest * (1 - 1e-9))
    directions = inverse @ (fixed_primaries / fixed_primaries.sum(axis=0))

    def drive(scale: float) -> float:
        share = np.linalg.solve(directions, inverse @ white * scale - black)
        return float(np.maximum(directions * share, 0).sum(axis=1).max())

    if drive(1.0) <= 1.0:
        return white
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if drive(middle) <= 1.0 else (low, middle)
    return white * low * (1 - 1e-9)


def _tone(compared: Compared) -> str:
    if compared.ideal.tone == PQ:
        return PQ
    return "gamma" if "gamma" in compared.monitor.adjusts else "curve"


def _named_task(compared: Compared, task: Task) -> Task | None:
    """Return the search with the tone that the monitor's encoding names; None where it names none to choose."""
    if compared.encoding.eotf not in NAMED_TONES or not task.free_gamma:
        return None
    black = float(task.panel.black_xyz[1] / task.white_xyz[1])
    linear = signal_to_linear(compared.signal, compared.encoding, black)
    return replace(task, linear=linear, free_gamma=False)


def _own_figures(compared: Compared, task: Task) -> _Candidate | None:
    """Return the ideal's own figures as a search of the backlight alone; None where they are out of reach."""
    if not (task.free_primaries or task.free_gamma):
        return None
    own = replace(task, free_primaries=False, free_gamma=False)
    plain = Search(own)
    clips = task.shrink and bool(np.any(plain.drive(plain.start) < -1e-9))
    if clips or project(plain, plain.start) is None:
        return None
    return _Candidate(own, _tone(compared), *search_all([own])[0])


def target_of(compared: Compared, settings: Settings, expected: Score, tone: str, task: Task) -> Target:
    """Return settings as figures, by the definitions of design 4: as the calibrated session would read them."""
    red, green, blue = (chromaticity(light) for light in settings.primaries_xyz.T)
    white = settings.white_xyz + compared.veil.read
    gamma: float | None = settings.gamma
    if tone in NAMED_TONES:
        black = float(task.panel.black_xyz[1] / task.white_xyz[1])
        gamma = log_slope(_GREYS, signal_to_linear(_GREYS, compared.encoding, black))
    return Target(
        luminance=float(white[1]),
        black=float(settings.backlight * compared.panel.black_xyz[1] + compared.veil.read[1]),
        white_xy=chromaticity(white),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=None if tone == PQ else gamma,
        tone=tone,
        expected=expected,
    )


def _as_it_is(compared: Compared) -> Target:
    figures = compared.figures
    return Target(
        luminance=figures.luminance,
        black=compared.response.black - float(compared.veil.unread[1]),
        white_xy=figures.white_xy,
        red_xy=figures.red_xy,
        green_xy=figures.green_xy,
        blue_xy=figures.blue_xy,
        gamma=figures.gamma,
        tone="curve",
        expected=compared.now,
    )


def ideal_linear(reference: Reference, compared: Compared) -> Array:
    """Return the linear light of the patches by the tone the monitor should have, shape (n, 3).

    The projector's own curves where its signals are the monitor's, else the ideal's tone.
    """
    same = compared.encoding == reference.encoding and reference.wanted.viewing.mode != "appearance"
    if same:
        return reference.response.linear(reference.patches.signal)
    return _tone_of(compared.ideal, compared)


def _tone_of(ideal: Ideal, compared: Compared) -> Array:
    if ideal.tone == PQ:
        return signal_to_linear(compared.signal, compared.encoding)
    return np.asarray(compared.signal**ideal.gamma)


def ideal_shown(compared: Compared, ideal: Ideal, backlight: float) -> Array:
    """Return what an unlimited display set to an ideal shows over the monitor's black, shape (n, 3), cd/m²."""
    black = backlight * compared.panel.black_xyz
    directions = ideal.primaries_xyz.T
    matrix = directions * np.linalg.solve(directions, ideal.white_xyz - compared.veil.seen - black)
    return np.asarray(compared.veil.seen + black + _tone_of(ideal, compared) @ matrix.T)


def ideal_target(compared: Compared, ideal: Ideal, backlight: float) -> Target:
    """Return an ideal as a target, and what an unlimited display set to it would leave."""
    white = ideal.white_xyz - compared.veil.unread
    red, green, blue = (chromaticity(light) for light in ideal.primaries_xyz)
    return Target(
        luminance=float(white[1]),
        black=float(backlight * compared.panel.black_xyz[1] + compared.veil.read[1]),
        white_xy=chromaticity(white),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=ideal.gamma if ideal.tone != PQ else None,
        tone=ideal.tone,
        expected=compared.score_of(ideal_shown(compared, ideal, backlight)),
    )
