"""The target search against restarted simplex searches: time as a ratio, and who ends lower.

    python tests/benchmarks/target_search.py [--more 12]

Both work on the same objective and conditions, in one process, on one thread. The simplex search of scipy
(Nelder & Mead) starts from five seeded points and is restarted until it gains less than 1e-5. Exits 1 where
the search is less than 50 times as fast, or ends above the best by more than 0.1 % and 0.003.
"""

import argparse
import sys
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_target import (
    ABOVE_BEST,
    ABOVE_BEST_HAIR,
    D65,
    NARROW,
    P3,
    WIDE,
    make_task,
    restarted_simplex,
    seeded_start,
    tasks,
)

from matchlib.arrays import one_thread
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.matching.target import search

STARTS = 5
LEAST_RATIO = 50
REPEATS = 5  # of the search, which is short; the least counts


def random_tasks(count):
    """Yield seeded tasks: three gamuts, varied native whites and blacks, some with a backlight or shrunk."""
    for seed in range(count):
        random = np.random.default_rng(1_000 + seed)
        native = SimulatedDisplay(
            random.uniform(90, 350),
            tuple(np.array(D65) + random.normal(0, 0.006, size=2)),
            **[P3, WIDE, NARROW][seed % 3],
            black=float(random.choice([0.001, 0.02, 0.1, 0.4])),
        )
        changes = {"backlight_range": (0.1, 1.0)} if seed % 4 == 1 else {"shrink": True} if seed % 4 == 3 else {}
        yield f"seed {seed}", make_task(native, **changes)


def measure(task):
    """Return seconds of the search and of the simplex searches, the search's mean, and the best of theirs."""
    times = []
    for _ in range(REPEATS):
        start = perf_counter()
        space, x = search(task)
        times.append(perf_counter() - start)
    start = perf_counter()
    best = min(restarted_simplex(space, seeded_start(space, x, seed)) for seed in range(STARTS))
    theirs = perf_counter() - start
    from_the_result = restarted_simplex(space, x)
    return min(times), theirs, space.mean(x), min(best, from_the_result)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--more", type=int, default=12, help="seeded tasks beside the named ones")
    arguments = parser.parse_args()
    print(f"{'task':<18}{'search s':>9}{'5 simplex s':>13}{'ratio':>8}{'mean':>9}{'best':>9}{'gap':>9}")
    ours = theirs = 0.0
    good = True
    for name, task in [*tasks().items(), *random_tasks(arguments.more)]:
        with one_thread():
            quick, slow, mean, best = measure(task)
        ours, theirs = ours + quick, theirs + slow
        good &= mean - best <= max(ABOVE_BEST * best, ABOVE_BEST_HAIR)
        print(f"{name:<18}{quick:9.4f}{slow:13.2f}{slow / quick:8.0f}{mean:9.4f}{best:9.4f}{mean - best:9.5f}")
    ratio = theirs / ours
    print(f"{'together':<18}{ours:9.4f}{theirs:13.2f}{ratio:8.0f}")
    return 0 if good and ratio >= LEAST_RATIO else 1


if __name__ == "__main__":
    sys.exit(main())
