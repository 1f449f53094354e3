"""Kernels, forked from a process that has imported everything or started anew: the same report, none left over."""

import asyncio
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from threadpoolctl import threadpool_limits

from matchlib.errors import ReportError
from matchlib.facility.file import read_facility
from matchlib.matching.inputs import fingerprint, read_inputs, room_inputs
from matchlib.matching.planned import PLANNED, pack, planned_inputs
from matchlib.matching.room import match_inputs, match_room
from matchlib.readings.archive import Archive
from matchlib.running import forked, kernel
from matchlib.running.notebook import NotebookError, RoomParameters, execute
from matchlib.running.store import SAME_BYTES

ROOT = Path(__file__).parents[1]
NOTEBOOK = ROOT / "notebooks" / "room_match.ipynb"
slow = pytest.mark.slow
needs_fork = pytest.mark.skipif(not forked.can_fork(), reason="this platform has no fork server")


def run(folder, out, planned=b"", notebook=NOTEBOOK, room="studio-2"):
    out.mkdir(exist_ok=True)
    return execute(notebook, RoomParameters(str(folder), room, "", str(out)), out / "match.ipynb", planned)


def notebook_with(folder, source):
    """Return a copy of the room's notebook whose tone cell does something else."""
    text = NOTEBOOK.read_text(encoding="utf-8")
    old = 'tone = matchlib.draw(match, \\"tone\\")'
    assert old in text
    folder.mkdir()
    copy = folder / NOTEBOOK.name
    copy.write_text(text.replace(old, source), encoding="utf-8")
    return copy


def same_bytes(one, other):
    return all((one / name).read_bytes() == (other / name).read_bytes() for name in SAME_BYTES)


@pytest.fixture
def kernels(monkeypatch):
    """Return the list of kernels that are forked; None stands for one that was not."""
    found = []
    fork = forked.fork_kernel

    def watched(start):
        found.append(fork(start))
        return found[-1]

    monkeypatch.setattr(forked, "fork_kernel", watched)
    return found


@slow
@needs_fork
def test_a_forked_kernel_a_usual_one_and_one_that_reads_for_itself_write_the_same_bytes(
    make_facility, tmp_path, kernels, monkeypatch
):
    folder = make_facility()
    planned = pack(read_inputs(read_facility(folder), "studio-2", None), "")
    assert run(folder, tmp_path / "forked", planned).drawings == 6
    assert len(kernels) == 1
    assert kernels[0] is not None
    run(folder, tmp_path / "reads")
    monkeypatch.setattr(kernel, "provisioner", lambda _: {})
    run(folder, tmp_path / "usual", planned)
    assert len(kernels) == 2
    assert same_bytes(tmp_path / "forked", tmp_path / "reads")
    assert same_bytes(tmp_path / "forked", tmp_path / "usual")
    with threadpool_limits(limits=2):  # as in a process of its own; the tests' have one
        here = match_room(folder, "studio-2").to_json()
    assert here == (tmp_path / "forked" / "match.json").read_text(encoding="utf-8")


LATE = """
import time
from ipykernel import kernelapp, kernelbase
time.sleep({start})
answer = kernelbase.Kernel.kernel_info_request
async def late(*arguments):
    time.sleep({answers})
    return await answer(*arguments)
kernelbase.Kernel.kernel_info_request = late
kernelapp.launch_new_instance()
"""


@slow
@pytest.mark.parametrize(("start", "answers"), [(2.5, 0), (0, 1.5)])
def test_a_kernel_that_answers_later_than_it_is_asked_again_is_ready(monkeypatch, tmp_path, start, answers):
    monkeypatch.setattr(kernel, "provisioner", lambda _: {})
    usual = kernel.kernel_spec

    def late(private, *, forked=False):
        spec = usual(private, forked=forked)
        spec.argv[1:3] = ["-c", LATE.format(start=start, answers=answers)]  # in the place of -m ipykernel_launcher
        return spec

    async def becomes_ready():
        manager = kernel.manager_class(str(tmp_path))(kernel_name="python3")
        await manager.start_kernel()
        client = manager.client()
        client.start_channels()
        try:
            await client.wait_for_ready(60)
            return await client.execute_interactive("1 + 1", timeout=60)
        finally:
            client.stop_channels()
            await manager.shutdown_kernel(now=True)

    monkeypatch.setattr(kernel, "kernel_spec", late)
    assert asyncio.run(becomes_ready())["content"]["status"] == "ok"


@slow
@needs_fork
def test_where_the_preload_is_not_imported_the_usual_kernel_starts(make_facility, tmp_path):
    folder = make_facility()
    code = f"""
import sys
from pathlib import Path
from matchlib.running import forked
from matchlib.running.notebook import RoomParameters, execute
fork = forked.fork_kernel
def watched(start):
    kernel = fork(start)
    print(kernel is None, Path(start.log).read_text())
    return kernel
forked.fork_kernel = watched
forked.PRELOAD = "matchlib.no_such_module"  # in this process, which starts the fork server
print(execute(Path({str(NOTEBOOK)!r}), RoomParameters({str(folder)!r}, "studio-2", "", ""),
    Path({str(tmp_path)!r}, "match.ipynb")))
"""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("True matchlib.running.preloaded is not imported")
    assert "drawings=6" in done.stdout


@slow
@needs_fork
def test_what_a_room_needs_is_imported_before_its_kernel_forks(make_facility, tmp_path):
    notebook = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    source = 'import pathlib, sys\npathlib.Path(out, "modules").write_text(" ".join(sys.modules))'
    notebook["cells"].append({"cell_type": "code", "id": "last", "metadata": {}, "outputs": [], "source": source})
    notebook["cells"][-1]["execution_count"] = None
    copy = tmp_path / NOTEBOOK.name
    copy.write_text(json.dumps(notebook), encoding="utf-8")
    run(make_facility(), tmp_path / "out", notebook=copy)
    had = set((tmp_path / "out" / "modules").read_text(encoding="utf-8").split())
    code = "import sys, matchlib.running.preloaded; print(*sys.modules)"
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYDEVD_DISABLE_FILE_VALIDATION": "1"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    later = {name.partition(".")[0] for name in had - set(done.stdout.split())}
    large = {"colour", "debugpy", "matplotlib", "numpy", "papermill", "nbformat", "scipy", "typst"}
    assert "matchlib.reporting.pdf" in had
    assert not later & large
    assert not {"papermill", "nbformat", "scipy.stats"} & set(done.stdout.split()), "no kernel needs them"


def test_papermill_is_imported_without_a_grammar_that_takes_longer_than_all_the_rest():
    code = """
import sys
from pathlib import Path
from matchlib.errors import InputError
from matchlib.running.notebook import RoomParameters, absent, execute
try:
    execute(Path(sys.argv[1]), RoomParameters("", "", "", ""), Path("never"))
except InputError:
    print("papermill" in sys.modules, "rfc3987_syntax" in sys.modules)
with absent("json.tool"):
    try:
        import json.tool
    except ImportError:
        print("hidden")
import json.tool
print("there")
"""
    notebook = ROOT / "notebooks" / "display_history.ipynb"  # other parameters: refused before anything runs
    command = [sys.executable, "-W", "ignore", "-c", code, str(notebook)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False", "hidden", "there"]


@slow
@needs_fork
def test_kernels_are_gone_when_their_notebook_is_done(make_facility, tmp_path, kernels):
    run(make_facility(), tmp_path / "out")
    deadline = time.monotonic() + 60
    while Path(f"/proc/{kernels[0].pid}").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    with pytest.raises(ProcessLookupError):
        os.kill(kernels[0].pid, 0)


@slow
def test_an_error_in_a_cell_keeps_the_notebook_as_far_as_it_ran_with_out_blank(make_facility, tmp_path):
    broken = notebook_with(tmp_path / "notebooks", "1 / 0")
    with pytest.raises(NotebookError, match="ZeroDivisionError"):
        run(make_facility(), tmp_path / "out", notebook=broken)
    text = (tmp_path / "out" / "match.ipynb").read_text(encoding="utf-8")
    assert "ZeroDivisionError" in text
    assert 'out = \\"\\"' in text


@slow
def test_a_kernel_that_dies_is_told_and_its_notebook_kept_as_far_as_it_ran(make_facility, tmp_path):
    broken = notebook_with(tmp_path / "notebooks", "import os; os._exit(7)")
    with pytest.raises(ReportError, match=r"the kernel of room_match\.ipynb died"):
        run(make_facility(), tmp_path / "out", notebook=broken)
    text = (tmp_path / "out" / "match.ipynb").read_text(encoding="utf-8")
    assert text.count("<svg") == 2  # those drawn before
    assert "os._exit(7)" in text
    assert 'out = \\"\\"' in text


def test_planned_inputs_serve_the_room_and_day_they_were_read_for_only(make_facility, tmp_path, monkeypatch):
    folder = make_facility()
    inputs = read_inputs(read_facility(folder), "studio-1", None)
    (tmp_path / "planned").write_bytes(pack(inputs, ""))
    assert planned_inputs(folder, "studio-1", "") is None
    monkeypatch.setenv(PLANNED, str(tmp_path / "planned"))
    found = planned_inputs(folder, "studio-1", "")
    assert found.hash == inputs.hash
    assert list(found.facility.rooms) == ["studio-1"]
    assert match_inputs(found).to_json() == match_inputs(inputs).to_json()
    assert planned_inputs(folder, "studio-2", "") is None
    assert planned_inputs(folder, "studio-1", "2026-03-02") is None
    assert planned_inputs(tmp_path, "studio-1", "") is None


def test_a_fingerprint_changes_with_whatever_changes_the_hash(make_facility, tmp_path, session_text):
    def both(name, **changes):
        archive = Archive(read_facility(make_facility(tmp_path / name, **changes)))
        return fingerprint(archive, "studio-1"), room_inputs(archive, "studio-1").hash

    whole = both("whole")
    assert both("same") == whole
    session = session_text("M1")
    twin = session.replace("M1", "M3").replace("10:00:00", "11:00:00")
    for name, changes in {
        "another session": {"files": {"readings/M1.csv": session_text("M1", seed=8)}},
        "a twin in another room": {"files": {"readings/M1.csv": session, "readings/M3_b.csv": twin}},
        "a tolerance": {
            "toml_edit": ('[rooms.studio-1]\nprojector = "P1"', '[rooms.studio-1]\nprojector = "P1"\nveil = 0.1')
        },
    }.items():
        other = both(name, **changes)
        assert other[0] != whole[0], name
        assert other[1] != whole[1], name
    elsewhere = both("elsewhere", files={"readings/M3.csv": session_text("M3", seed=8)})
    assert elsewhere == whole


def test_what_is_forgotten_is_read_again_alike(make_facility):
    archive = Archive(read_facility(make_facility()))
    before = room_inputs(archive, "studio-1").hash
    archive.forget(["M1", "M2"])
    assert room_inputs(archive, "studio-1").hash == before


def test_a_session_that_changes_after_it_was_indexed_is_told(make_facility):
    folder = make_facility()
    archive = Archive(read_facility(folder))
    assert archive.entries
    path = folder / "readings" / "M1.csv"
    path.write_text(path.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    choice = archive.calibrated_choice(archive.facility.monitors[0])
    assert choice.session is None
    assert "changed while it was read" in str(choice.problems[0])


@slow
@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="processes are listed under /proc")
@pytest.mark.parametrize("workers", [1, 2])
def test_killed_outright_a_run_leaves_no_process_alive(tmp_path, workers, processes_that_name):
    shutil.copytree(ROOT / "data", tmp_path / "studio")
    mark = f"MATCHLIB_TEST_MARK={tmp_path}"
    name, value = mark.split("=")
    command = [sys.executable, "-m", "matchlib", "report", "studio", "--out", "out", "--workers", str(workers)]
    process = subprocess.Popen(
        command,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), name: value},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 90
    while len(processes_that_name(mark)) < 2 + workers or not list(tmp_path.rglob(".part-*")):
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.05)
    time.sleep(4)  # into the notebook
    process.send_signal(signal.SIGKILL)
    process.wait()
    deadline = time.monotonic() + 60  # a process that still imports sees its parent gone once it has
    while processes_that_name(mark) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert processes_that_name(mark) == []


def test_another_row_of_a_monitor_is_in_the_fingerprint(make_facility, tmp_path):
    """A native session belongs to the monitor, whose first row tells its panel, in whatever room that stands."""
    rows = "monitor,room,panel,preset\nM1,studio-2,{},video\nM1,studio-1,OLED,\nM2,studio-1,LCD,\nM3,studio-2,OLED,\n"
    found = set()
    for panel in ("OLED", "LCD"):
        archive = Archive(read_facility(make_facility(tmp_path / panel, monitors=rows.format(panel))))
        found.add((fingerprint(archive, "studio-1"), room_inputs(archive, "studio-1").hash))
    assert len({prints for prints, _ in found}) == len({hashes for _, hashes in found}) == 2
