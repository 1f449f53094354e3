"""What rounding costs: figures put through the model again, against the search that found them."""

from pathlib import Path

import numpy as np
import pytest

from matchlib.arrays import one_thread
from matchlib.facility.file import read_facility
from matchlib.matching.fitting import fit_display
from matchlib.matching.for_all import common_of
from matchlib.matching.inputs import read_inputs
from matchlib.matching.reference import judge_of
from matchlib.matching.room import match_inputs
from matchlib.matching.rounding import Places, rounded_settings, rounding_loss, shown_by
from matchlib.matching.solving import solve_monitors
from matchlib.readings.instrument import Meters

DATA = Path(__file__).parents[1] / "data"
EXACT = Places(xy=15, gamma=15, luminance=12)
CLOSE = 1e-9  # CIEDE2000: the same sums in another order
ROOMS = ("attic", "pear-tree", "well-house")


def solved_in(name):
    """Return a room's measured monitors with the best of each level, and the projector's encoding."""
    inputs = read_inputs(read_facility(DATA), name, None)
    session = inputs.projector_choice.session
    with one_thread():
        judge = judge_of(
            inputs, session, fit_display(session), Meters(inputs.facility.instruments, inputs.corrections)
        )
        solved = solve_monitors(judge, inputs.monitors, inputs.choices)
    return [entry for entry in solved if entry is not None], session.encoding


@pytest.fixture(scope="module")
def rooms():
    return {name: solved_in(name) for name in ROOMS}


def test_figures_put_through_the_model_again_show_what_the_search_found(rooms):
    for solved, encoding in rooms.values():
        common, _ = common_of(solved, encoding)
        for place, entry in enumerate(solved):
            found = entry.found
            assert shown_by(found.task, found.settings) == pytest.approx(found.after_xyz, rel=1e-9, abs=1e-12)
            shared = common[place]
            assert shown_by(shared.task, shared.settings) == pytest.approx(shared.shown, rel=1e-9, abs=1e-12)


def test_what_is_rounded_to_nothing_loses_nothing(rooms):
    for solved, _ in rooms.values():
        for entry in solved:
            loss = rounding_loss(entry.compared, entry.found.task, entry.found.settings, EXACT)
            assert abs(loss) < CLOSE


def test_the_rounded_figures_are_those_of_the_sheet(rooms):
    for solved, _ in rooms.values():
        for entry in solved:
            target, compared = entry.found.target, entry.compared
            made = rounded_settings(compared, entry.found.task, entry.found.settings)
            white = made.white_xyz + compared.veil.read
            if "luminance" in compared.monitor.adjusts:
                assert white[1] == pytest.approx(round(target.luminance, 1), abs=1e-12)
            if "white" in compared.monitor.adjusts:
                assert (white / white.sum())[:2] == pytest.approx(np.round(target.white_xy, 4), abs=1e-12)
            if "primaries" in compared.monitor.adjusts:
                red = made.primaries_xyz[:, 0]
                assert (red / red.sum())[:2] == pytest.approx(np.round(target.red_xy, 4), abs=1e-12)
            else:
                assert made.primaries_xyz is entry.found.settings.primaries_xyz
            assert made.gamma == round(entry.found.settings.gamma, 2)


def test_coarser_places_cost_more(rooms):
    """A menu with whole units of cd/m², two places of x, y and one of gamma is no longer as good."""
    coarse = Places(xy=2, gamma=1, luminance=0)
    for solved, _ in rooms.values():
        for entry in solved:
            args = (entry.compared, entry.found.task, entry.found.settings)
            assert abs(rounding_loss(*args)) < 0.02  # of CIEDE2000, by the sheet's places
            assert rounding_loss(*args, coarse) > 0.1


def test_the_loss_stands_in_the_result_of_what_is_set():
    inputs = read_inputs(read_facility(DATA), "well-house", None)
    room = match_inputs(inputs)
    losses = [monitor.rounding_loss for monitor in room.monitors]
    assert losses[2] is None  # not measured
    assert all(abs(loss) < 0.02 for loss in losses[:2])
    back = type(room).from_json(room.to_json())
    assert back.monitors[0].rounding_loss == pytest.approx(losses[0], rel=1e-8)
    assert back.monitors[0].ideal_keeping is None
