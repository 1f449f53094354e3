"""How far the monitors of a room are from each other."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import matchlib
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.matching.spread import RoomSpread, spread, spread_of_room
from matchlib.patches import standard_list
from matchlib.perception.difference import ciede2000
from matchlib.reporting import words

DATA = Path(__file__).parents[1] / "data"
SCREEN = SimulatedDisplay(48, (0.314, 0.351), (0.680, 0.320), (0.265, 0.690), (0.150, 0.060), black=0.02)
WHITE = SCREEN.show(np.ones(3))
SIGNAL = standard_list().signal
SHOWN = [
    display.show(SIGNAL)
    for display in (
        SCREEN,
        replace(SCREEN, luminance=46.0),
        replace(SCREEN, white_xy=(0.300, 0.340)),
        replace(SCREEN, gamma=(2.4,) * 3),
    )
]


@pytest.fixture(scope="module")
def attic():
    return matchlib.match_room(DATA, "attic")


def test_each_two_are_compared_as_the_metric_says():
    found = spread(SHOWN, WHITE)
    for first, one in enumerate(SHOWN):
        for second, other in enumerate(SHOWN):
            assert found.pairs[first, second] == pytest.approx(ciede2000(one, other, WHITE).mean(), abs=1e-12)
    each = [found.pairs[first, second] for second in range(4) for first in range(second)]
    assert found.mean == pytest.approx(sum(each) / 6, abs=1e-12)
    assert found.worst == max(each)
    assert found.worst == found.pairs[found.worst_pair]
    assert found.worst_pair[0] < found.worst_pair[1]


def test_the_order_of_the_displays_does_not_matter():
    found, turned = spread(SHOWN, WHITE), spread(SHOWN[::-1], WHITE)
    assert turned.pairs == pytest.approx(found.pairs[::-1, ::-1], abs=1e-12)
    assert turned.worst_pair == tuple(3 - place for place in found.worst_pair[::-1])


def test_like_displays_do_not_differ_and_one_has_no_other():
    found = spread([SHOWN[0]] * 3, WHITE)
    assert (found.mean, found.worst) == (0.0, 0.0)
    assert found.worst_pair == (0, 1)
    assert spread(SHOWN[:1], WHITE) is None
    assert spread([], WHITE) is None


def test_a_room_is_compared_as_it_is_and_as_the_sheet_leaves_it(attic):
    found = spread_of_room(attic.monitors)
    assert found.places == (0, 1, 2)
    details = [monitor.detail for monitor in attic.monitors]
    white = details[0].reference_white
    worst = max(
        (ciede2000(details[a].now_xyz, details[b].now_xyz, white).mean(), (a, b)) for b in range(3) for a in range(b)
    )
    assert (found.now.worst, found.now.worst_pair) == (pytest.approx(worst[0], abs=1e-12), worst[1])
    assert attic.monitors[0].verdict.result == "match"  # the sheet leaves it, so it stays what it is
    left, moved = details[0].now_xyz, details[1].after_xyz
    assert found.after.pairs[0, 1] == pytest.approx(ciede2000(left, moved, white).mean(), abs=1e-12)
    assert found.after.worst < found.now.worst
    eager = [replace(attic.monitors[0], adjust=True), *attic.monitors[1:]]
    assert spread_of_room(eager).after.pairs == pytest.approx(found.after.pairs)


def test_what_was_not_measured_is_left_out(attic):
    first, second, third = attic.monitors
    found = spread_of_room([first, replace(second, detail=None), third])
    assert found.places == (0, 2)
    assert found.now.worst == pytest.approx(spread_of_room(attic.monitors).now.pairs[0, 2], abs=1e-12)
    assert spread_of_room([replace(first, detail=None), third]) is None
    assert spread_of_room([]) is None


def fake(places, now, after):
    """Return a room's spread from the differences of its pairs by places."""

    def one(pairs):
        table = np.zeros((len(places), len(places)))
        for (first, second), value in pairs.items():
            table[first, second] = table[second, first] = value
        worst = max(pairs, key=pairs.__getitem__)
        return SimpleNamespace(pairs=table, worst=pairs[worst], worst_pair=worst)

    return RoomSpread(places, one(now), one(after))


def test_the_two_that_differ_most_in_words():
    names = ["A1", "A2", "P3", "P4"]
    now = {(0, 1): 2.0, (0, 2): 1.0, (1, 2): 3.1}
    after = {(0, 1): 0.5, (0, 2): 0.4, (1, 2): 0.8}
    assert words.most_unlike(names, fake((0, 1, 2), now, after)) == (
        "the two that differ most are A2 and P3: 3.1 now, 0.8 after"
    )
    after[0, 1] = 1.2
    assert words.most_unlike(names, fake((0, 2, 3), now, after)) == (
        "the two that differ most are P3 and P4: 3.1 now, 0.8 after; after that A1 and P3 differ most: 1.2"
    )
    assert words.most_unlike(names, fake((1, 2), {(0, 1): 3.1}, {(0, 1): 0.8})) == (
        "A2 and P3 differ by 3.1 now, 0.8 after"
    )
