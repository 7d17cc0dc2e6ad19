"""What lies where, and what no file holds."""

from __future__ import annotations

import ast
import os
import re
from pathlib import Path
from typing import Final

import pytest

from tests.unit.house.tree import PACKAGES, ROOT, files, python_files, text, tree_of

TOP: Final = {"README.md", "DEVELOPERS.md", "pyproject.toml", *PACKAGES, "tests"}
LONGEST: Final = 400
COMMANDS: Final = ("demo", "lock", "run", "setup", "test")
FOR_PEOPLE: Final = {".py", ".md", ".toml", ".html", ".css", ".js", ".json", ".csv", ".lock", ""}

# Written in two parts, so that these rules do not meet themselves.
UNFINISHED: Final = re.compile(
    r"\b(TO" r"DO|FIX" r"ME|XX" r"X)\b|NotImplemented" r"Error|\bfor" r" now\b|\bstub" r"bed\b"
)
LEFT_OUT: Final = re.compile(r"pytest\.(mark\.)?(skip|xfail)|importor" r"skip")
MACHINE: Final = re.compile(r"(?<![\w.])/(work|farm|tmp|root|home)" r"/[a-z]")
HOSTS: Final = re.compile(
    r"pypi\." r"org|pythonhosted\." r"org|npmjs\." r"(org|com)|deb\.debian\." r"org|files\." r"pythonhosted"
)
ADDRESS: Final = re.compile(r"https?:/" r"/|index-" r"url|find-" r"links")


def test_the_top_level_is_the_layout() -> None:
    assert {path.parts[0] for path in files() if not path.parts[0].startswith(".")} == TOP


def test_no_lock_of_another_kind_and_no_database_is_kept() -> None:
    assert not [p for p in files() if p.name in {"uv.lock", "pylock.toml", "poetry.lock"} or ".db" in p.suffixes]


@pytest.mark.parametrize("name", COMMANDS)
def test_commands_run(name: str) -> None:
    path = ROOT / ".ci" / name
    assert os.access(path, os.X_OK)
    assert path.read_text(encoding="utf-8").startswith("#!/usr/bin/env bash\n")
    assert "\nset -" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", python_files(*PACKAGES, "tests"), ids=str)
def test_modules_are_short(path: Path) -> None:
    assert len(text(path).splitlines()) <= LONGEST


@pytest.mark.parametrize("path", python_files(*PACKAGES), ids=str)
def test_modules_say_what_they_are_for(path: Path) -> None:
    assert ast.get_docstring(tree_of(path)), f"{path} has no docstring"


@pytest.mark.parametrize("path", [p for p in files() if p.suffix in FOR_PEOPLE], ids=str)
def test_no_file_names_a_machine_a_registry_or_unfinished_work(path: Path) -> None:
    for number, line in enumerate(text(path).splitlines(), 1):
        assert not HOSTS.search(line), f"{path}:{number} names a registry's host"
        if path.suffix in {".py", ".md", ".toml", ".html", ".js"}:
            assert not UNFINISHED.search(line), f"{path}:{number} is unfinished by its own word"
            assert not MACHINE.search(line), f"{path}:{number} holds a path of one machine"


@pytest.mark.parametrize("path", python_files("tests"), ids=str)
def test_no_test_is_left_out(path: Path) -> None:
    found = [number for number, line in enumerate(text(path).splitlines(), 1) if LEFT_OUT.search(line)]
    assert not found, f"{path}: lines {found}"


@pytest.mark.parametrize("path", [p for p in files() if p.parts[0] == ".ci" or p.name == "pyproject.toml"], ids=str)
def test_what_builds_names_no_address(path: Path) -> None:
    assert not ADDRESS.search(text(path))


@pytest.mark.parametrize("path", python_files("tests"), ids=str)
def test_live_tests_say_what_they_need(path: Path) -> None:
    said = text(path)
    if not path.name.startswith("test_") or path.parts[1] == "unit":
        return
    for mark, sign in (("broker", r"import .*\bBroker\b"), ("browser", r"from playwright")):
        if re.search(sign, said):
            assert f"pytest.mark.{mark}" in said, f"{path} needs a {mark} and is not marked so"
            assert "pytest.mark.live" in said, f"{path} is not marked as live"
    if path.parts[1] == "live":
        assert "pytest.mark.live" in said, f"{path} is not marked as live"


def test_functions_are_short() -> None:
    lengths = sorted(
        node.end_lineno - node.lineno + 1
        for path in python_files(*PACKAGES)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.end_lineno is not None
    )
    assert lengths[len(lengths) // 2] < 10
    assert lengths[len(lengths) * 9 // 10] < 35
