"""The kernel a report's notebook runs in: this interpreter, alone, one thread in its linear algebra."""

import os
import sys
from collections.abc import Collection
from contextlib import suppress
from math import inf
from pathlib import Path
from queue import Empty
from time import monotonic
from typing import Any

from jupyter_client.asynchronous import AsyncKernelClient
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from traitlets import Type, default

from matchlib.matching.planned import PLANNED
from matchlib.package import package_folder
from matchlib.running.forked import can_fork, prepare, provisioner

KERNEL_LOG = "kernel.log"
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def kernel_spec(private: str, *, forked: bool = False) -> KernelSpec:
    """Return the kernel of this interpreter with nothing of the user's in it.

    Args:
        private: A folder for the kernel's own files: no profile, no history, no start-up scripts.
        forked: Fork it from a process that has imported everything, where the platform forks.
    """
    argv = [
        sys.executable,
        "-m",
        "ipykernel_launcher",
        "-f",
        "{connection_file}",
        "--HistoryManager.enabled=False",
    ]
    env = _environment()
    return KernelSpec(
        argv=argv,
        env=env | {"IPYTHONDIR": private},
        display_name="Python 3",
        language="python",
        metadata=provisioner(env) if forked else {},
    )


def _environment() -> dict[str, str]:
    """Return what a kernel's environment has beside this process's own."""
    path = os.pathsep.join(part for part in (str(package_folder().parent), os.environ.get("PYTHONPATH", "")) if part)
    return dict.fromkeys(_ONE_THREAD, "1") | {
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "PYTHONPATH": path,
        "PYTHONHASHSEED": "0",
    }


def prepare_kernels() -> None:
    """Begin to import what every kernel needs, while this process goes on."""
    if can_fork():
        prepare(_environment())


class RoomKernelClient(AsyncKernelClient):
    """Is ready as soon as its kernel has answered on both channels; the usual one waits for a silence besides."""

    async def wait_for_ready(self, timeout: float | None = None) -> None:  # noqa: ASYNC109 (its caller names it)
        """Wait until the kernel answers.

        Raises:
            RuntimeError: It died, or did not answer in time.
        """
        end = monotonic() + (inf if timeout is None else timeout)
        asked: set[str] = set()
        answered = False
        while not (answered and await self._publishes(asked)):
            if not await self.is_alive():
                raise RuntimeError("it ended before it answered")
            if monotonic() > end:
                raise RuntimeError(f"no answer in {timeout} s")
            asked.add(self.kernel_info())
            answered = await self._answers(asked) or answered

    async def _answers(self, asked: Collection[str]) -> bool:
        """Return whether an answer arrives, to whichever question: a slow kernel's is one to an earlier question."""
        with suppress(Empty):
            reply = await self.get_shell_msg(timeout=1)
            if reply["parent_header"].get("msg_id") in asked:
                self._handle_kernel_info_reply(reply)
                return True
        return False

    async def _publishes(self, asked: Collection[str]) -> bool:
        """Return whether news of a question arrive; they are lost until the subscription to them stands."""
        with suppress(Empty):
            while True:
                news = await self.get_iopub_msg(timeout=0.1)
                if news["parent_header"].get("msg_id") in asked and news["content"].get("execution_state") == "idle":
                    return True
        return False


class RoomKernelManager(AsyncKernelManager):
    """Starts :func:`kernel_spec` over local sockets where the platform has them."""

    private = planned = ""
    client_factory = Type(klass=RoomKernelClient)

    @default("transport")
    def _default_transport(self) -> str:
        return "tcp" if os.name == "nt" else "ipc"

    async def start_kernel(self, **keywords: Any) -> None:
        """Start the kernel; what it says of itself goes into a log beside its own files."""
        with Path(self.private, KERNEL_LOG).open("ab") as log:  # noqa: ASYNC230 (a local log, once)
            await super().start_kernel(stdout=log, stderr=log, **keywords)

    @default("ip")
    def _default_ip(self) -> str:
        """Return a host, or a path of this kernel's own: the usual default is one for the whole folder."""
        return "127.0.0.1" if self.transport == "tcp" else str(Path(self.private, "k"))

    @property
    def kernel_spec(self) -> KernelSpec:
        """The kernel to start, whatever is installed under its name."""
        spec = kernel_spec(self.private, forked=True)
        if self.planned:
            spec.env[PLANNED] = self.planned
        return spec


def manager_class(private: str, planned: bytes = b"") -> Any:
    """Return a kernel manager class.

    Args:
        private: Where its kernels keep their files.
        planned: A room's inputs, packed, that its kernels find there.
    """
    place = Path(private, "planned")
    if planned:
        place.write_bytes(planned)
    members = {"private": private, "planned": str(place) if planned else ""}
    return type("RoomKernelManager", (RoomKernelManager,), members)
