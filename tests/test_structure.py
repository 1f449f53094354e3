"""The house: a module imports only from its own wing and wings above it; modules and functions stay short."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import matchlib

PACKAGE = Path(matchlib.__file__).resolve().parent
# In this order: what stands later may import what stands earlier, never the other way round.
ORDER = (
    *("errors", "once", "arrays", "text", "encoding", "patches", "package"),
    *("facility", "readings", "displays", "perception", "matching", "reporting", "running"),
    *("__init__", "cli", "__main__"),
)
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if "notebooks" not in path.relative_to(PACKAGE).parts)
LONGEST_MODULE = 400
LONGEST_BODY = 60
HEAVY = ("colour", "papermill", "matplotlib", "pandas", "scipy")


def _wing(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def _submodule(name: str) -> bool:
    return (PACKAGE / name).is_dir() or (PACKAGE / f"{name}.py").is_file()


def _imported_wings(source: str, path: Path) -> set[str]:
    """Return the wings a module imports from; ``from matchlib import __version__`` is no import of a wing."""
    wings = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name.split(".") for alias in node.names]
            wings |= {[*parts, "__init__"][1] for parts in names if parts[0] == "matchlib"}
        elif isinstance(node, ast.ImportFrom):
            module = (node.module or "").split(".")
            if node.level:
                base = path.relative_to(PACKAGE.parent).parts[: -node.level]
                module = [*base, *(part for part in module if part)]
            if module[0] != "matchlib":
                continue
            if len(module) > 1:
                wings.add(module[1])
            else:
                names = [alias.name for alias in node.names if alias.name != "__version__"]
                wings |= {name if _submodule(name) else "__init__" for name in names}
    return wings


def _forbidden(source: str, path: Path) -> list[str]:
    here = ORDER.index(_wing(path))
    return sorted(wing for wing in _imported_wings(source, path) if ORDER.index(wing) > here)


def _bodies(source: str) -> list[tuple[str, int]]:
    """Return the name and the lines of each function's body, its docstring left out."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            lines = (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0
            found.append((node.name, lines))
    return found


def _name(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def test_every_module_has_its_place_in_the_order():
    assert len(MODULES) > 20
    assert {_wing(path) for path in MODULES} <= set(ORDER)


@pytest.mark.parametrize("path", MODULES, ids=_name)
def test_a_module_imports_only_from_its_own_wing_and_from_wings_above(path):
    assert _forbidden(path.read_text(encoding="utf-8"), path) == []


@pytest.mark.parametrize("path", MODULES, ids=_name)
def test_modules_and_functions_stay_short(path):
    source = path.read_text(encoding="utf-8")
    assert len(source.splitlines()) <= LONGEST_MODULE
    assert [entry for entry in _bodies(source) if entry[1] > LONGEST_BODY] == []


def test_the_check_of_imports_sees_what_it_forbids():
    path = PACKAGE / "facility" / "file.py"
    assert _forbidden("from matchlib.readings.session import Session", path) == ["readings"]
    assert _forbidden("def f():\n    import matchlib.matching.room", path) == ["matching"]
    assert _forbidden("from matchlib import running as r", path) == ["running"]
    assert _forbidden("from ..displays import response", path) == ["displays"]
    assert _forbidden("from matchlib import match_room", path) == ["__init__"]
    assert _forbidden("from matchlib import __version__\nfrom matchlib import encoding\nimport numpy", path) == []
    assert _forbidden("from matchlib.patches import PatchList", PACKAGE / "arrays.py") == ["patches"]


def test_the_check_of_length_counts_without_the_docstring():
    source = 'def f():\n    """One.\n\n    Two.\n    """\n    a = 1\n\n    return a\n'
    assert _bodies(source) == [("f", 3)]


def test_importing_the_package_imports_nothing_heavy():
    code = f"import sys, matchlib; print(*[name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert run.stdout.split() == []
