"""The kernel a report's notebook runs in: this interpreter, alone, one thread in its linear algebra."""

import os
import sys
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
        while not await self._answers():
            if not await self.is_alive():
                raise RuntimeError("it ended before it answered")
            if monotonic() > end:
                raise RuntimeError(f"no answer in {timeout} s")

    async def _answers(self) -> bool:
        """Return whether the answer to one question, and the news of it, arrive."""
        asked = self.kernel_info()
        try:
            reply = await self.get_shell_msg(timeout=1)
            if reply["parent_header"].get("msg_id") != asked:
                return False
            self._handle_kernel_info_reply(reply)
            while True:  # what it publishes is lost until its subscription stands
                news = await self.get_iopub_msg(timeout=0.1)
                if news["parent_header"].get("msg_id") == asked and news["content"].get("execution_state") == "idle":
                    return True
        except Empty:
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
