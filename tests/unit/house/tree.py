"""The repository as the house rules see it: its files, its modules, and what they import and call."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[3]
PACKAGES: Final = ("monitor", "adapters", "alerts", "config_demo")


@cache
def files() -> tuple[Path, ...]:
    """Return every file of the repository, relative to its top: what git tracks or would."""
    command = ["git", "-c", "safe.directory=*", "ls-files", "--cached", "--others", "--exclude-standard"]
    said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=60)
    return tuple(Path(line) for line in sorted(said.stdout.splitlines()) if (ROOT / line).is_file())


def text(path: Path) -> str:
    """Return a file's text, bytes that are none replaced."""
    return (ROOT / path).read_text(encoding="utf-8", errors="replace")


def python_files(*tops: str) -> list[Path]:
    """Return the Python files below some of the top folders."""
    return [path for path in files() if path.suffix == ".py" and path.parts[0] in tops]


def name_of(path: Path) -> str:
    """Return the module's dotted name."""
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def modules() -> dict[str, Path]:
    """Return the product's modules by dotted name."""
    return {name_of(path): path for path in python_files(*PACKAGES)}


@cache
def tree_of(path: Path) -> ast.Module:
    """Return a file's syntax tree."""
    return ast.parse(text(path))


def imports_of(path: Path) -> set[str]:
    """Return the dotted names a file imports, anywhere in it: modules of ours as such, others as they are written."""
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in modules() else node.module)
    return found


def ours(names: set[str]) -> set[str]:
    """Return those names that are modules of the product."""
    return {name for name in names if name.split(".")[0] in PACKAGES}


def others(names: set[str]) -> set[str]:
    """Return the top-level names of those that belong to neither the product, its tests nor the standard library."""
    tops = {name.split(".")[0] for name in names}
    return tops - set(sys.stdlib_module_names) - {*PACKAGES, "tests"}


def calls_of(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and dotted name of every call that is written as one (`time.time`, `open`, `path.read_text`)."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            yield node.lineno, ast.unparse(node.func)


def room_of(module: str) -> str:
    """Return the room a module belongs to: `monitor.model`, `alerts`, `monitor.pipeline`, …."""
    parts = module.split(".")
    return ".".join(parts[:2]) if parts[0] == "monitor" else parts[0]
