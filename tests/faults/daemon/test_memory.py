"""Memory that runs out while input comes in: whatever that does to the process, nothing acknowledged is lost."""

from __future__ import annotations

import subprocess
import threading
import time
from pathlib import Path

import pytest

from monitor.record.reader import Reader
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Talker
from tests.live.daemon.program import Program

pytestmark = [pytest.mark.live, pytest.mark.broker]

SENT = 20_000


def data_bytes(process: int) -> int:
    """Return how much writable memory a process has."""
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return 1024 * next(int(line.split()[1]) for line in lines if line.startswith("VmData"))


def test_a_limit_in_the_middle_of_a_flood_loses_nothing(tmp_path: Path) -> None:
    """Three megabytes are left. The process ends as under a service's MemoryMax=, or refuses and tries again."""
    with (
        Broker(tmp_path, durable=False) as broker,
        PtyLine(tmp_path / "line"),
        Program(tmp_path, broker.port) as program,
    ):
        program.connected()
        limit = data_bytes(program.process) + 3_000_000
        subprocess.run(["prlimit", "--pid", str(program.process), f"--data={limit}"], check=True, timeout=20)
        talker = Talker(broker.port, lambda client: client.max_inflight_messages_set(1000))
        begin_s = time.time() - 86_000.0

        def flood() -> None:
            for number in range(SENT):
                payload = b'{"t": %.1f, "v": 250.0}' % (begin_s + 4.0 * number)
                talker.client.publish("hall/lathe-04/level", payload, qos=1)

        thread = threading.Thread(target=flood)
        thread.start()
        wait_for(lambda: program.exit_code is not None or count(program) == SENT, "an end", within_s=120)
        thread.join()
        program.kill()
        program.start()
        wait_for(lambda: count(program) >= SENT, "all of them", within_s=120)
        assert count(program) == SENT
        assert program.ask("/health/ready")[0] == 200
        talker.close()


def count(program: Program) -> int:
    return Reader.open(program.database).reading_count()
