"""One room on a worker: part folder, notebook, checks, rename."""

import signal
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from matchlib.errors import InputError, MatchlibError, ReportError
from matchlib.matching.result import RoomMatch
from matchlib.package import notebooks_folder
from matchlib.running.notebook import NotebookError, Ran, RoomParameters, execute
from matchlib.running.parent import end_with_parent
from matchlib.running.store import REPORT, Store, differing

NOTEBOOK = "room_match.ipynb"


@dataclass(frozen=True, slots=True)
class Job:
    """What a worker needs to make one room's report.

    Attributes:
        files: Digest of each session file, as planned.
        planned: The room's inputs, packed.
        again: Make a report that stands once more, and compare.
    """

    facility: str
    facility_folder: str
    out: str
    room: str
    on: str
    day: str
    hash: str
    files: tuple[tuple[str, str], ...]
    planned: bytes = field(default=b"", repr=False)
    again: bool = False

    @property
    def store(self) -> Store:
        """Where its report goes."""
        return Store(Path(self.out), self.facility_folder)

    @property
    def report(self) -> Path:
        """The folder of its report."""
        return self.store.report(self.room, self.day, self.hash)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a room ended.

    Attributes:
        state: ``made``, ``stands``, ``same`` (made again, the same bytes) or ``failed``.
        error: What went wrong, with what to do.
        inputs: True where the inputs are at fault.
    """

    room: str
    state: str
    error: str = ""
    inputs: bool = False


def make_report(job: Job) -> Outcome:
    """Make one room's report; whatever goes wrong stands in the outcome."""
    try:
        with job.store.part(job.room, job.hash) as part:
            return _make(job, part)
    except OSError as error:
        text = f"cannot write below {job.store.root}: {error.strerror or error}; mend that and run again"
        return Outcome(job.room, "failed", text)
    except MatchlibError as error:
        return Outcome(job.room, "failed", str(error), isinstance(error, InputError))


def _make(job: Job, part: Path) -> Outcome:
    parameters = RoomParameters(job.facility, job.room, job.on, str(part))
    saved = part / "match.ipynb"
    try:
        ran = execute(notebooks_folder() / NOTEBOOK, parameters, saved, job.planned)
        _check(job, part, ran)
    except NotebookError as error:
        folder = job.store.fail(job.room, saved, error.log)
        if error.name == "InputError":
            return Outcome(job.room, "failed", error.value, inputs=True)
        text = f"the notebook failed ({error}); it and its log are kept in {folder}"
        return Outcome(job.room, "failed", text)
    except ReportError as error:
        job.store.fail(job.room, saved, str(error))
        raise
    if job.again:
        different = differing(part, job.report)
        if different:
            folder = job.store.fail(job.room, saved, f"differs: {', '.join(different)}\n")
            text = f"made again, {', '.join(different)} differ from {job.report}; the notebook is kept in {folder}"
            return Outcome(job.room, "failed", text)
        return Outcome(job.room, "same")
    return Outcome(job.room, "made" if job.store.finish(part, job.report) else "stands")


def _check(job: Job, part: Path, ran: Ran) -> None:
    """Refuse a report that is not whole, or not made of what was planned."""
    missing = [name for name in REPORT if not (part / name).is_file()]
    if missing:
        raise ReportError(f"room {job.room}: the notebook left no {', '.join(missing)}")
    if ran.errors:
        raise ReportError(f"room {job.room}: {ran.errors[0]}")
    found = RoomMatch.from_json((part / "match.json").read_text(encoding="utf-8"))
    as_planned = (found.hash, tuple(found.inputs.items())) == (job.hash, job.files)
    if not (as_planned and unchanged(Path(job.facility), dict(job.files))):
        raise ReportError(f"room {job.room}: its inputs changed during the run; run again")
    if ran.drawings < 1:
        raise ReportError(f"room {job.room}: the notebook shows no drawing")


def unchanged(facility: Path, files: Mapping[str, str]) -> bool:
    """Return whether session files are still those of these digests."""
    try:
        return all(sha256((facility / file).read_bytes()).hexdigest() == digest for file, digest in files.items())
    except OSError:
        return False


def start_worker() -> None:
    """Prepare a pool's process: interrupts are the parent's business, and it ends with its parent."""
    from matchlib.running.kernel import prepare_kernels

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()
    prepare_kernels()
