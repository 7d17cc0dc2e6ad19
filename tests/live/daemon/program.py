"""`bandkeeper run` as a process of its own, and how to talk to it."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.fixtures import plant_text as toml
from tests.fixtures.ports import free_port, listens, wait_for

COMMAND = str(Path(sys.executable).with_name("bandkeeper"))

BENCH = """[source.bench]
kind = "serial"
port = "{line}"
pattern = '(?P<channel>[a-z]+)=(?P<value>-?[0-9.]+)'
"""


def _shop() -> str:
    """Give the plant file of two sumps without their sources."""
    lathe = [
        toml.signal("level", "hall/lathe-04/level", "mm"),
        toml.signal("refractometer", "hall/lathe-04/brix", "degBx"),
    ]
    press = [
        toml.signal("level", "level", "mm", source="bench"),
        toml.signal("refractometer", "brix", "degBx", source="bench"),
    ]
    first = toml.head("Quarry Road shop", 'id = "quarry-road"') + toml.AT_ONCE + toml.WEEK + toml.FLUID + toml.WATER
    small = toml.sump("press-01", toml.MAKE_UP, *press, full="200 L", lowest="80 L", per_height="1.0 L/mm")
    return first + toml.sump("lathe-04", toml.MAKE_UP, *lathe) + small


def moment(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat()


class Program:
    """One installation: a folder with plant file and record; started, killed and started again as a test likes."""

    def __init__(
        self,
        folder: Path,
        broker_port: int,
        *,
        payload: str = "json",
        protocol: str = "5",
        more: str = "",
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.line = folder / "line"
        self.plant_file = folder / "plant.toml"
        ways = toml.broker(f"port = {broker_port}", f'payload = "{payload}"', f'protocol = "{protocol}"', more)
        ways += BENCH.format(line=self.line) + '[publish]\nsource = "hall"\n' + toml.page(self.port)
        self.plant_file.write_text(_shop() + ways)
        self.environment: dict[str, str] = {}
        self.limits: list[str] = []
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def database(self) -> Path:
        return self.folder / "bandkeeper.db"

    @property
    def log(self) -> str:
        return (self.folder / "program.log").read_text(errors="replace")

    def start(self) -> Self:
        """Start and wait until the page answers."""
        with (self.folder / "program.log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self.limits, COMMAND, "run", str(self.plant_file)],
                stdout=log,
                stderr=log,
                env={**os.environ, **self.environment},
            )
        wait_for(self._up, "the page", within_s=60)
        return self

    def _up(self) -> bool:
        assert self._process is not None
        if self._process.poll() is not None:
            raise RuntimeError(f"it ended with {self._process.returncode}:\n{self.log}")
        return listens(self.port)

    def kill(self) -> None:
        """End it as `kill -9` does."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """End it in order; give the exit code."""
        return self._end(signal.SIGTERM)

    @property
    def process(self) -> int:
        """The number of the running process."""
        assert self._process is not None
        return self._process.pid

    @property
    def exit_code(self) -> int | None:
        """How it ended, None if it runs or was never started."""
        return None if self._process is None else self._process.poll()

    def hang_up(self) -> None:
        """Let it read its plant file anew."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def call(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Call the command on this plant file."""
        command, *rest = arguments
        whole = [COMMAND, command, str(self.plant_file), *rest]
        return subprocess.run(whole, capture_output=True, text=True, timeout=120, check=False)

    def _end(self, how: signal.Signals) -> int:
        if self._process is None:
            return 0
        self._process.send_signal(how)
        code = self._process.wait(timeout=60)
        self._process = None
        return code

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end(signal.SIGKILL)

    def ask(self, path: str, body: Any = None) -> tuple[int, str]:
        """GET a path, or POST JSON to it; give status and text."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        if body is None:
            connection.request("GET", path)
        else:
            connection.request("POST", path, json.dumps(body), {"content-type": "application/json"})
        answer = connection.getresponse()
        text = answer.read().decode()
        connection.close()
        return answer.status, text

    def json(self, path: str, body: Any = None) -> Any:
        status, text = self.ask(path, body)
        assert status in {200, 201}, text
        return json.loads(text)

    def sumps(self) -> dict[str, Any]:
        return {sump["sump"]: sump for sump in self.json("/api/sumps")["sumps"]}

    def sources(self) -> dict[str, Any]:
        """Give the sources as `/health/ready` tells them, ready or not."""
        return {one["source"]: one for one in json.loads(self.ask("/health/ready")[1])["sources"]}

    def metric(self, name: str) -> float:
        """Give the sum of a number over its labels."""
        lines = self.ask("/metrics")[1].splitlines()
        found = [line for line in lines if line.split("{")[0].split(" ")[0] == name]
        assert found, name
        return sum(float(line.rsplit(" ", 1)[1]) for line in found)

    def connected(self) -> None:
        """Wait until all sources are there."""
        wait_for(lambda: all(one["state"] == "up" for one in self.sources().values()), "sources", within_s=60)
