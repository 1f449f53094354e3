"""Levels of adjustment beyond the menu: what a box with curves, or with a 3D table, would make of a monitor."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.descent import project
from matchlib.matching.nearest import nearest_in_reach
from matchlib.matching.settings import Compared, Found, box_task
from matchlib.matching.space import Search, Settings, Task
from matchlib.matching.target import descend_all, search_all
from matchlib.perception.difference import Score

_SOFTENING = (0.03, 0.003)  # the start is the end of the level before


@dataclass(frozen=True, slots=True, eq=False)
class Levelled:
    """What a level would show, shape (n, 3), cd/m², and its score."""

    shown: Array
    score: Score


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """The best of curve, matrix, curve in front of the panel.

    Attributes:
        task: What was searched; ``settings``: found, its lift that of the curves.
        shown: What the monitor will show, shape (n, 3), cd/m².
        score: Of it.
        kept: Whether the menu does as well, so that the box follows it.
    """

    task: Task
    settings: Settings
    shown: Array
    score: Score
    kept: bool


def best_curves_all(monitors: Sequence[Compared], found: Sequence[Found]) -> list[Curves]:
    """Return the best curves of each monitor, searched side by side from the best of its menu; never worse."""
    plain = [_box(compared) for compared in monitors]
    ends = search_all([task for task, done in zip(plain, found, strict=True) if not _continues(task, done)])
    rest = iter(ends)
    spaces, starts = [], []
    for task, done in zip(plain, found, strict=True):
        if _continues(task, done):
            settings = done.settings
        else:
            space, x = next(rest)
            settings = space.settings(x)
        curved = Search(replace(task, gamma=settings.gamma, free_gamma=False, free_curves=True))
        start = project(curved, curved.unknowns(settings))
        spaces.append(curved)
        starts.append(curved.start if start is None else start)
    unknowns = descend_all(spaces, starts, _SOFTENING)
    return [
        _curves(compared, done, space, x)
        for compared, done, space, x in zip(monitors, found, spaces, unknowns, strict=True)
    ]


def best_table(compared: Compared, curves: Curves) -> Levelled:
    """Return what a 3D table leaves at the backlight of the curves: of each colour what looks most like it.

    Patch by patch, without the table's own interpolation. Where the panel's light does not add, the reach is
    that of its full primaries: a table made from its readings may do better. Never worse than the curves.
    """
    s, panel = curves.settings.backlight, compared.panel
    black = compared.veil.seen + s * panel.black_xyz
    drive = nearest_in_reach(compared.wanted.xyz, compared.wanted.white, panel.matrix, black, s)
    shown = black + drive @ panel.matrix.T
    found = Levelled(shown, compared.score_of(shown))
    return found if found.score.mean < curves.score.mean else Levelled(curves.shown, curves.score)


def _box(compared: Compared) -> Task:
    """Return the search of a box, which takes white, peak, primaries and tone whatever the menu takes."""
    return box_task(compared, compared.ideal.white_xyz - compared.veil.seen, compared.ideal.primaries_xyz.T)


def _continues(task: Task, found: Found) -> bool:
    """Return whether the menu's best is a setting of the box: the same white, and a tone of the same kind."""
    same_tone = (task.linear is None) == (found.task.linear is None)
    return same_tone and bool(np.allclose(task.white_xyz, found.settings.white_xyz, rtol=1e-9))


def _curves(compared: Compared, found: Found, space: Search, x: Array) -> Curves:
    shown = space.shown(x)
    score = compared.score_of(shown)
    best = found.target.expected
    if score.mean >= best.mean:
        return Curves(space.task, space.settings(x), found.after_xyz, best, kept=True)
    return Curves(space.task, space.settings(x), shown, score, kept=False)
