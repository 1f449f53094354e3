"""The table of one monitor, 33³ nodes, against scipy called for each node; both times in this one run.

python tests/benchmarks/correction_table.py

Prints, for panels that leave a seventh to three quarters of the nodes out of reach, the time of the whole
table (wanted colours, the search out of reach, the panel's inverse tone) and of its file, on one core; the time
that scipy.optimize.least_squares takes for a sample of the nodes out of reach, scaled to all of them; and the
worst and mean amount by which our differences exceed its. Exits 1 if a table takes more than 2 s, the ratio is
below 50, or one of the sampled colours is more than 0.01 CIEDE2000 above what scipy found.
"""

import argparse
import sys
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from scipy.optimize import least_squares
from test_corrections import BT709, D65, DCI, NARROW, P3, WIDE, panel_of

from matchlib.arrays import one_thread
from matchlib.displays.clf import Provenance, clf_bytes
from matchlib.displays.correction import signal_cube
from matchlib.displays.simulate import SimulatedDisplay
from matchlib.matching.corrections import table_correction
from matchlib.matching.nearest import nearest_in_reach
from matchlib.perception.difference import ciede2000, ciede2000_vector, xyz_to_lab

LONGEST, LEAST_RATIO, ABOVE_BEST = 2.0, 50, 0.01
REPEATS = 3  # of the table; the least counts
SAID = Provenance("made up", "made up", "made up", "table", "0")
PROJECTOR = SimulatedDisplay(48, DCI, **P3, black=0.01)
PANELS = {
    "wide": SimulatedDisplay(320, D65, **WIDE, black=0.018),
    "BT.709": SimulatedDisplay(200, D65, **BT709, black=0.015),
    "narrow": SimulatedDisplay(120, D65, **NARROW, black=0.1),
    "too dim": SimulatedDisplay(36, D65, **BT709, black=0.05),
}


def by_scipy(wanted, white, panel, start):
    """Return the least CIEDE2000 of one colour by scipy, started at the clipped drive, over its cube root."""
    lab = xyz_to_lab(wanted, white)

    def vector(root):
        return ciede2000_vector(lab, xyz_to_lab(panel.black_xyz + root**3 @ panel.matrix.T, white))

    found = least_squares(vector, np.clip(np.cbrt(start), 1e-3, 0.999), bounds=(0, 1))
    return float(np.sqrt(2 * found.cost))


def measure(panel, sample):
    """Return seconds of the table and of its file, the share out of reach, scipy's seconds, and the gaps."""
    white = PROJECTOR.show(np.ones(3))
    times = []
    for _ in range(REPEATS):
        start = perf_counter()
        table = table_correction(panel, PROJECTOR.show, white)
        times.append(perf_counter() - start)
    start = perf_counter()
    clf_bytes(table, SAID)
    file = perf_counter() - start
    wanted = PROJECTOR.show(signal_cube())
    asked = (wanted - panel.black_xyz) @ np.linalg.inv(panel.matrix).T
    out = np.flatnonzero(((asked < 0) | (asked > 1)).any(axis=1))
    chosen = np.random.default_rng(0).choice(out, sample, replace=False)
    start = perf_counter()
    theirs = [by_scipy(wanted[i], white, panel, np.clip(asked[i], 0, 1)) for i in chosen]
    seconds = (perf_counter() - start) * len(out) / sample
    drive = nearest_in_reach(wanted[chosen], white, panel.matrix, panel.black_xyz)
    ours = ciede2000(wanted[chosen], panel.black_xyz + drive @ panel.matrix.T, white)
    return min(times), file, len(out) / len(wanted), seconds, ours - np.array(theirs)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=100, help="nodes a panel that scipy is timed on")
    arguments = parser.parse_args()
    titles = f"{'table s':>9}{'file s':>8}{'scipy s':>9}{'ratio':>8}{'worst gap':>11}{'mean gap':>10}"
    print(f"{'panel':<10}{'out':>6}{titles}")
    good = True
    for name, display in PANELS.items():
        with one_thread():
            table, file, out, scipy, gaps = measure(panel_of(display), arguments.sample)
        good &= table <= LONGEST and scipy / table >= LEAST_RATIO and gaps.max() <= ABOVE_BEST
        line = f"{name:<10}{out:6.0%}{table:9.3f}{file:8.3f}{scipy:9.0f}{scipy / table:8.0f}"
        print(f"{line}{gaps.max():11.5f}{gaps.mean():10.5f}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
