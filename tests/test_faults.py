"""Faults in the middle of a run: nothing lost, nothing half-written, nothing double, and a message.

SIGKILL, SIGINT, a broken notebook and inputs that change are in ``test_reports.py``.
"""

import errno
import multiprocessing
import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from matchlib.running import batch, store, worker
from matchlib.running.batch import Request, run
from matchlib.running.store import REPORT, SAME_BYTES, Store

ROOT = Path(__file__).parents[1]
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}
pytestmark = pytest.mark.slow


def start(*arguments, **keywords):
    command = [sys.executable, "-m", *map(str, arguments)]
    return subprocess.Popen(command, env=ENVIRONMENT, text=True, **keywords)


def report(*arguments, timeout=300):
    process = start("matchlib", "report", *arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    out, err = process.communicate(timeout=timeout)
    assert "Traceback" not in err
    return process.returncode, out, err


def whole(out):
    """Return the reports by room, each checked to be whole; no part of one may stand beside them."""
    assert not list(out.rglob(".part-*"))
    found = [path.parent for path in out.rglob("match.pdf")]
    assert all({path.name for path in folder.iterdir()} == set(REPORT) for folder in found)
    return {folder.parent.name: folder for folder in found}


def until(true, seconds=90):
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.05)


def quietly(request):
    return run(request, lambda _: None, lambda _: None)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return the small facility, made once, and the folder of its two reports."""
    folder = tmp_path_factory.mktemp("made")
    size = ("--rooms", 2, "--monitors", 2, "--years", 1)
    assert start("matchlib", "demo", folder / "small", *size).wait(60) == 0
    code, _, err = report(folder / "small", "--out", folder / "out", "--workers", 2)
    assert code == 0, err
    return folder / "small", folder / "out"


def same_bytes(one, other):
    assert one.name == other.name
    return all((one / name).read_bytes() == (other / name).read_bytes() for name in SAME_BYTES)


# A full disk and one that cannot be written


@pytest.fixture
def small_disk(tmp_path):
    """Return a folder with room for less than one report; only the superuser may make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    options = ["-t", "tmpfs", "-o", "size=600k", "tmpfs", str(folder)]
    if mount is None or subprocess.run([mount, *options], capture_output=True, check=False).returncode:
        pytest.skip("no small disk can be mounted here")
    yield folder
    subprocess.run([shutil.which("umount"), str(folder)], check=True)


def test_a_disk_that_is_really_full_is_told_and_holds_no_half_report(made, small_disk):
    code, _, err = report(made[0], "--out", small_disk, "--workers", 1)
    assert code == 1
    assert "No space left on device" in err
    assert "mend that and run again" in err
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(small_disk).items())
    assert len(whole(small_disk)) < 2


def test_a_disk_that_is_really_read_only_is_told(made, small_disk):
    mount = shutil.which("mount")
    subprocess.run([mount, "-o", "remount,ro", str(small_disk)], check=True)
    code, _, err = report(made[0], "--out", small_disk)
    assert code == 2
    assert "cannot write to" in err
    assert "Read-only file system; name another folder with --out" in err
    assert not list(small_disk.iterdir())


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EDQUOT])
def test_a_report_that_cannot_be_written_fails_its_room_only(made, tmp_path, monkeypatch, number):
    """The first room's part folder fails to be synced, as on a disk that fills up."""
    failed = []

    def sync(path):
        if not failed:
            failed.append(path)
            raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(store, "_sync", sync)
    summary = quietly(Request(made[0], out=tmp_path / "out", workers=1))
    assert summary.code == 1
    assert len(summary.errors) == 1
    assert summary.errors[0].startswith("room-001: cannot write below")
    assert f"{os.strerror(number)}; mend that and run again" in summary.errors[0]
    assert list(whole(tmp_path / "out")) == ["room-002"]
    assert len(summary.lines) == 1
    monkeypatch.undo()
    assert quietly(Request(made[0], out=tmp_path / "out", workers=1)).code == 0
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(tmp_path / "out").items())


@pytest.mark.parametrize("name", ["sheet.csv", "room-001.pdf", "index.html"])
def test_where_what_tells_of_all_rooms_cannot_be_written_the_reports_stand(made, tmp_path, monkeypatch, name):
    shutil.copytree(made[1], tmp_path / "out")
    kept = (tmp_path / "out" / "small" / name).read_bytes()
    (tmp_path / "out" / "small" / name).write_bytes(b"older")
    write_bytes = Path.write_bytes

    def full(path, data):
        if f"-{name}-" in path.name:
            write_bytes(path, data[:10])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        return write_bytes(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    summary = quietly(Request(made[0], out=tmp_path / "out", workers=1))
    assert summary.code == 1
    assert "No space left on device; the reports stand; mend that and run again" in summary.errors[0]
    assert len(summary.lines) == 2
    assert (tmp_path / "out" / "small" / name).read_bytes() == b"older"
    assert len(whole(tmp_path / "out")) == 2
    monkeypatch.undo()
    assert quietly(Request(made[0], out=tmp_path / "out", workers=1)).code == 0
    assert (tmp_path / "out" / "small" / name).read_bytes() == kept


# Others at work


def test_two_runs_at_once_make_each_report_once(made, tmp_path):
    runs = [
        start("matchlib", "report", made[0], "--out", tmp_path, "--workers", 1, stdout=subprocess.PIPE, stderr=-1)
        for _ in range(2)
    ]
    told = [process.communicate(timeout=300) for process in runs]
    assert [process.returncode for process in runs] == [0, 0], told
    assert all(len(out.splitlines()) == 2 for out, _ in told)
    found = whole(tmp_path)
    assert len(found) == len(list(tmp_path.rglob("match.pdf"))) == 2
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in found.items())


def test_a_report_that_another_run_finished_first_is_left_as_it_is(made, tmp_path, monkeypatch):
    """Between plan and rename another run puts the same report there, then one with other bytes."""
    execute = worker.execute
    theirs = whole(made[1])["room-001"]

    def other_run_is_faster(notebook, parameters, saved, planned):
        ran = execute(notebook, parameters, saved, planned)
        shutil.copytree(theirs, saved.parent.parent / theirs.name)
        return ran

    monkeypatch.setattr(worker, "execute", other_run_is_faster)
    request = Request(made[0], ("room-001",), tmp_path / "out", workers=1)
    summary = quietly(request)
    assert summary.code == 0
    assert "unchanged" in summary.lines[0]
    there = whole(tmp_path / "out")["room-001"]
    assert (there / "match.ipynb").read_bytes() == (theirs / "match.ipynb").read_bytes()
    shutil.rmtree(there)
    changed = tmp_path / theirs.name
    shutil.copytree(theirs, changed)
    (changed / "targets.csv").write_text("other", encoding="utf-8")
    theirs = changed
    summary = quietly(request)
    assert summary.code == 1
    assert (
        "was made by another run at once and differs in targets.csv; move it away and run again" in summary.errors[0]
    )
    assert (whole(tmp_path / "out")["room-001"] / "targets.csv").read_text(encoding="utf-8") == "other"


def test_a_worker_that_dies_is_told_and_the_next_run_completes(made, tmp_path):
    before = set(multiprocessing.active_children())

    def kill():
        until(lambda: list(tmp_path.rglob(".part-*/*")))
        for process in set(multiprocessing.active_children()) - before:
            process.kill()
            return

    killer = threading.Thread(target=kill)
    killer.start()
    summary = quietly(Request(made[0], out=tmp_path / "out", workers=2))
    killer.join()
    assert summary.code == 1
    assert summary.errors
    assert all("its worker process died; run again, what is finished stays" in error for error in summary.errors)
    assert len(summary.lines) + len(summary.errors) == 2
    assert len(whole(tmp_path)) == len(summary.lines)
    assert quietly(Request(made[0], out=tmp_path / "out", workers=1)).code == 0
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(tmp_path).items())


def test_a_report_that_vanished_before_it_is_told_is_an_error(made, tmp_path, monkeypatch):
    """As where a worker on another machine wrote into a folder of its own."""
    monkeypatch.setattr(batch, "make_report", lambda job: worker.Outcome(job.room, "made"))
    summary = quietly(Request(made[0], out=tmp_path / "out", workers=1))
    assert summary.code == 1
    assert "workers must see the same folders as this machine" in summary.errors[0]


# A scheduler


class Cluster:
    """A scheduler and its workers, each a process of its own."""

    def __init__(self, folder):
        file = folder / "scheduler.json"
        self._folder, self._file = folder, file
        listen = ("--host", "127.0.0.1", "--port", 0, "--no-dashboard", "--scheduler-file", file)
        self.scheduler = self._start("distributed.cli.dask_scheduler", *listen)
        self.workers = []
        until(lambda: file.is_file() and file.read_text(encoding="utf-8").strip().endswith("}"))
        import json

        self.address = json.loads(file.read_text(encoding="utf-8"))["address"]

    def work(self, count):
        from distributed import Client

        options = ("--nthreads", 1, "--no-nanny", "--no-dashboard", "--death-timeout", 60)
        for _ in range(count):
            place = ("--scheduler-file", self._file, "--local-directory", self._folder)
            self.workers.append(self._start("distributed.cli.dask_worker", *place, *options))
        client = Client(self.address, set_as_default=False)
        client.wait_for_workers(count, timeout=60)
        client.close()

    def _start(self, *arguments):
        return start(*arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def end(self):
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def cluster(tmp_path_factory):
    pytest.importorskip("distributed")
    found = Cluster(tmp_path_factory.mktemp("cluster"))
    yield found
    found.end()


def test_a_cluster_of_two_workers_gives_the_same_bytes(made, cluster, tmp_path):
    cluster.work(2)
    code, out, err = report(made[0], "--out", tmp_path, "--scheduler", cluster.address)
    assert (code, err) == (0, "")
    assert len(out.splitlines()) == 2
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(tmp_path).items())
    ours, theirs = tmp_path / "small", made[1] / "small"
    for name in ("index.html", "index.csv", "sheet.csv", "room-001.pdf", "room-002.pdf"):
        assert (ours / name).read_bytes() == (theirs / name).read_bytes()


def test_a_scheduler_that_goes_away_is_told_and_finished_rooms_stay(made, cluster, tmp_path):
    """One worker: the first room is finished, the second is in the making when the scheduler dies."""
    cluster.work(1)
    arguments = ("matchlib", "report", made[0], "--out", tmp_path, "--scheduler", cluster.address)
    process = start(*arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    until(lambda: list(tmp_path.glob("small/*/2*/match.pdf")) and list(tmp_path.rglob(".part-*/.lock")))
    cluster.scheduler.kill()
    out, err = process.communicate(timeout=120)
    assert process.returncode == 1
    assert "Traceback" not in err
    assert err.count("the scheduler went away; run again, what is finished stays") == 1
    assert len(out.splitlines()) == 1
    cluster.end()
    code, out, _ = report(made[0], "--out", tmp_path, "--workers", 1)
    assert code == 0
    assert "unchanged" in out
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(tmp_path).items())


def test_workers_die_until_none_tries_again(made, cluster, tmp_path):
    """A room whose worker dies goes to another one; the report comes out whole."""
    cluster.work(2)
    arguments = ("matchlib", "report", made[0], "--out", tmp_path, "--scheduler", cluster.address)
    process = start(*arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    until(lambda: len(list(tmp_path.rglob(".part-*/.lock"))) == 2)
    cluster.workers[0].kill()
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert len(out.splitlines()) == 2
    assert all(same_bytes(folder, whole(made[1])[room]) for room, folder in whole(tmp_path).items())


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "what://x:1"])
def test_no_scheduler_exits_2_and_nothing_is_written(made, tmp_path, address):
    pytest.importorskip("distributed")
    code, _, err = report(made[0], "--out", tmp_path / "out", "--scheduler", address)
    assert code == 2
    assert f"error: no scheduler answers at {address!r}" in err
    assert "start it, or correct --scheduler" in err
    assert not (tmp_path / "out").exists()


def test_a_scheduler_without_workers_exits_2(made, cluster, tmp_path):
    code, _, err = report(made[0], "--out", tmp_path / "out", "--scheduler", cluster.address)
    assert code == 2
    assert "has no workers; start some, then run again" in err
    assert not (tmp_path / "out").exists()


def test_a_worker_that_would_make_another_report_is_refused(made):
    from matchlib.package import code_digest, versions
    from matchlib.running.executors import _unlike

    told = [*_unlike("w", (code_digest(), versions(), True), made[0])]
    assert told == []
    (problem,) = _unlike("w", (code_digest(), versions(), False), made[0])
    assert str(problem).startswith(f"worker w does not see {made[0]}; workers need the same folders")
    (problem,) = _unlike("w", (code_digest(), versions() | {"numpy": "1.0"}, True), made[0])
    assert str(problem) == "worker w has numpy 1.0; install there what is installed here, and start it anew"
    (problem,) = _unlike("w", ("other", versions(), True), made[0])
    assert "worker w has other sources of matchlib" in str(problem)
    (problem,) = _unlike("w", ModuleNotFoundError("No module named 'matchlib'"), made[0])
    assert "cannot run matchlib: No module named 'matchlib'" in str(problem)


def test_a_scheduler_and_workers_are_not_both_taken(made, tmp_path):
    code, _, err = report(made[0], "--out", tmp_path / "out", "--scheduler", "tcp://x:1", "--workers", 2)
    assert code == 2
    assert "give one of the two" in err


def test_part_folders_of_the_living_are_left_alone(tmp_path):
    held = Store(tmp_path, "x")
    with held.part("room", "0" * 12) as part:
        Store(tmp_path, "x").sweep()
        assert part.is_dir()
    assert not part.exists()


def test_part_files_of_dead_runs_are_swept_and_young_ones_left(tmp_path):
    store = Store(tmp_path, "x")
    old = [store.root / "_worklist" / ".part-worklist.csv-0", store.root / ".part-sheet.csv-1"]
    young = store.root / ".part-index.html-2"
    for path in (*old, young):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("half", encoding="utf-8")
    for path in old:
        os.utime(path, (1_000_000_000, 1_000_000_000))
    store.sweep()
    assert [path.exists() for path in (*old, young)] == [False, False, True]
