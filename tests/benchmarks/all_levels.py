"""All levels but the table for a large house at once, against five restarted simplex searches a monitor.

Run by hand: ``python tests/benchmarks/all_levels.py``. One core. The simplex searches take minutes a monitor,
so ten monitors are searched so and their time is scaled; the ratio is of two times of one run.
"""

import argparse
import sys
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_room_target import D65, NARROW, P3, SCREEN, WIDE, compared
from test_target import restarted_simplex, seeded_start

from matchlib.arrays import one_thread
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.matching.levels import best_curves_all
from matchlib.matching.settings import best_settings_all, menu_task
from matchlib.matching.target import search_all
from matchlib.patches import PatchList, standard_list

PATCHES = 150
SAMPLE = 10
SHARE, HAIR = 0.001, 0.003  # how far above the best of the simplex searches the result may be


def patch_list():
    """Return the standard list and seeded signals beside it, 150 in all."""
    standard = standard_list()
    more = np.random.default_rng(5).random((PATCHES - len(standard.labels), 3))
    labels = (*standard.labels, *(f"more {place}" for place in range(len(more))))
    return PatchList(labels, np.vstack([standard.signal, more]))


def house(count):
    """Return seeded monitors of three kinds, with a backlight or without, dim and bright."""
    random = np.random.default_rng(11)
    patches, monitors = patch_list(), []
    for place in range(count):
        primaries = (WIDE, P3, NARROW)[place % 3]
        moved = tuple(tuple(np.add(pair, random.normal(0, 0.006, 2))) for pair in primaries)
        white = tuple(np.add(D65, random.normal(0, 0.004, 2)))
        native = SimulatedDisplay(
            float(random.uniform(60, 400)), white, *moved, black=float(10 ** random.uniform(-3, -0.4))
        )
        row = {"dims": "backlight", "dims_min": 0.1} if place % 4 == 0 else {}
        monitors.append(compared(native, patches=patches, **row))
    return monitors


def main() -> int:
    """Print the table; 1 where a promise is not kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--monitors", type=int, default=300)
    parser.add_argument("--sample", type=int, default=SAMPLE)
    options = parser.parse_args()
    with one_thread():
        monitors = house(options.monitors)
        best_curves_all(monitors[:4], best_settings_all(monitors[:4]))  # imports and caches
        start = perf_counter()
        found = best_settings_all(monitors)
        half = perf_counter()
        curves = best_curves_all(monitors, found)
        ours = perf_counter() - start
        step = max(1, options.monitors // options.sample)
        sample = monitors[::step][: options.sample]
        rows, theirs = [], 0.0
        for place, entry in enumerate(sample):
            (space, x) = search_all([menu_task(entry)])[0]
            begin = perf_counter()
            best = min(restarted_simplex(space, seeded_start(space, x, seed)) for seed in range(5))
            took = perf_counter() - begin
            theirs += took
            rows.append((place * step, space.mean(x), best, curves[place * step].score.mean, took))
    print(f"{'monitor':>8} {'settings':>9} {'simplex':>9} {'curves':>8} {'simplex, s':>11}")
    for place, mean, best, curve, took in rows:
        print(f"{place:>8} {mean:9.4f} {best:9.4f} {curve:8.4f} {took:11.2f}")
    scaled = theirs / len(sample) * len(monitors)
    above = max(mean - max(best * (1 + SHARE), best + HAIR) for _, mean, best, _, _ in rows)
    print(f"\n{len(monitors)} monitors x {PATCHES} patches, screen of {SCREEN.luminance:g} cd/m2, one core")
    print(
        f"now, settings, curves: {ours:.2f} s (settings {half - start:.2f} s), "
        f"{1e3 * ours / len(monitors):.1f} ms each"
    )
    print(f"five simplex searches each: {scaled:.0f} s (of {len(sample)}, scaled)")
    print(f"ratio {scaled / ours:.0f}; none above the simplex by more than allowed: {above <= 0}")
    return 0 if above <= 0 and scaled / ours >= 100 else 1


if __name__ == "__main__":
    sys.exit(main())
