"""Report folders: whole or not there, never overwritten, two runs at once no harm."""

import os
import secrets
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from matchlib.errors import InputError, Problem, ReportError

REPORT = ("match.pdf", "match.ipynb", "match.json", "targets.csv")
SAME_BYTES = ("match.pdf", "match.json", "targets.csv")
_PART, _LOCK = ".part-", ".lock"
_YOUNG = 60.0  # seconds; a part folder without a lock may be in the making


class Store:
    """The folder ``DIR/FACILITY``.

    Args:
        out: DIR.
        facility: Name of the facility folder.
    """

    def __init__(self, out: Path, facility: str) -> None:
        self.root = out.resolve() / facility

    def begin(self) -> None:
        """Make the folder, and clear it of what dead runs left.

        Raises:
            InputError: It cannot be written to.
        """
        try:
            self.root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            what = f"cannot write to {self.root}: {error.strerror or error}"
            raise InputError(Problem(what, "name another folder with --out")) from None
        self.sweep()

    def report(self, room: str, day: str, digest: str) -> Path:
        """Return the folder of a room's report, there or not."""
        return self.root / room / f"{day}-{digest}"

    def stands(self, room: str, day: str, digest: str) -> bool:
        """Return whether a report is there, whole.

        Raises:
            ReportError: Its folder is there and lacks a file.
        """
        folder = self.report(room, day, digest)
        if not folder.is_dir():
            return False
        missing = [name for name in REPORT if not (folder / name).is_file()]
        if missing:
            raise ReportError(f"{folder} lacks {', '.join(missing)}; move that folder away and run again")
        return True

    @contextmanager
    def part(self, room: str, digest: str) -> Iterator[Path]:
        """Yield a new, locked part folder of a room; it is gone afterwards, unless it was renamed."""
        folder = self.root / room / f"{_PART}{digest}-{secrets.token_hex(4)}"
        folder.mkdir(parents=True)
        with _locked(folder / _LOCK):
            try:
                yield folder
            finally:
                shutil.rmtree(folder, ignore_errors=True)

    def finish(self, part: Path, report: Path, same: Sequence[str] = SAME_BYTES) -> bool:
        """Rename a part folder to its report; return False where one with the same bytes stood there first.

        Args:
            part: The part folder.
            report: What it becomes.
            same: Names of the files whose bytes are compared.

        Raises:
            ReportError: Another run left other bytes there.
        """
        (part / _LOCK).unlink(missing_ok=True)
        for path in part.iterdir():
            _sync(path)
        _sync(part)
        try:
            part.rename(report)
        except OSError:
            if not report.is_dir():
                raise
            different = differing(part, report, same)
            if different:
                raise ReportError(
                    f"{report} was made by another run at once and differs in {', '.join(different)}; "
                    "move it away and run again"
                ) from None
            return False
        _sync(report.parent)
        return True

    def sweep(self) -> None:
        """Remove the part folders and part files of runs that are no longer alive."""
        for part in [*self.root.glob(f"*/{_PART}*"), *self.root.glob(f"{_PART}*")]:
            if _is_dead(part):
                with suppress(OSError):
                    part.unlink() if part.is_file() else shutil.rmtree(part, ignore_errors=True)

    def fail(self, room: str, notebook: Path, log: str) -> Path:
        """Keep a failed run's notebook and log, and return their folder."""
        folder = self.root / "_failed" / room
        folder.mkdir(parents=True, exist_ok=True)
        if notebook.is_file():
            write(folder / notebook.name, notebook.read_bytes())
        write(folder / "log.txt", log.encode())
        return folder


def write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; leave it alone where it already holds these bytes."""
    with suppress(OSError):
        if path.read_bytes() == content:
            return
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{_PART}{path.name}-{secrets.token_hex(4)}")
    try:
        part.write_bytes(content)
        _sync(part)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def differing(one: Path, other: Path, names: Sequence[str] = SAME_BYTES) -> list[str]:
    """Return which of the files that must be the same bytes are not."""
    return [name for name in names if (one / name).read_bytes() != (other / name).read_bytes()]


def _sync(path: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there; the rename is journalled
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold a lock that ends with this process, however it ends."""
    with path.open("w") as stream:
        _try_lock(stream.fileno())
        yield


def _try_lock(handle: int) -> bool:
    try:
        import fcntl
    except ImportError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is_dead(part: Path) -> bool:
    try:
        with (part / _LOCK).open("r+") as stream:
            return _try_lock(stream.fileno())
    except OSError:
        with suppress(OSError):
            return time.time() - part.stat().st_mtime > _YOUNG
        return False


def shown(path: Path) -> str:
    """Return a path as its reader would type it from here."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)
