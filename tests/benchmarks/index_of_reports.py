"""The index of a large house: reading every match.json once, against reading them as JSON and nothing more.

Run by hand: ``python tests/benchmarks/index_of_reports.py``. One core. 400 rooms with three reports each, copies of
the example under other names; the ratio is of two times of one run, and says what the index adds to what no index
can do without.
"""

import json
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from matchlib.running.index_files import Today, write_index
from matchlib.running.store import Store

EXAMPLE = Path(__file__).parents[2] / "reports" / "example" / "match.json"
ROOMS, REPORTS, ROUNDS = 400, 3, 3


def shelved(store):
    """Put the reports there, and return the current one of each room."""
    example = json.loads(EXAMPLE.read_text(encoding="utf-8"))
    current = {}
    for room in (f"room-{place:03d}" for place in range(ROOMS)):
        for month in range(1, REPORTS + 1):
            day, digest = f"2026-{month:02d}-01", f"{month:012x}"
            folder = store.report(room, day, digest)
            folder.mkdir(parents=True)
            found = example | {"room": room, "date": day, "hash": digest}
            (folder / "match.json").write_text(json.dumps(found, indent=1), encoding="utf-8")
            current[room] = folder
    return current


def least(call):
    """Return the least of some times, in seconds."""
    times = []
    for _ in range(ROUNDS):
        begin = perf_counter()
        call()
        times.append(perf_counter() - begin)
    return min(times)


with TemporaryDirectory() as place:
    store = Store(Path(place), "house")
    today = Today("House", shelved(store))
    paths = list(store.root.rglob("match.json"))
    parse = least(lambda: [json.loads(path.read_text(encoding="utf-8")) for path in paths])
    index = least(lambda: write_index(store, today))
    size = (store.root / "index.html").stat().st_size
    print(f"{len(paths)} reports of {ROOMS} rooms: JSON {parse:.2f} s, index {index:.2f} s")
    print(f"ratio {index / parse:.2f}")
    print(f"index.html: {size / 1e3:.0f} kB")
