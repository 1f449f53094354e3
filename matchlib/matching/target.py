"""The target of a monitor: the settings that make its mean CIEDE2000 least, inside its panel's reach."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matchlib.arrays import Array
from matchlib.matching.descent import SOFTENING, descend, project
from matchlib.matching.space import Search, Task
from matchlib.matching.stack import Stack

_COARSE = (1.0, 0.3)  # softenings of a start, which is searched on
_SAME = 0.01  # of every unknown: two coarse ends so near go on to one and the same
_BATCH = 64  # tasks side by side: more gain no speed and fill the cache


def search(task: Task) -> tuple[Search, Array]:
    """Return the search space, and the unknowns that make the mean CIEDE2000 least.

    Raises:
        ValueError: No setting keeps the conditions; the white is beyond the panel's light.
    """
    return search_all([task])[0]


def search_all(tasks: Sequence[Task], more: Sequence[Array | None] = ()) -> list[tuple[Search, Array]]:
    """Return for each task its search space and the unknowns that make its mean CIEDE2000 least.

    From two starts: the task's own figures moved inside the conditions, and the best that clips nothing.

    Args:
        tasks: Of one patch count.
        more: A further start for each task, or None.

    Raises:
        ValueError: No setting keeps the conditions of a task; the white is beyond the panel's light.
    """
    spaces = [Search(task) for task in tasks]
    starts = [[project(space, space.start)] for space in spaces]
    for place, start in enumerate(more):
        if start is not None:
            starts[place].append(project(spaces[place], start))
    for place, start in _inside_starts(tasks):
        starts[place].append(start)
    pairs = [(place, start) for place, own in enumerate(starts) for start in own if start is not None]
    coarse = descend_all([spaces[place] for place, _ in pairs], [start for _, start in pairs], SOFTENING[:1])
    pairs = _unlike([(place, end) for (place, _), end in zip(pairs, coarse, strict=True)])
    ends = descend_all([spaces[place] for place, _ in pairs], [start for _, start in pairs], SOFTENING[1:])
    found: dict[int, tuple[float, Array]] = {}
    for (place, _), end in zip(pairs, ends, strict=True):
        mean = spaces[place].mean(end)
        if place not in found or mean < found[place][0]:
            found[place] = mean, end
    if len(found) < len(tasks):
        raise ValueError("no setting keeps the conditions: the white is beyond the panel's light")
    return [(space, found[place][1]) for place, space in enumerate(spaces)]


def _unlike(pairs: Sequence[tuple[int, Array]]) -> list[tuple[int, Array]]:
    """Return the starts of each task without those that have come to where another of it is."""
    kept: list[tuple[int, Array]] = []
    for place, x in pairs:
        if not any(other == place and np.abs(x - y).max() < _SAME for other, y in kept):
            kept.append((place, x))
    return kept


def _inside_starts(tasks: Sequence[Task]) -> list[tuple[int, Array]]:
    """Return for tasks that may clip the best, coarsely searched, that clips nothing."""
    places, spaces, starts = [], [], []
    for place, task in enumerate(tasks):
        if task.free_primaries and task.bounded and not task.shrink:
            space = Search(replace(task, shrink=True))
            start = project(space, space.start)
            if start is not None:
                places.append(place)
                spaces.append(space)
                starts.append(start)
    return list(zip(places, descend_all(spaces, starts, _COARSE), strict=True))


def descend_all(spaces: Sequence[Search], starts: Sequence[Array], softening: tuple[float, ...]) -> list[Array]:
    """Return where the search from each start ends, in batches of spaces of one size."""
    ends: list[Array] = [np.empty(0)] * len(starts)
    for size in sorted({space.size for space in spaces}):
        places = [place for place, space in enumerate(spaces) if space.size == size]
        for begin in range(0, len(places), _BATCH):
            batch = places[begin : begin + _BATCH]
            found = descend(
                Stack([spaces[place] for place in batch]), np.array([starts[p] for p in batch]), softening
            )
            for place, end in zip(batch, found, strict=True):
                ends[place] = end
    return ends
