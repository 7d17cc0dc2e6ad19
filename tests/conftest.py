"""Rules for every test: what a live test needs is there or said to be missing, and in CI nothing may be skipped."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Generator
from pathlib import Path
from typing import Final, TypeVar
from unittest import SkipTest

import pytest

NO_SKIPS: Final = bool(os.environ.get("BANDKEEPER_NO_SKIPS"))
CHROMIUM: Final = Path("/usr/bin/chromium")


def _no_broker() -> str:
    programs = {"mosquitto": "/usr/sbin/mosquitto", "mosquitto_passwd": None, "openssl": None}
    missing = [name for name, place in programs.items() if shutil.which(name) is None and not _runs(place)]
    return f"needs the Debian packages mosquitto and openssl; not here: {', '.join(missing)}" if missing else ""


def _no_browser() -> str:
    return "" if _runs(str(CHROMIUM)) else f"needs the Debian package chromium; there is no {CHROMIUM}"


def _no_systemd() -> str:
    return "" if shutil.which("systemd-analyze") else "needs the Debian package systemd; there is no systemd-analyze"


def _runs(place: str | None) -> bool:
    return place is not None and os.access(place, os.X_OK)


Report = TypeVar("Report", pytest.TestReport, pytest.CollectReport)

NEEDS: Final[dict[str, Callable[[], str]]] = {"broker": _no_broker, "browser": _no_browser, "systemd": _no_systemd}


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out a test whose broker, browser or other program is not on this machine, saying what would bring it."""
    for marker, lack in NEEDS.items():
        if item.get_closest_marker(marker) is not None and (said := lack()):
            raise SkipTest(f"{said}; as root `.ci/test` installs it")


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Make a failure of a test that was left out, where that is not allowed."""
    return _strict((yield))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Make a failure of a whole file that was left out, where that is not allowed."""
    return _strict((yield))


def _strict(report: Report) -> Report:
    if NO_SKIPS and report.outcome == "skipped":
        report.outcome = "failed"
        report.longrepr = f"left out, and BANDKEEPER_NO_SKIPS allows that to no test: {report.longrepr}"
    return report
