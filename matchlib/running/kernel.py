"""The kernel a report's notebook runs in: this interpreter, alone, one thread in its linear algebra."""

import os
import sys
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from traitlets import default

from matchlib.package import package_folder

KERNEL_LOG = "kernel.log"
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def kernel_spec(private: str) -> KernelSpec:
    """Return the kernel of this interpreter with nothing of the user's in it.

    Args:
        private: A folder for the kernel's own files: no profile, no history, no start-up scripts.
    """
    path = os.pathsep.join(part for part in (str(package_folder().parent), os.environ.get("PYTHONPATH", "")) if part)
    argv = [
        sys.executable,
        "-m",
        "ipykernel_launcher",
        "-f",
        "{connection_file}",
        "--HistoryManager.enabled=False",
    ]
    env = dict.fromkeys(_ONE_THREAD, "1") | {
        "IPYTHONDIR": private,
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "PYTHONPATH": path,
        "PYTHONHASHSEED": "0",
    }
    return KernelSpec(argv=argv, env=env, display_name="Python 3", language="python")


class RoomKernelManager(AsyncKernelManager):
    """Starts :func:`kernel_spec` over local sockets where the platform has them."""

    private = ""

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
        return kernel_spec(self.private)


def manager_class(private: str) -> Any:
    """Return a kernel manager class whose kernels keep their files in ``private``."""
    return type("RoomKernelManager", (RoomKernelManager,), {"private": private})
