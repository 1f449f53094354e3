"""A folder of many files, written whole or not at all."""

import secrets
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from matchlib.errors import InputError, Problem


def write_folder(
    folder: Path, files: Mapping[str, Callable[[], str]], step: Callable[[], None], *, replace_files: bool = False
) -> None:
    """Write files beside the folder and move them there at the end; stopped before, nothing stays.

    Args:
        folder: New or empty; or, with ``replace_files``, one that holds none but these files.
        files: Path relative to the folder, and what returns the text.
        step: Called after each file.
        replace_files: Write over files that are there.

    Raises:
        InputError: The folder holds other files, or these and ``replace_files`` is False.
    """
    _check(folder, files, replace_files=replace_files)
    part = folder.parent / f".part-{folder.name}-{secrets.token_hex(4)}"
    part.mkdir(parents=True)
    try:
        for name in sorted({name.rpartition("/")[0] for name in files}):
            (part / name).mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (part / name).write_text(text(), encoding="utf-8", newline="\n")
            step()
        _move(part, folder, files)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _check(folder: Path, files: Mapping[str, object], *, replace_files: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise InputError(Problem(f"{str(folder)!r} is a file", "name a folder that is new or empty"))
    there = [path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()]
    if there and not replace_files:
        raise InputError(Problem(f"{str(folder)!r} is not empty", "name a new folder, or pass --replace"))
    foreign = sorted(set(there) - set(files))
    if foreign:
        what = f"{str(folder)!r} holds {len(foreign)} other files, the first {foreign[0]!r}"
        raise InputError(Problem(what, "name a new folder: left there, they would be read as its own"))


def _move(part: Path, folder: Path, files: Mapping[str, object]) -> None:
    """Move the files to their folder: at one stroke where it is new or empty."""
    if not folder.exists() or not any(folder.iterdir()):
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
        return
    for name in files:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (part / name).replace(folder / name)
