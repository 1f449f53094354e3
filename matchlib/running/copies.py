"""The notebooks, copied to where a colour scientist opens them."""

from pathlib import Path

from matchlib.errors import InputError, Problem
from matchlib.package import notebooks_folder
from matchlib.running.store import write


def copy_notebooks(folder: str | Path, *, replace_files: bool = False) -> list[Path]:
    """Copy every notebook of the package into a folder, and return the copies.

    Raises:
        InputError: One is there already and ``replace_files`` is False; nothing was written.
    """
    root = Path(folder)
    if root.exists() and not root.is_dir():
        raise InputError(Problem(f"{str(folder)!r} is a file", "name a folder"))
    copies = {root / path.name: path for path in sorted(notebooks_folder().glob("*.ipynb"))}
    standing = [str(copy) for copy in copies if copy.exists()]
    if standing and not replace_files:
        raise InputError(Problem(f"already there: {', '.join(standing)}", "name another folder, or pass --replace"))
    for copy, original in copies.items():
        write(copy, original.read_bytes())
    return list(copies)
