"""The notebooks run under nbval, keep to their form, and their parameters are known."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from matchlib.errors import InputError
from matchlib.running.notebook import RoomParameters, execute

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.mark.slow
def test_every_notebook_runs_under_nbval():
    command = [
        sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-q", "-W", "ignore",
        "-c", os.devnull, "--rootdir", str(ROOT), "--nbval-lax", "--nbval-cell-timeout", "300", *map(str, NOTEBOOKS),
    ]  # fmt: skip
    done = subprocess.run(
        command, cwd=ROOT / "notebooks", env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed" in done.stdout


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_tells_and_the_library_computes(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    assert cells[0]["cell_type"] == "markdown"
    assert "".join(cells[0]["source"]).startswith("# ")
    assert cells[1]["metadata"]["tags"] == ["parameters"]
    for cell in cells:
        if cell["cell_type"] == "code":
            source = "".join(cell["source"])
            assert len(source.splitlines()) <= 10
            assert "def " not in source
            for output in cell["outputs"]:
                assert output["output_type"] == "stream", "only printed text is kept, for nbval to compare"


def test_parameters_are_literals_and_named_as_the_runner_names_them():
    cells = json.loads((ROOT / "notebooks" / "room_match.ipynb").read_text(encoding="utf-8"))["cells"]
    lines = "".join(cells[1]["source"]).splitlines()
    assert [line.split(" = ")[0] for line in lines] == list(RoomParameters.__dataclass_fields__)
    assert all(isinstance(json.loads(line.split(" = ")[1]), str) for line in lines)


def test_a_notebook_with_other_parameters_is_refused(tmp_path):
    text = (ROOT / "notebooks" / "room_match.ipynb").read_text(encoding="utf-8")
    mistyped = tmp_path / "room_match.ipynb"
    mistyped.write_text(text.replace('room = \\"attic\\"', 'rooom = \\"attic\\"'), encoding="utf-8")
    with pytest.raises(InputError, match="has the parameters facility, on, out, rooom"):
        execute(mistyped, RoomParameters("x", "y", "", ""), tmp_path / "made.ipynb")
    assert not (tmp_path / "made.ipynb").exists()
