"""Run a notebook with literal parameters, every name of them checked first."""

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from matchlib.errors import InputError, MatchlibError, Problem, ReportError

CELL_TIMEOUT, START_TIMEOUT = 600, 120  # seconds


@dataclass(frozen=True, slots=True)
class RoomParameters:
    """The parameters of ``room_match.ipynb``, each a literal that JSON can hold."""

    facility: str
    room: str
    on: str
    out: str


class NotebookError(MatchlibError, RuntimeError):
    """A cell failed.

    Attributes:
        name: Of the exception in the cell; ``value``: its text; ``log``: the traceback as text.
    """

    def __init__(self, name: str, value: str, log: str) -> None:
        self.name, self.value, self.log = name, value, log
        super().__init__(f"{name}: {value}")

    def __reduce__(self) -> tuple[type["NotebookError"], tuple[str, str, str]]:
        return type(self), (self.name, self.value, self.log)


def execute(notebook: Path, parameters: RoomParameters, output: Path) -> None:
    """Execute a notebook into ``output``, ``out`` blanked in what is saved.

    Raises:
        ReportError: The notebook has other parameters, or its kernel does not start or answer.
        NotebookError: A cell failed; the notebook as far as it ran stands in ``output``.
    """
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    from matchlib.running.kernel import KERNEL_LOG, manager_class

    values = asdict(parameters)
    _check_names(papermill.inspect_notebook(str(notebook)), values, notebook.name)
    with TemporaryDirectory(prefix="ml-") as private:
        before = os.environ.get("JUPYTER_RUNTIME_DIR")
        os.environ["JUPYTER_RUNTIME_DIR"] = private  # short: a local socket's path has some 100 characters
        try:
            papermill.execute_notebook(
                str(notebook),
                str(output),
                parameters=values,
                kernel_name="python3",
                language="python",
                progress_bar=False,
                execution_timeout=CELL_TIMEOUT,
                start_timeout=START_TIMEOUT,
                kernel_manager_class=manager_class(private),
            )
        except PapermillExecutionError as error:
            log = "\n".join([*error.traceback, ""])
            raise NotebookError(error.ename, error.evalue, _without_colours(log)) from None
        except CellTimeoutError:
            raise ReportError(f"a cell of {notebook.name} ran longer than {CELL_TIMEOUT} s") from None
        except (DeadKernelError, RuntimeError) as error:
            last = _last_line(Path(private, KERNEL_LOG))
            raise ReportError(f"the kernel of {notebook.name} died: {error}{last}; run again") from None
        finally:
            if before is None:
                os.environ.pop("JUPYTER_RUNTIME_DIR", None)
            else:
                os.environ["JUPYTER_RUNTIME_DIR"] = before
            if output.is_file():
                with suppress(ValueError):  # cut short, as by a full disk: that is the error to be told
                    _blank_out(output)


def _last_line(log: Path) -> str:
    """Return the last thing a kernel said of itself, or an empty string."""
    lines = log.read_text(encoding="utf-8", errors="replace").split("\n") if log.is_file() else []
    said = [line.strip() for line in lines if line.strip()]
    return f" ({said[-1]})" if said else ""


def _check_names(known: Mapping[str, Any], given: Mapping[str, Any], name: str) -> None:
    """Refuse parameters that the notebook does not have, or lacks: a mistyped one would be ignored."""
    if set(known) != set(given):
        what = f"{name} has the parameters {', '.join(sorted(known))}; {', '.join(sorted(given))} were to be set"
        raise InputError(Problem(what, "restore its parameters cell"))


def _without_colours(text: str) -> str:
    import re

    return re.sub(r"\x1b\[[0-9;]*m", "", text)


def _blank_out(path: Path) -> None:
    """Blank ``out`` in a saved notebook: run again by hand it shows everything and writes nothing."""
    import nbformat

    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if "injected-parameters" in cell.metadata.get("tags", ()):
            lines = cell.source.split("\n")
            cell.source = "\n".join('out = ""' if line.startswith("out = ") else line for line in lines)
    record = notebook.metadata.get("papermill", {})
    if "out" in record.get("parameters", {}):
        record["parameters"]["out"] = ""
    record.pop("output_path", None)
    nbformat.write(notebook, path)


def error_outputs(path: Path) -> list[str]:
    """Return the errors that stand in a saved notebook's outputs."""
    import nbformat

    notebook = nbformat.read(path, as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    return [f"{output.ename}: {output.evalue}" for output in outputs if output.output_type == "error"]


def count_drawings(path: Path) -> int:
    """Return how many outputs of a saved notebook show a drawing."""
    import nbformat

    notebook = nbformat.read(path, as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    return sum("<svg" in str(output.get("data", {}).get("text/html", "")) for output in outputs)
