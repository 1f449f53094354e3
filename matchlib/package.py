"""Where the package's own files are, and what they amount to: notebooks, sources, versions."""

import platform
import sys
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path

from matchlib.errors import ReportError

_COUNTED = ("numpy", "scipy", "colour-science", "matplotlib", "typst")


def package_folder() -> Path:
    """Return the folder of the package's modules."""
    return Path(__file__).resolve().parent


@lru_cache(maxsize=1)
def notebooks_folder() -> Path:
    """Return the folder of the notebooks: inside an installed package, beside it in a checkout.

    Raises:
        ReportError: The installation lacks them.
    """
    for folder in (package_folder() / "notebooks", package_folder().parent / "notebooks"):
        if (folder / "room_match.ipynb").is_file():
            return folder
    raise ReportError("the notebooks are not part of this installation; install matchlib again")


@lru_cache(maxsize=1)
def code_digest() -> str:
    """Return the SHA-256 over everything of matchlib that decides a report: sources, template, notebooks."""
    digest = sha256()
    for folder, patterns in ((package_folder(), ("*.py", "*.typ")), (notebooks_folder(), ("*.ipynb",))):
        for path in sorted(found for pattern in patterns for found in folder.rglob(pattern)):
            if ".ipynb_checkpoints" not in path.parts:
                name = path.relative_to(folder).as_posix().encode()
                digest.update(name + b"\0" + sha256(path.read_bytes()).digest())
    return digest.hexdigest()


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Return the versions that numbers and pages depend on."""
    implementation = f"{platform.python_implementation()} {'.'.join(map(str, sys.version_info[:3]))}"
    return {"python": implementation} | {name: version(name) for name in _COUNTED}
