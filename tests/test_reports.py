"""Whole reports, as their user makes them: the command line on real folders."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from matchlib.matching.result import RoomMatch
from matchlib.running.batch import Request, run
from matchlib.running.store import REPORT, SAME_BYTES

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.slow


def matchlib(*arguments, cwd=None, timeout=300):
    command = [sys.executable, "-m", "matchlib", *map(str, arguments)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, text=True, timeout=timeout, check=False
    )


def reports(out):
    return sorted(path.parent for path in out.rglob("match.pdf"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Return the demo facility and the folder of its three reports."""
    folder = tmp_path_factory.mktemp("demo")
    shutil.copytree(ROOT / "data", folder / "studio")
    done = matchlib("report", folder / "studio", "--out", folder / "out")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return folder, done


def test_every_room_gets_a_whole_report_and_one_line_in_words(demo):
    folder, done = demo
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["attic", "pear-tree", "well-house"]
    assert "A2: white too blue, 4." in lines[0]
    assert "P2: too dim" in lines[1]
    assert "W3: not measured" in lines[2]
    for line in lines:
        report = Path(line.split(" → ")[1])
        assert {path.name for path in report.iterdir()} == set(REPORT)
    names = {path.name for path in (folder / "out" / "studio").iterdir()}
    assert {"attic.pdf", "pear-tree.pdf", "well-house.pdf", "sheet.csv"} <= names
    sheet = (folder / "out" / "studio" / "sheet.csv").read_text(encoding="utf-8").splitlines()
    assert [row.split(",")[0] for row in sheet[1:]] == ["A1", "A2", "A3", "P1", "P2", "P3", "W1", "W2", "W3"]


def test_the_saved_notebook_has_no_out_so_that_it_can_be_run_by_hand(demo):
    folder, _ = demo
    for report in reports(folder / "out"):
        text = (report / "match.ipynb").read_text(encoding="utf-8")
        assert ".part-" not in text
        assert 'out = \\"\\"' in text


def test_numbers_hold_no_path_of_the_machine(demo):
    folder, _ = demo
    for report in reports(folder / "out"):
        for name in ("match.json", "targets.csv"):
            assert str(folder) not in (report / name).read_text(encoding="utf-8")


def test_running_it_again_changes_nothing_and_says_so(demo):
    folder, _ = demo
    before = {path: path.stat().st_mtime_ns for path in (folder / "out").rglob("*") if path.is_file()}
    done = matchlib("report", folder / "studio", "--out", folder / "out")
    after = {path: path.stat().st_mtime_ns for path in (folder / "out").rglob("*") if path.is_file()}
    assert done.returncode == 0
    assert "nothing changed" in done.stderr
    assert done.stdout.count("unchanged") == 3
    assert after == before


def test_two_runs_into_two_folders_give_the_same_bytes(demo):
    folder, _ = demo
    done = matchlib("report", folder / "studio", "--out", folder / "second", "--workers", "1")
    assert done.returncode == 0, done.stderr
    for report in reports(folder / "out"):
        twin = folder / "second" / report.relative_to(folder / "out")
        for name in SAME_BYTES:
            assert (twin / name).read_bytes() == (report / name).read_bytes(), name


def test_again_compares_and_tells_a_difference(demo):
    folder, _ = demo
    done = matchlib("report", folder / "studio", "--out", folder / "out", "--room", "attic", "--again")
    assert done.returncode == 0, done.stderr
    assert "the same bytes" in done.stdout
    report = next(path for path in reports(folder / "out") if path.parent.name == "attic")
    kept = (report / "targets.csv").read_bytes()
    try:
        (report / "targets.csv").write_bytes(kept + b"\n")
        done = matchlib("report", folder / "studio", "--out", folder / "out", "--room", "attic", "--again")
    finally:
        (report / "targets.csv").write_bytes(kept)
    assert done.returncode == 1
    assert "targets.csv differ" in done.stderr


def test_one_byte_of_an_input_makes_a_new_folder_beside_the_old_one(demo, tmp_path):
    folder, _ = demo
    shutil.copytree(folder / "studio", tmp_path / "studio")
    shutil.copytree(folder / "out", tmp_path / "out")
    session = next((tmp_path / "studio" / "readings").rglob("A1.csv"))
    text = session.read_text(encoding="utf-8")
    session.write_text(text.replace("made-up", "made_up", 1), encoding="utf-8")
    done = matchlib("report", tmp_path / "studio", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("unchanged") == 2
    attic = [path for path in reports(tmp_path / "out") if path.parent.name == "attic"]
    assert len(attic) == 2
    assert attic[0].name[:10] == attic[1].name[:10]


def test_killed_in_the_middle_it_leaves_no_half_report_and_the_next_run_completes(
    demo, tmp_path, processes_that_name
):
    folder, _ = demo
    command = [sys.executable, "-m", "matchlib", "report", str(folder / "studio"), "--out", str(tmp_path)]
    process = subprocess.Popen(
        command,
        env=os.environ | {"PYTHONPATH": str(ROOT), "MATCHLIB_TEST_MARK": str(tmp_path)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while not list(tmp_path.rglob(".part-*/*")) and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(0.5)
    process.send_signal(signal.SIGKILL)
    process.wait()
    deadline = time.monotonic() + 60
    while processes_that_name(f"MATCHLIB_TEST_MARK={tmp_path}") and time.monotonic() < deadline:
        time.sleep(0.1)
    for report in reports(tmp_path):
        assert report.name.startswith(".part-") or {p.name for p in report.iterdir()} == set(REPORT)
    done = matchlib("report", folder / "studio", "--out", tmp_path)
    assert done.returncode == 0, done.stderr
    assert len(reports(tmp_path)) == 3
    assert not list(tmp_path.rglob(".part-*"))


def test_interrupted_it_exits_130_and_leaves_no_part_folder(demo, tmp_path):
    folder, _ = demo
    command = [sys.executable, "-m", "matchlib", "report", str(folder / "studio"), "--out", str(tmp_path)]
    # A shell's background jobs ignore interrupts, and what they start would too
    signal.signal(signal.SIGINT, signal.default_int_handler)
    process = subprocess.Popen(
        command,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    deadline = time.monotonic() + 60
    while not list(tmp_path.rglob(".part-*")) and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130, errors
    assert "interrupted" in errors
    assert "Traceback" not in errors
    assert not list(tmp_path.rglob(".part-*"))


def test_a_broken_session_fails_its_rooms_only(make_facility, tmp_path):
    folder = make_facility(files={"readings/M3.csv": "# display: M3\n"})
    done = matchlib("report", folder, "--out", tmp_path / "out")
    assert done.returncode == 1
    assert "error: studio-2: readings/M3.csv" in done.stderr
    assert "Traceback" not in done.stderr
    assert [path.parent.name for path in reports(tmp_path / "out")] == ["studio-1"]
    assert "sheet.csv leaves out studio-2" in done.stderr


def test_where_every_room_fails_nothing_is_written(make_facility, tmp_path):
    folder = make_facility(files={"readings/P1.csv": None})
    done = matchlib("report", folder, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "no complete calibrated session of projector P1" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_fault_in_the_notebook_is_one_line_and_its_log_is_kept(make_facility, tmp_path, monkeypatch):
    folder = make_facility()
    notebooks = tmp_path / "notebooks"
    shutil.copytree(ROOT / "notebooks", notebooks)
    broken = notebooks / "room_match.ipynb"
    text = broken.read_text(encoding="utf-8")
    old = 'matchlib.draw(match, \\"tone\\")'
    assert old in text
    broken.write_text(text.replace(old, "1 / 0"), encoding="utf-8")
    monkeypatch.setattr("matchlib.running.worker.notebooks_folder", lambda: notebooks)
    request = Request(folder, ("studio-1",), tmp_path / "out", workers=1)
    summary = run(request, lambda _: None, lambda _: None)
    assert summary.code == 1
    assert len(summary.errors) == 1
    assert "ZeroDivisionError" in summary.errors[0]
    kept = tmp_path / "out" / "small" / "_failed" / "studio-1"
    assert "ZeroDivisionError" in (kept / "log.txt").read_text(encoding="utf-8")
    assert (kept / "match.ipynb").is_file()
    assert not reports(tmp_path / "out")
    assert not list(tmp_path.rglob(".part-*"))


def test_inputs_that_change_during_the_run_are_told(make_facility, tmp_path, monkeypatch):
    folder = make_facility()
    from matchlib.running import worker

    execute = worker.execute

    def change_then_execute(*arguments):
        session = folder / "readings" / "M3.csv"
        session.write_text(session.read_text(encoding="utf-8").replace("M3", "M3", 1) + "\n", encoding="utf-8")
        return execute(*arguments)

    monkeypatch.setattr(worker, "execute", change_then_execute)
    summary = run(Request(folder, ("studio-2",), tmp_path / "out", workers=1), lambda _: None, lambda _: None)
    assert summary.code == 1
    assert "changed during the run" in summary.errors[0]
    assert not reports(tmp_path / "out")


def test_a_read_only_output_folder_is_one_clear_error(make_facility, tmp_path):
    folder = make_facility()
    (tmp_path / "out").write_text("a file where the folder should be", encoding="utf-8")
    done = matchlib("report", folder, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "cannot write to" in done.stderr
    assert "Traceback" not in done.stderr


def test_on_leaves_the_current_report_alone(demo):
    folder, _ = demo
    pdf = folder / "out" / "studio" / "attic.pdf"
    before = pdf.stat().st_mtime_ns
    done = matchlib("report", folder / "studio", "--out", folder / "out", "--room", "attic", "--on", "2026-09-07")
    assert done.returncode == 0, done.stderr
    assert pdf.stat().st_mtime_ns == before
    assert "left as they are" in done.stderr


def test_match_json_reads_back_and_holds_null_not_absent(demo):
    folder, _ = demo
    for report in reports(folder / "out"):
        text = (report / "match.json").read_text(encoding="utf-8")
        found = RoomMatch.from_json(text)
        assert found.hash == report.name[11:]
        raw = json.loads(text)
        assert raw["schema"] == 1
        assert raw["one_for_all"]["worst"] > 0
        assert len(raw["projector"]["conformity"]) == 14
        for monitor in raw["monitors"]:
            assert set(monitor["levels"]) == {"now", "settings", "curves", "table"}
            measured = monitor["session"] is not None
            for key in ("causes", "common_target", "rounding_loss"):
                assert (monitor[key] is not None) == measured
            assert monitor["ideal_keeping"] is None  # only in appearance
            assert (monitor["verdict"]["probability"] is None) == (monitor["verdict"]["result"] == "not measured")
