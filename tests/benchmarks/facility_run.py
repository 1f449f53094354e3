"""Many rooms: the command against a plain loop of papermill over the same notebook, and where a room's time goes.

python tests/benchmarks/facility_run.py                 40 rooms, 300 monitors
python tests/benchmarks/facility_run.py --large 400     and the cost a room, and the memory, at 400

The loop runs ``--sample`` of the rooms, one after the other, each in a usual kernel that reads the facility for
itself; the run makes all of them. Both are measured here, one after the other, so that their ratio holds.
"""

import argparse
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from matchlib.facility.file import read_facility
from matchlib.running.demo_large import Size, write_large

ROOT = Path(__file__).parents[2]
NOTEBOOK = ROOT / "notebooks" / "room_match.ipynb"
LEAST_RATIO, AGAIN_SECONDS, MEMORY_MB, SAME_COST = 3.0, 3.0, 600.0, 0.15
_PARTS = ("imports", "reading and sums", "figures", "PDF", "kernel and the rest")
_LOOP = """
import json, sys, time
import papermill
notebook, facility, out, rooms = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:]
seconds = []
for room in rooms:
    import pathlib
    folder = pathlib.Path(out, room)
    folder.mkdir(parents=True)
    start = time.perf_counter()
    papermill.execute_notebook(notebook, folder / "match.ipynb", kernel_name="python3", progress_bar=False,
        parameters={"facility": facility, "room": room, "on": "", "out": str(folder)})
    seconds.append(time.perf_counter() - start)
print(json.dumps(seconds))
"""


class Watch:
    """The largest resident memory of each kind of process of a run, MB, sampled while it runs."""

    def __init__(self, process):
        self.process, self.peak = process, {}
        self.thread = threading.Thread(target=self._look, daemon=True)
        self.thread.start()

    def _look(self):
        while self.process.poll() is None:
            for pid in descendants(self.process.pid):
                name, resident = status(pid)
                self.peak[name] = max(self.peak.get(name, 0.0), resident)
            time.sleep(0.25)


def descendants(root):
    """Return a process and all that came from it (Linux)."""
    children = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
        except OSError:
            continue
        children.setdefault(parent, []).append(int(folder.name))
    found, ahead = [], [root]
    while ahead:
        found.append(ahead.pop())
        ahead += children.get(found[-1], [])
    return found


def status(pid):
    """Return what a process of a run is, and its resident memory in MB."""
    try:
        said = Path(f"/proc/{pid}/cmdline").read_text()
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return "gone", 0.0
    kinds = {"forkserver": "kernel or fork server", "spawn_main": "worker", "resource_tracker": "tracker"}
    kind = next((kind for mark, kind in kinds.items() if mark in said), "run")
    resident = [int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS")]
    return kind, (resident or [0.0])[0]


def environment():
    return os.environ | {"PYTHONPATH": str(ROOT)}


def loop(facility, out, rooms):
    """Return the seconds of each room in the plain loop."""
    command = [sys.executable, "-W", "ignore", "-c", _LOOP, str(NOTEBOOK), str(facility), str(out), *rooms]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def run(facility, out, workers):
    """Return the seconds of a run, and the peak memory of each kind of its processes, MB."""
    command = [
        sys.executable,
        "-m",
        "matchlib",
        "report",
        str(facility),
        "--out",
        str(out),
        "--workers",
        str(workers),
    ]
    start = time.perf_counter()
    process = subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    watch = Watch(process)
    if process.wait():
        raise SystemExit(f"the run ended with {process.returncode}")
    seconds = time.perf_counter() - start
    watch.thread.join()
    return seconds, watch.peak


def parts(notebooks, seconds, imports):
    """Return where the time of a room went, mean seconds by part, from the times that papermill saves by cell."""
    found = dict.fromkeys(_PARTS, 0.0)
    for path, whole in zip(notebooks, seconds, strict=True):
        content = json.loads(path.read_text(encoding="utf-8"))
        cells = [cell for cell in content["cells"] if cell["cell_type"] == "code"]
        spent = {"".join(cell["source"]): cell["metadata"]["papermill"]["duration"] for cell in cells}
        match = sum(took for source, took in spent.items() if "match_room" in source)
        pdf = sum(took for source, took in spent.items() if "write_report" in source)
        figures = sum(took for source, took in spent.items() if "matchlib.draw" in source)
        share = {"imports": imports, "reading and sums": match - imports, "figures": figures, "PDF": pdf}
        share["kernel and the rest"] = whole - match - pdf - figures
        for name, took in share.items():
            found[name] += took / len(notebooks)
    return found


def import_seconds():
    """Return what a usual kernel pays for imports inside its cells."""
    code = (
        "import matplotlib, numpy, time; t = time.perf_counter(); import matchlib.matching.room, colour, "
        "scipy.optimize, matchlib.reporting.plots.catalogue, matplotlib.figure; print(time.perf_counter() - t)"
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], env=environment(), capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def whole_seconds(notebook):
    return json.loads(notebook.read_text(encoding="utf-8"))["metadata"]["papermill"]["duration"]


def told(peak):
    return ", ".join(
        f"{kind} {size:.0f} MB" for kind, size in sorted(peak.items()) if kind not in ("gone", "tracker")
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rooms", type=int, default=40)
    parser.add_argument("--large", type=int, default=0, help="rooms of a second, larger facility")
    parser.add_argument("--years", type=int, default=3, help="of weekly projector and quarterly monitor sessions")
    parser.add_argument("--sample", type=int, default=4, help="rooms in the plain loop")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    with TemporaryDirectory(prefix="rooms-") as folder:
        return compare(Path(folder), arguments)


def write_house(folder, rooms, years):
    """Write the large demo facility with 7.5 monitors a room, and return its rooms and how many monitors it has."""
    write_large(folder, Size(rooms, int(7.5 * rooms), years), lambda _: None, lambda: None)
    facility = read_facility(folder)
    return list(facility.rooms), len(facility.monitors)


def compare(folder, arguments):
    """Measure, print, and return the exit code."""
    facility, rooms = folder / "many", arguments.rooms
    names, monitors = write_house(facility, rooms, arguments.years)
    sample = names[:: max(1, rooms // arguments.sample)][: arguments.sample]
    before = loop(facility, folder / "loop", sample)
    after, peak = run(facility, folder / "out", arguments.workers)
    again, _ = run(facility, folder / "out", arguments.workers)
    plain, ours = sum(before) / len(before), after / rooms
    print(f"{rooms} rooms, {monitors} monitors, {arguments.workers} workers")
    print(f"plain loop            {plain:7.2f} s a room ({len(before)} rooms measured)")
    print(f"matchlib report       {ours:7.2f} s a room ({after:.0f} s in all), {plain / ours:.1f} times faster")
    print(f"again, all unchanged  {again:7.2f} s in all")
    print(f"largest processes     {told(peak)}")
    made = sorted((folder / "out").rglob("match.ipynb"))
    took = parts(sorted((folder / "loop").rglob("match.ipynb")), before, import_seconds())
    takes = parts(made, [whole_seconds(path) for path in made], 0.0)
    print(f"\n{'seconds a room on one worker':<30}{'loop':>8}{'now':>8}")
    for name in _PARTS:
        print(f"{name:<30}{took[name]:8.2f}{takes[name]:8.2f}")
    good = plain / ours >= LEAST_RATIO and again < AGAIN_SECONDS and max(peak.values()) < MEMORY_MB
    if arguments.large:
        write_house(folder / "large", arguments.large, arguments.years)
        seconds, large = run(folder / "large", folder / "large-out", arguments.workers)
        cost = seconds / arguments.large
        print(f"\n{arguments.large} rooms: {cost:.2f} s a room, {cost / ours:.2f} of that at {rooms}; {told(large)}")
        good &= cost / ours < 1 + SAME_COST and max(large.values()) < MEMORY_MB
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
