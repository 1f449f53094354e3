"""Where jobs run: a pool of processes here, or the workers of a dask.distributed scheduler.

Both are a ``concurrent.futures`` executor, and the code that hands out jobs knows no difference. Workers of a
scheduler must see the facility and the output folder under the same paths, and have the same matchlib.
"""

import logging
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from threading import Lock
from typing import Any

from matchlib.errors import InputError, Problem
from matchlib.package import code_digest, versions
from matchlib.running.processes import end_pool
from matchlib.running.worker import Job, Outcome, make_report, start_worker

REACH = 10  # seconds in which a scheduler must answer
_LOOK = 2.0  # seconds between looks whether the executor is still there
_AGAIN = "run again, what is finished stays"
_SCHEDULER_GONE = f"the scheduler went away; {_AGAIN}"
_NOISY = ("distributed", "tornado", "asyncio")
_ONE_AT_A_TIME = Lock()  # a report's kernel takes its private folder from the environment of the process


@dataclass(frozen=True, slots=True)
class Place:
    """Where jobs run.

    Attributes:
        make: What a worker does with a job.
        alive: Whether outcomes can still come.
        width: How many jobs run at once.
    """

    executor: Executor
    make: Callable[[Job], Outcome]
    alive: Callable[[], bool]
    width: int


def outcomes_of(place: Place, jobs: Iterator[Job]) -> Iterator[Outcome]:
    """Yield how each job ended, as they end; a worker or a scheduler that is gone is an outcome too.

    Jobs are taken as they can be given: one more than run at once, so that few are held.
    """
    running: dict[Future[Outcome], Job] = {}
    for job in jobs:
        try:
            running[place.executor.submit(place.make, job)] = job
        except (Exception, CancelledError) as error:  # noqa: BLE001 (which is lost, which our own, is told apart there)
            yield _ended(job, error)
        if len(running) > place.width:
            yield from _done(place, running)
    while running:
        yield from _done(place, running)


def _done(place: Place, running: dict[Future[Outcome], Job]) -> Iterator[Outcome]:
    """Wait until one ends or none can any more; yield the outcomes of those that have, and take them out."""
    while running:
        alive = place.alive()  # asked first: what came before the end is still taken
        done = wait(running, timeout=_LOOK, return_when=FIRST_COMPLETED).done
        for future in done:
            yield _outcome(future, running.pop(future))
        if done:
            return
        if not alive:
            yield from (_untold(job, _SCHEDULER_GONE) for job in running.values())
            running.clear()


def _outcome(future: Future[Outcome], job: Job) -> Outcome:
    try:
        return future.result()
    except (Exception, CancelledError) as error:  # noqa: BLE001 (the same)
        return _ended(job, error)


def _ended(job: Job, error: BaseException) -> Outcome:
    """Return how a job ended whose worker or scheduler was lost; a fault of our own is raised."""
    why = _lost(error)
    if why is None:
        raise error
    return _untold(job, why)


def _untold(job: Job, why: str) -> Outcome:
    """Return how a job ended that nobody told of: its report may stand all the same."""
    made = not job.again and job.store.stands(job.room, job.day, job.hash)
    return Outcome(job.room, "made") if made else Outcome(job.room, "failed", why)


@contextmanager
def pool(workers: int) -> Iterator[Place]:
    """Yield a pool of processes; where its user fails or is interrupted they end at once."""
    made = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=start_worker)
    try:
        yield Place(made, make_report, lambda: True, workers)
    except BaseException:
        end_pool(made)
        raise
    made.shutdown()


@contextmanager
def cluster(address: str, facility: Path) -> Iterator[Place]:
    """Yield the workers of a scheduler.

    Args:
        address: Of the scheduler, e.g. ``tcp://10.0.0.1:8786``.
        facility: Its folder, which every worker must see.

    Raises:
        InputError: No such scheduler; it has no workers; one of them lacks the folder or has another matchlib.
    """
    try:
        import distributed
        from distributed.comm import resolve_address
    except ImportError:
        raise InputError(Problem("--scheduler needs dask.distributed", "install matchlib[cluster]")) from None
    _silence()
    try:
        resolve_address(address)  # a client that was given no address would wait half a minute
        client = distributed.Client(address, timeout=REACH, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        reason = str(error) or "no answer"
        what = f"no scheduler answers at {address!r}: {reason.splitlines()[0]}"
        raise InputError(Problem(what, "start it, or correct --scheduler")) from None
    try:
        _check(client, address, facility)
        width = sum(client.nthreads().values())
        yield Place(client.get_executor(pure=False), _on_worker, lambda: client.status == "running", width)
    finally:
        client.close(timeout=2)


def _silence() -> None:
    """Keep the logs of the library and its loop from the terminal: the rooms' errors tell what matters."""
    for name in [*_NOISY, *logging.root.manager.loggerDict]:
        if name.partition(".")[0] in _NOISY:
            quiet = logging.getLogger(name)
            quiet.handlers, quiet.propagate = [logging.NullHandler()], False


def _check(client: Any, address: str, facility: Path) -> None:
    """Refuse workers that would make other reports, or none."""
    found = client.run(_surroundings, str(facility), on_error="return")
    if not found:
        raise InputError(Problem(f"the scheduler at {address!r} has no workers", "start some, then run again"))
    problems = [problem for worker, told in sorted(found.items()) for problem in _unlike(worker, told, facility)]
    if problems:
        raise InputError(problems)


def _unlike(worker: str, told: Any, facility: Path) -> Iterator[Problem]:
    """Yield what of a worker differs from this machine."""
    if isinstance(told, BaseException):
        yield Problem(f"worker {worker} cannot run matchlib: {told}", "install matchlib there, and start it anew")
        return
    code, theirs, sees = told
    if not sees:
        what = f"worker {worker} does not see {facility}"
        yield Problem(what, "workers need the same folders under the same paths as this machine")
    if (code, theirs) != (code_digest(), versions()):
        parts = [f"{name} {theirs.get(name)}" for name, version in versions().items() if theirs.get(name) != version]
        what = f"worker {worker} has {', '.join(parts) or 'other sources of matchlib'}"
        yield Problem(what, "install there what is installed here, and start it anew")


def _surroundings(facility: str) -> tuple[str, dict[str, str], bool]:
    """Return what a worker's reports depend on: sources, versions, whether it sees the facility."""
    return code_digest(), versions(), Path(facility, "facility.toml").is_file()


def _on_worker(job: Job) -> Outcome:
    """Make one room's report on a scheduler's worker, whose threads take turns."""
    with _ONE_AT_A_TIME:
        return make_report(job)


def _lost(error: BaseException) -> str | None:
    """Return in words why a job has no outcome; None where the error is a fault of our own."""
    if isinstance(error, BrokenProcessPool) or type(error).__name__ == "KilledWorker":
        return f"its worker process died; {_AGAIN}"
    return _SCHEDULER_GONE if isinstance(error, CancelledError | OSError) else None
