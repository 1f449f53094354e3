"""Kernels forked from a process that has imported everything already.

One fork server a process of ours (:mod:`multiprocessing`'s) imports ``preloaded.py`` once; each kernel is a fork of
it. Where there is no fork, or it fails, the usual kernel starts in its place: the same numbers, three seconds later.
"""

import os
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from multiprocessing import forkserver, get_all_start_methods, get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from jupyter_client.provisioning import KernelProvisionerFactory, LocalProvisioner

from matchlib.running.parent import end_with_parent

PROVISIONER = "matchlib-forked"
PRELOAD = "matchlib.running.preloaded"
_START_TIMEOUT = 60  # seconds, the imports of the fork server included


@dataclass(frozen=True, slots=True)
class _Start:
    """How a kernel is to start: the arguments of its application, environment, folder, log."""

    arguments: tuple[str, ...]
    environment: Mapping[str, str]
    folder: str
    log: str


class ForkedKernel:
    """A forked kernel, as far as a provisioner asks a :class:`subprocess.Popen`."""

    stdin = stdout = stderr = None

    def __init__(self, process: BaseProcess) -> None:
        self._process = process
        self.pid = process.pid or 0

    def poll(self) -> int | None:
        """Return the exit code, None while it lives."""
        return self._process.exitcode

    def wait(self) -> int | None:
        """Wait for its end and return the exit code."""
        self._process.join()
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        """Send a signal; one that is gone takes none."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)


class ForkedProvisioner(LocalProvisioner):
    """Launches a forked kernel; the usual one where that fails."""

    async def launch_kernel(self, cmd: list[str], **keywords: Any) -> Any:
        """Launch a kernel, and return how to connect to it."""
        folder = str(keywords.get("cwd") or Path.cwd())
        arguments = tuple(cmd[cmd.index("ipykernel_launcher") + 1 :])
        kernel = fork_kernel(_Start(arguments, dict(keywords["env"]), folder, keywords["stdout"].name))
        if kernel is None:
            return await super().launch_kernel(cmd, **keywords)
        self.process, self.pid, self.pgid, self.cwd = kernel, kernel.pid, kernel.pid, folder
        return self.connection_info


def provisioner(environment: Mapping[str, str]) -> dict[str, Any]:
    """Return the metadata of a kernel that is to be forked, empty where this platform does not fork.

    Args:
        environment: Of the kernels; the fork server starts with it.
    """
    if not can_fork():
        return {}
    prepare(environment)
    entry = EntryPoint(PROVISIONER, f"{__name__}:{ForkedProvisioner.__name__}", KernelProvisionerFactory.GROUP_NAME)
    KernelProvisionerFactory.provisioners[PROVISIONER] = entry
    return {"kernel_provisioner": {"provisioner_name": PROVISIONER}}


def can_fork() -> bool:
    """Return whether this platform has a fork server."""
    return "forkserver" in get_all_start_methods()


def prepare(environment: Mapping[str, str]) -> None:
    """Start this process's fork server if it has none yet; it imports while the caller goes on."""
    with _environment(environment):
        forkserver.set_forkserver_preload([PRELOAD])
        forkserver.ensure_running()


@contextmanager
def _environment(changes: Mapping[str, str]) -> Iterator[None]:
    """Change the environment for a process that starts meanwhile."""
    before = {name: os.environ.get(name) for name in changes}
    os.environ.update(changes)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def fork_kernel(start: _Start) -> ForkedKernel | None:
    """Return a kernel that listens, or None where none could be forked; the log says why."""
    context = get_context("forkserver")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_kernel, args=(start, theirs), daemon=True)
    try:
        process.start()
        theirs.close()
        if ours.poll(_START_TIMEOUT) and ours.recv():
            return ForkedKernel(process)
    except (OSError, EOFError) as error:
        _say(start.log, f"no kernel was forked: {error!r}")
    finally:
        ours.close()
    if process.pid is not None:
        process.kill()
    return None


def _say(log: str, text: str) -> None:
    with Path(log).open("a", encoding="utf-8") as stream:
        stream.write(text + "\n")


def _kernel(start: _Start, ready: Connection) -> None:
    """Be a kernel: in a session of its own, ended with its parent."""
    end_with_parent()
    os.setsid()
    _speak_into(start.log)
    if PRELOAD not in sys.modules:  # a fork server passes over what it cannot import
        print(f"{PRELOAD} is not imported", file=sys.stderr)  # noqa: T201 (its standard error is the log)
        ready.send(False)
        return
    os.environ.clear()
    os.environ.update(start.environment)
    os.chdir(start.folder)
    from ipykernel.kernelapp import IPKernelApp

    # ipykernel read who its parent is when it was imported; 1: told, and none that it need watch
    app = IPKernelApp.instance(parent_handle=1)
    app.initialize([*start.arguments])
    ready.send(True)
    ready.close()
    app.start()


def _speak_into(log: str) -> None:
    handle = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    for stream in (1, 2):
        os.dup2(handle, stream)
    os.close(handle)
