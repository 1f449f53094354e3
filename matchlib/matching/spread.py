"""How far the monitors of one room are from each other."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matchlib.arrays import Array, read_only
from matchlib.matching.result import MonitorMatch
from matchlib.perception.difference import ciede2000_vector, xyz_to_lab


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Differences between displays, two at a time.

    Attributes:
        pairs: Mean CIEDE2000 of each two over the patch list, symmetric, zero on the diagonal, shape (m, m).
        mean: Over the pairs.
        worst: Of the two that differ most; ``worst_pair``: their places, the lower first.
    """

    pairs: Array
    mean: float
    worst: float
    worst_pair: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class RoomSpread:
    """The measured monitors of a room against each other.

    Attributes:
        places: Of these monitors among the room's, in order; the spreads number them from 0.
        now: As they are; ``after``: once the sheet is carried out.
    """

    places: tuple[int, ...]
    now: Spread
    after: Spread


def spread(shown: Sequence[Array], white: Array) -> Spread | None:
    """Return how far displays are from each other; None for fewer than two.

    Args:
        shown: What each shows for the same patches, shape (n, 3), cd/m².
        white: Reference white of all, shape (3,), cd/m².
    """
    count = len(shown)
    if count < 2:
        return None
    lab = xyz_to_lab(np.stack(list(shown)), white)
    pairs = np.zeros((count, count))
    for place in range(count - 1):
        vectors = ciede2000_vector(lab[place], lab[place + 1 :])
        pairs[place, place + 1 :] = np.sqrt((vectors**2).sum(axis=-1)).mean(axis=-1)
    upper = np.triu_indices(count, 1)
    each = pairs[upper]
    worst = int(each.argmax())
    two = (int(upper[0][worst]), int(upper[1][worst]))
    return Spread(read_only(pairs + pairs.T), float(each.mean()), float(each[worst]), two)


def spread_of_room(monitors: Sequence[MonitorMatch]) -> RoomSpread | None:
    """Return how far a room's monitors are from each other, now and after; None for fewer than two measured.

    All are compared over the standard list, each fed its own signals. A monitor that the sheet leaves as it
    is shows afterwards what it shows now.

    Args:
        monitors: Of one room, as :func:`matchlib.match_room` returned them.
    """
    measured = [
        (place, detail, monitor.adjust and monitor.verdict.result != "match")
        for place, monitor in enumerate(monitors)
        if (detail := monitor.detail) is not None
    ]
    if not measured:
        return None
    white = measured[0][1].reference_white
    now = spread([detail.now_xyz for _, detail, _ in measured], white)
    after = spread([detail.after_xyz if is_set else detail.now_xyz for _, detail, is_set in measured], white)
    return None if now is None or after is None else RoomSpread(tuple(place for place, _, _ in measured), now, after)
