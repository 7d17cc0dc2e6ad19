"""The unit for systemd: it names what is there, holds what README promises, and systemd finds nothing wrong with it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor import cli, daemon, sources
from monitor.watchdog import STUCK_S
from tests.unit.house.papers import README
from tests.unit.house.test_papers import commands
from tests.unit.house.tree import ROOT

UNIT = ROOT / "config_demo/systemd/bandkeeper.service"
HERE = "/opt/bandkeeper/.venv/bin/bandkeeper"


def settings() -> dict[str, list[str]]:
    """Return the unit's settings; some stand there several times."""
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


def seconds(name: str) -> float:
    return float(settings()[name][0])


@pytest.mark.parametrize("name", ["ExecStart", "ExecReload"])
def test_it_calls_commands_that_there_are(name: str) -> None:
    program, command, plant = settings()[name][0].split()
    assert program == HERE
    assert command == {"ExecStart": "run", "ExecReload": "reload"}[name]
    assert command in commands()
    assert plant == "/etc/bandkeeper/plant.toml"
    parsed = cli._parser().parse_args([command, plant])
    assert parsed.plant == Path(plant)
    assert plant in README


def test_the_folders_it_may_write_are_those_that_the_readme_names() -> None:
    said = settings()
    assert said["ProtectSystem"] == ["strict"]
    assert said["StateDirectory"] == ["bandkeeper"]
    assert 'database = "/var/lib/bandkeeper/plant.db"' in README
    assert said["User"] == ["bandkeeper"]
    assert "useradd -r " in README
    assert "ReadWritePaths" not in said


def test_credentials_are_named_as_the_readme_does() -> None:
    (shown,) = re.findall(r"^#LoadCredential=(\S+)$", UNIT.read_text(), re.MULTILINE)
    assert f"LoadCredential={shown}" in README
    assert "$CREDENTIALS_DIRECTORY/NAME" in UNIT.read_text()


def test_its_patience_fits_the_daemon() -> None:
    assert seconds("WatchdogSec") >= 2.0 * STUCK_S
    longest_stop_s = sources.STOP_S + daemon.STOP_S + daemon.GOOD_BYE_S
    assert longest_stop_s < seconds("TimeoutStopSec")
    assert int(settings()["RestartPreventExitStatus"][0]) == cli.FAULTY
    assert seconds("WatchdogSec") / 2.0 < cli_reload_patience_s() * 2.0


def cli_reload_patience_s() -> float:
    from monitor.lock import ASK_S

    assert ASK_S > daemon.RELOAD_S
    return ASK_S


@pytest.mark.systemd
def test_systemd_finds_nothing_wrong(tmp_path: Path) -> None:
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace(HERE, str(Path(sys.executable).with_name("bandkeeper"))))
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.systemd
def test_it_is_shut_in(tmp_path: Path) -> None:
    """2.0 of 10: what is left is the network, the serial lines and the host's own folders to read."""
    call = ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", str(UNIT)]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    opened = [line.split()[1] for line in done.stdout.splitlines() if line.startswith("✗")]
    allowed = {"SupplementaryGroups=", "PrivateDevices=", "PrivateNetwork=", "PrivateUsers=", "DeviceAllow="}
    allowed |= {"RootDirectory=/RootImage=", "IPAddressDeny=", "RestrictAddressFamilies=~AF_UNIX"}
    assert set(opened) <= allowed | {"RestrictAddressFamilies=~AF_(INET|INET6)"}
