"""The standard list: what every verdict is computed on."""

import numpy as np
import pytest

from matchlib.patches import patch_label, standard_list


def test_the_standard_list_is_a_cube_and_greys():
    """141 patches: 5³, and 21 greys of which 5 lie in the cube; counted out here, not from the code."""
    found = {tuple(row) for row in np.round(standard_list().signal, 12).tolist()}
    steps = [0, 0.25, 0.5, 0.75, 1]
    cube = {(r, g, b) for r in steps for g in steps for b in steps}
    greys = {(round(0.05 * step, 12),) * 3 for step in range(21)}
    assert found == cube | greys
    assert len(found) == len(standard_list().signal) == 141


def test_labels_are_one_a_patch():
    patches = standard_list()
    assert len(set(patches.labels)) == len(patches.labels) == len(patches.signal)


@pytest.mark.parametrize(
    ("signal", "label"),
    [
        ((0.0, 0.0, 0.0), "black"),
        ((1.0, 1.0, 1.0), "white"),
        ((0.45, 0.45, 0.45), "grey 45 %"),
        ((1.0, 0.0, 0.0), "red"),
        ((0.0, 1.0, 1.0), "cyan"),
        ((1.0, 0.0, 1.0), "magenta"),
        ((1.0, 1.0, 0.0), "yellow"),
        ((0.25, 0.5, 1.0), "R 25 G 50 B 100"),
    ],
)
def test_labels_say_what_is_shown(signal, label):
    assert patch_label(signal) == label


def test_greys_keep_their_names_in_spite_of_binary_fractions():
    labels = standard_list().labels
    assert {f"grey {step} %" for step in range(5, 100, 5)} <= set(labels)


def test_nobody_can_write_to_the_list():
    with pytest.raises(ValueError, match="read-only"):
        standard_list().signal[0, 0] = 0.5
