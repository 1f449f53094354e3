"""The same work on many things: in this process, or in several side by side; told in the order of the things."""

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, TypeVar

from matchlib.errors import ReportError
from matchlib.running.parent import end_with_parent

Thing = TypeVar("Thing")
Result = TypeVar("Result")
Progress = Callable[[str], None]


def silent(_: object) -> None:
    """Tell nobody of progress."""


def usable_cores() -> int:
    """Return how many cores this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def _nothing() -> None:
    """Prepare nothing."""


def each(
    work: Callable[[Thing], Result],
    things: Sequence[Thing],
    workers: int,
    prepare: Callable[..., None] = _nothing,
    given: tuple[Any, ...] = (),
) -> Iterator[Result]:
    """Yield what the work makes of each thing, in order.

    Args:
        work: A function of a module; with more than one worker, things and results cross processes.
        things: At least two, or one process does.
        workers: Processes side by side; 1: this one.
        prepare: Called with ``given`` first, once in each process.
        given: Whatever the work needs for all things alike.

    Raises:
        ReportError: A process died.
    """
    count = min(workers, len(things))
    if count < 2:
        prepare(*given)
        yield from map(work, things)
        return
    pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=_begin, initargs=(prepare, given))
    try:
        yield from pool.map(work, things)
    except BrokenProcessPool:
        raise ReportError("a worker process died; run again") from None
    finally:
        end_pool(pool)


def end_pool(pool: ProcessPoolExecutor) -> None:
    """End a pool's processes at once, and whatever they started with them."""
    processes = list((pool._processes or {}).values())  # noqa: SLF001 (no public way before Python 3.14)
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(5)


def _begin(prepare: Callable[..., None], given: tuple[Any, ...]) -> None:
    """Prepare a process: interrupts are the parent's business, and it ends with its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent()
    prepare(*given)
