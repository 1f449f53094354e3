"""The level ``settings``: what a monitor's own menu can do, at its best."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from matchlib.arrays import Array
from matchlib.displays.reach import Panel, nearest_white
from matchlib.displays.response import Response
from matchlib.facility.rooms import Monitor, Room
from matchlib.matching.descent import project
from matchlib.matching.ideal import Ideal
from matchlib.matching.limits import chromaticity
from matchlib.matching.result import Figures, Target
from matchlib.matching.space import GAMMA_RANGE, Search, Settings, Task
from matchlib.matching.target import search
from matchlib.perception.difference import CIEDE2000, Score, ciede2000, score
from matchlib.perception.viewing import Wanted

WORTH_SETTING = 0.05  # CIEDE2000, mean: what gains less is not worth odd settings, or a visit


@dataclass(frozen=True, eq=False)
class Compared:
    """A monitor as it was measured, beside what it should show.

    Attributes:
        response: Fitted to its calibrated session; ``figures``: the same in figures.
        signal: The standard list in the monitor's signals, shape (n, 3); ``labels``: its patches.
        wanted: What the monitor should show for them.
    """

    response: Response
    figures: Figures
    panel: Panel
    ideal: Ideal
    signal: Array
    labels: tuple[str, ...]
    wanted: Wanted

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
    """

    task: Task
    settings: Settings
    target: Target
    after_xyz: Array
    primaries_xyz: Array


def best_settings(compared: Compared, monitor: Monitor, room: Room) -> Found:
    """Return the best that the monitor's menu can do; never worse than what it shows now."""
    task = _task(compared, monitor, room)
    space, x = _best(task, compared.ideal)
    settings, after = space.settings(x), space.shown(x)
    expected = compared.score_of(after)
    if expected.mean >= compared.now.mean:
        as_it_is = _as_it_is(compared)
        return Found(task, settings, as_it_is, compared.now_xyz, compared.response.primaries_xyz.T)
    target = _target(settings, compared.panel, task, expected)
    return Found(task, settings, target, after, settings.primaries_xyz)


def _task(compared: Compared, monitor: Monitor, room: Room) -> Task:
    """Return the search of one monitor: what its menu takes is free, the rest stays as it is."""
    adjusts, panel, response, ideal = monitor.adjusts, compared.panel, compared.response, compared.ideal
    free_primaries, free_gamma = "primaries" in adjusts, "gamma" in adjusts
    white = ideal.white_xyz if "white" in adjusts else response.white_xyz
    peak = ideal.white_xyz[1] if "luminance" in adjusts else response.luminance
    primaries = ideal.primaries_xyz.T if free_primaries else response.primaries_xyz.T
    pinned = nearest_white(panel, white / white[1] * peak)
    pinned = _within_peak(pinned, panel, None if free_primaries else primaries)
    gamma = ideal.gamma if free_gamma or not np.isfinite(response.gamma) else response.gamma
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
        free_gamma=free_gamma,
        linear=None if free_gamma else response.linear(compared.signal),
        backlight_range=(monitor.dims_min, 1.0) if monitor.dims == "backlight" else (1.0, 1.0),
        shrink=room.out_of_reach == "shrink",
    )


def _within_peak(white: Array, panel: Panel, fixed_primaries: Array | None) -> Array:
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


def _best(task: Task, ideal: Ideal) -> tuple[Search, Array]:
    """Return the searched settings, or the ideal's own figures where those do as well within a hair."""
    space, x = search(task)
    if not (task.free_primaries or task.free_gamma):
        return space, x
    own = replace(task, free_primaries=False, free_gamma=False)
    if task.free_gamma:
        own = replace(own, gamma=float(np.clip(ideal.gamma, *GAMMA_RANGE)))
    plain = Search(own)
    clips = task.shrink and bool(np.any(plain.drive(plain.start) < -1e-9))
    if clips or project(plain, plain.start) is None:
        return space, x
    plain, plain_x = search(own)
    return (plain, plain_x) if plain.mean(plain_x) - space.mean(x) < WORTH_SETTING else (space, x)


def _target(settings: Settings, panel: Panel, task: Task, expected: Score) -> Target:
    red, green, blue = (chromaticity(light) for light in settings.primaries_xyz.T)
    return Target(
        luminance=float(settings.white_xyz[1]),
        black=float(settings.backlight * panel.black_xyz[1]),
        white_xy=chromaticity(settings.white_xyz),
        red_xy=red,
        green_xy=green,
        blue_xy=blue,
        gamma=settings.gamma,
        tone="gamma" if task.linear is None else "curve",
        expected=expected,
    )


def _as_it_is(compared: Compared) -> Target:
    figures = compared.figures
    return Target(
        luminance=figures.luminance,
        black=compared.response.black,
        white_xy=figures.white_xy,
        red_xy=figures.red_xy,
        green_xy=figures.green_xy,
        blue_xy=figures.blue_xy,
        gamma=figures.gamma,
        tone="curve",
        expected=compared.now,
    )
