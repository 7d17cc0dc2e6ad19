"""The plant file read anew by the running daemon: at SIGHUP and by the command, with a real broker and a real line."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.record.reader import Reader
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import free_port, wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Listener, Talker
from tests.live.daemon.program import Program

pytestmark = [pytest.mark.live, pytest.mark.broker]

LEVEL = "hall/lathe-04/level"
ROOT = "bandkeeper/quarry-road"
MILL = """
[sump.mill-07]
fluid = "semi-synthetic"
full = "250 L"
lowest = "100 L"
volume = { per_height = "0.8 L/mm" }
signal.level = { source = "hall", address = "hall/mill-07/level", unit = "mm", period = "5 min" }
"""


@pytest.fixture
def works(tmp_path: Path) -> Iterator[tuple[Program, Broker, PtyLine]]:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line") as line, Program(tmp_path, broker.port) as program:
        program.connected()
        yield program, broker, line


class Gateway:
    """Sends a level every few milliseconds, each with a time of its own, until it is told to stop."""

    def __init__(self, port: int) -> None:
        self.sent = 0
        self._begin_s = time.time() - 86400.0
        self._talker = Talker(port)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(0.005):
            self._talker.say_json(LEVEL, t=self._begin_s + self.sent, v=250.0)
            self.sent += 1

    def stop(self) -> int:
        self._stop.set()
        self._thread.join()
        self._talker.close()
        return self.sent


def part(text: str, begin: str, end: str) -> str:
    """Cut a part out of a plant file."""
    return text[: text.index(begin)] + text[text.index(end, text.index(begin)) :]


def connections(broker: Broker, client: str) -> int:
    return sum(f" as {client} " in line for line in broker.log.splitlines() if "New client connected" in line)


def test_sumps_come_and_go_and_no_reading_is_dropped(works: tuple[Program, Broker, PtyLine]) -> None:
    program, broker, line = works
    line.send(b"level=150.0\nbrix=5.0\n")
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == 2, "the line's readings")
    gateway, talker = Gateway(broker.port), Talker(broker.port)
    seen = Listener(broker.port, f"{ROOT}/sump/#")
    wait_for(lambda: seen.payloads(f"{ROOT}/sump/press-01/state"), "the press is published", within_s=60)
    whole = program.plant_file.read_text()
    program.plant_file.write_text(
        part(part(whole, "[sump.press-01]", "[source.hall]"), "[source.bench]", "[publish]") + MILL
    )
    program.hang_up()
    wait_for(lambda: set(program.sumps()) == {"lathe-04", "mill-07"}, "the new file is in force", within_s=60)
    ways = {"hall", "hall (mixing station)", "hall (acknowledgements)", "hall (publishing)"}
    assert set(program.sources()) == ways
    talker.say_json("hall/mill-07/level", v=150.0)
    wait_for(lambda: program.json("/api/sumps/mill-07")["known"], "the new sump is estimated", within_s=60)
    wait_for(lambda: seen.payloads(f"{ROOT}/sump/press-01/state")[-1] == b"", "the press's topics are gone")
    program.plant_file.write_text(whole)
    program.hang_up()
    wait_for(lambda: set(program.sumps()) == {"lathe-04", "press-01"}, "the old file is in force again", within_s=60)
    wait_for(lambda: program.sources()["bench"]["state"] == "up", "the line is open again")
    sent = gateway.stop()
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == sent + 3, "all of them", within_s=60)
    assert sent > 50
    assert connections(broker, "bandkeeper-quarry-road-hall") == 1
    assert connections(broker, "bandkeeper-quarry-road-hall-out") == 1
    levels = [one for one in Reader.open(program.database).readings(0, 4e9) if one.sump == "lathe-04"]
    assert len(levels) == sent
    assert "sump removed, their history stays on record: press-01" in program.log
    late = Listener(broker.port, f"{ROOT}/sump/mill-07/#")
    wait_for(lambda: program.sumps()["press-01"]["known"], "the press is known as it was", within_s=60)
    assert not [message for message in list(late.messages) if message.payload]
    for one in (talker, seen, late):
        one.close()


def test_a_faulty_file_is_said_and_changes_nothing(works: tuple[Program, Broker, PtyLine]) -> None:
    program, broker, _ = works
    whole = program.plant_file.read_text()
    program.plant_file.write_text(whole.replace('full = "400 L"', 'full = "400 gal"') + '[sump.x]\nfluid = "oil"\n')
    program.hang_up()
    wait_for(lambda: "in force" in program.ask("/health/ready")[1], "the remark")
    ready = program.json("/health/ready")
    assert ready["ready"] is True
    assert "the one before stays in force" in ready["plant_warnings"][0]
    assert "which gallon" in " ".join(ready["plant_warnings"])
    assert "oil" in " ".join(ready["plant_warnings"])
    assert "which gallon" in program.log
    talker = Talker(broker.port)
    talker.say_json(LEVEL, v=250.0)
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == 1, "readings as before")
    talker.close()
    called = program.call("reload")
    assert called.returncode == 2
    assert "which gallon" in called.stderr
    program.plant_file.write_text(whole + MILL)
    called = program.call("reload")
    assert (called.returncode, called.stderr) == (0, "")
    assert "1 sump added: mill-07" in called.stdout
    assert "sources kept: hall" in called.stdout
    assert program.json("/health/ready")["plant_warnings"] == []


def test_what_has_to_wait_for_the_next_start_is_said(works: tuple[Program, Broker, PtyLine]) -> None:
    program, *_ = works
    whole = program.plant_file.read_text()
    program.plant_file.write_text(whole.replace(f"127.0.0.1:{program.port}", f"127.0.0.1:{free_port()}") + MILL)
    called = program.call("reload")
    assert called.returncode == 0
    assert f"the page stays at 127.0.0.1:{program.port} until the daemon is started anew" in called.stdout
    assert "1 sump added: mill-07" in called.stdout
    assert "listen" in program.json("/health/ready")["plant_warnings"][0]


def test_a_source_that_moves_is_opened_anew_and_its_broker_keeps_what_comes_meanwhile(
    works: tuple[Program, Broker, PtyLine], tmp_path: Path
) -> None:
    program, broker, _ = works
    whole = program.plant_file.read_text()
    with Broker(tmp_path / "second") as second:
        program.plant_file.write_text(whole.replace(f"port = {broker.port}", f"port = {second.port}"))
        assert "sources opened: hall" in program.call("reload").stdout
        program.connected()
        old, new = Talker(broker.port), Talker(second.port)
        new.say_json(LEVEL, v=250.0)
        wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == 1, "from the second broker")
        old.say_json(LEVEL, v=251.0)  # the first one keeps the session, as after any break
        program.plant_file.write_text(whole)
        assert program.call("reload").returncode == 0
        wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == 2, "what came meanwhile", within_s=60)
        late = Listener(second.port, f"{ROOT}/#")
        wait_for(lambda: late.payloads(f"{ROOT}/status") == [b"offline"], "the second broker is left in order")
        assert [message.topic for message in late.messages] == [f"{ROOT}/status"]
        for one in (old, new, late):
            one.close()


def test_without_a_daemon_there_is_nothing_to_reload(tmp_path: Path) -> None:
    called = Program(tmp_path, free_port()).call("reload")
    assert called.returncode == 1
    assert "no bandkeeper runs" in called.stderr


def test_systemd_is_told_of_start_reload_and_stop(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line, PtyLine(tmp_path / "line"):
        line.bind(str(tmp_path / "notify"))
        line.settimeout(60.0)
        program = Program(tmp_path, free_port())
        program.environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000000"}
        with program:
            assert line.recv(500).splitlines() == [b"READY=1", b"STATUS=watching 2 sumps of Quarry Road shop"]
            program.plant_file.write_text(program.plant_file.read_text() + MILL)
            began_us = time.monotonic_ns() // 1000
            program.hang_up()
            first, moment = line.recv(500).splitlines()
            assert first == b"RELOADING=1"
            assert began_us <= int(moment.removeprefix(b"MONOTONIC_USEC=")) <= time.monotonic_ns() // 1000
            assert line.recv(500).splitlines() == [b"READY=1", b"STATUS=watching 3 sumps of Quarry Road shop"]
            program.plant_file.write_text("[plant")
            program.hang_up()
            assert line.recv(500).startswith(b"RELOADING=1")
            ready, status = line.recv(500).splitlines()
            assert ready == b"READY=1"
            assert b"faulty" in status
            assert program.stop() == 0
            assert line.recv(500).startswith(b"STOPPING=1")


def test_the_page_and_the_api_answer_all_the_while(works: tuple[Program, Broker, PtyLine]) -> None:
    program, *_ = works
    whole, found, ended = program.plant_file.read_text(), set[int](), threading.Event()

    def look() -> None:
        while not ended.is_set():
            for path in ("/", "/round", "/checks", "/api/sumps", "/api/mixing", "/health/live", "/metrics"):
                found.add(program.ask(path)[0])
            assert json.loads(program.ask("/api/sumps")[1])["sumps"] is not None

    looker = threading.Thread(target=look)
    looker.start()
    for text in (whole + MILL, part(whole, "[sump.press-01]", "[source.hall]"), whole):
        program.plant_file.write_text(text)
        assert program.call("reload").returncode == 0
    ended.set()
    looker.join()
    assert found == {200}
