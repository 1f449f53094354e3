"""Run a notebook with literal parameters, every name of them checked first."""

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from matchlib.errors import InputError, MatchlibError, Problem, ReportError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

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


@dataclass(frozen=True, slots=True)
class Ran:
    """What a notebook left in its outputs: the errors, and how many drawings it shows."""

    errors: tuple[str, ...]
    drawings: int


def execute(notebook: Path, parameters: "DataclassInstance", output: Path, planned: bytes = b"") -> Ran:
    """Execute a notebook into ``output``, ``out`` blanked in what is saved.

    Args:
        notebook: The notebook.
        parameters: What to set in it, as a dataclass of its parameters.
        output: The file to write.
        planned: The room's inputs, packed; where there are none, the notebook reads the facility.

    Raises:
        ReportError: The notebook has other parameters, or its kernel does not start or answer.
        NotebookError: A cell failed; the notebook as far as it ran stands in ``output``.
    """
    with absent("rfc3987_syntax"):  # a grammar of IRIs that no notebook's schema asks for: 80 % of the import
        import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    from matchlib.running.kernel import KERNEL_LOG

    values = asdict(parameters)
    _check_names(papermill.inspect_notebook(str(notebook)), values, notebook.name)
    cells: list[Any] = []
    with _private_folder() as private:
        try:
            return _saved(_run(notebook, values, output, private, planned, cells), output)
        except PapermillExecutionError as error:
            with suppress(ValueError):  # cut short, as by a full disk: that is the error to be told
                _saved(_notebook_in(output), output)
            log = "\n".join([*error.traceback, ""])
            raise NotebookError(error.ename, error.evalue, _without_colours(log)) from None
        except CellTimeoutError:
            _saved(_notebook_of(cells), output)
            raise ReportError(f"a cell of {notebook.name} ran longer than {CELL_TIMEOUT} s") from None
        except (DeadKernelError, RuntimeError) as error:
            _saved(_notebook_of(cells), output)
            last = _last_line(Path(private, KERNEL_LOG))
            raise ReportError(f"the kernel of {notebook.name} died: {error}{last}; run again") from None


@contextmanager
def absent(name: str) -> Iterator[None]:
    """Have a module that others can do without not found meanwhile, unless it is imported already."""
    hidden = name not in sys.modules
    if hidden:
        sys.modules[name] = None  # type: ignore[assignment]  # the import system then finds none
    try:
        yield
    finally:
        if hidden:
            del sys.modules[name]


@contextmanager
def _private_folder() -> Iterator[str]:
    """Give a folder for a kernel's own files, gone afterwards."""
    with TemporaryDirectory(prefix="ml-") as private:
        before = os.environ.get("JUPYTER_RUNTIME_DIR")
        os.environ["JUPYTER_RUNTIME_DIR"] = private  # short: a local socket's path has some 100 characters
        try:
            yield private
        finally:
            if before is None:
                os.environ.pop("JUPYTER_RUNTIME_DIR", None)
            else:
                os.environ["JUPYTER_RUNTIME_DIR"] = before


def _run(
    notebook: Path, values: Mapping[str, str], output: Path, private: str, planned: bytes, cells: list[Any]
) -> Any:
    """Execute a notebook and return it; each cell stands in ``cells`` from its start on, whatever comes."""
    import papermill

    from matchlib.running.kernel import manager_class

    def begun(cell: Any, **_: Any) -> None:
        cells.append(cell)

    return papermill.execute_notebook(
        str(notebook),
        str(output),
        parameters=dict(values),
        kernel_name="python3",
        language="python",
        progress_bar=False,
        request_save_on_cell_execute=False,  # once, at the end
        execution_timeout=CELL_TIMEOUT,
        start_timeout=START_TIMEOUT,
        kernel_manager_class=manager_class(private, planned),
        shutdown_kernel="immediate",  # what it made is on the disk
        on_cell_start=begun,
    )


def _notebook_in(path: Path) -> Any:
    import nbformat

    return nbformat.read(path, as_version=4)


def _notebook_of(cells: list[Any]) -> Any:
    """Return a notebook of the cells that were begun."""
    import nbformat

    return nbformat.v4.new_notebook(cells=cells)


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


def _saved(notebook: Any, path: Path) -> Ran:
    """Save a notebook with ``out`` blank: run again by hand it shows everything and writes nothing."""
    import nbformat

    for cell in notebook.cells:
        if "injected-parameters" in cell.metadata.get("tags", ()):
            lines = cell.source.split("\n")
            cell.source = "\n".join('out = ""' if line.startswith("out = ") else line for line in lines)
    record = notebook.metadata.get("papermill", {})
    if "out" in record.get("parameters", {}):
        record["parameters"]["out"] = ""
    record.pop("output_path", None)
    nbformat.write(notebook, path)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    return Ran(
        errors=tuple(f"{output.ename}: {output.evalue}" for output in outputs if output.output_type == "error"),
        drawings=sum("<svg" in str(output.get("data", {}).get("text/html", "")) for output in outputs),
    )
