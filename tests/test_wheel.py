"""The wheel: built, installed into a folder of its own, used from anywhere."""

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.slow


def run(*command, cwd, **more):
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        list(map(str, command)), cwd=cwd, env=environment, capture_output=True, text=True, check=False, **more
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_an_installed_wheel_does_the_main_job_in_any_folder(tmp_path):
    build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
    run(*build, "--wheel-dir", tmp_path, ROOT, cwd=tmp_path)
    wheel = next(tmp_path.glob("matchlib-*.whl"))
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {
        "matchlib/notebooks/room_match.ipynb",
        "matchlib/notebooks/explore_mismatch.ipynb",
        "matchlib/notebooks/instrument_check.ipynb",
        "matchlib/notebooks/display_history.ipynb",
        "matchlib/notebooks/lamp_change.ipynb",
        "matchlib/reporting/template.typ",
        "matchlib/reporting/worklist.typ",
        "matchlib/reporting/lamp.typ",
        "matchlib/py.typed",
    } <= names
    assert not [name for name in names if name.startswith(("tests/", "data/", "notebooks/"))]

    # A new environment that sees this one's libraries, but not this checkout.
    venv.create(tmp_path / "env", with_pip=False)
    python = tmp_path / "env" / "bin" / "python"
    site = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=tmp_path).strip())
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    libraries = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (site / "libraries.pth").write_text("\n".join(sorted(libraries)), encoding="utf-8")
    away = tmp_path / "away"
    away.mkdir()
    where = run(python, "-c", "import matchlib; print(matchlib.__file__)", cwd=away).strip()
    assert Path(where).is_relative_to(tmp_path / "env")
    run(python, "-m", "matchlib", "demo", "studio", cwd=away)
    line = run(python, "-m", "matchlib", "report", "studio", "--room", "attic", cwd=away)
    assert "1 of 3 match" in line
    assert len(list((away / "reports" / "studio" / "attic").glob("*/match.pdf"))) == 1
    copied = run(python, "-m", "matchlib", "notebooks", "copies", cwd=away).split()
    assert {Path(path).name for path in copied} == {
        "room_match.ipynb",
        "explore_mismatch.ipynb",
        "instrument_check.ipynb",
        "display_history.ipynb",
        "lamp_change.ipynb",
    }
    assert (away / "copies" / "room_match.ipynb").is_file()
