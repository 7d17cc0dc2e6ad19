"""Input and surroundings gone wrong: said with source and remedy, counted, and the rest of the shop goes on."""

from __future__ import annotations

import json
import math
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.record.reader import Reader
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import free_port, wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Talker
from tests.live.daemon.program import COMMAND, Program, moment
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of
from tests.unit.pipeline.still import Still, state_of, with_record

pytestmark = [pytest.mark.live, pytest.mark.broker]

LEVEL = "hall/lathe-04/level"
BAD = {
    "no JSON": (LEVEL, b"level is fine", "JSON"),
    "half a JSON": (LEVEL, b'{"v": 25', "JSON"),
    "not a number": (LEVEL, b'{"v": NaN}', "NaN"),
    "infinite": (LEVEL, b'{"v": 1e999}', "inf"),
    "a text for a value": (LEVEL, b'{"v": "high"}', "number"),
    "wrong unit": (LEVEL, b'{"v": 250, "u": "degBx"}', "unit"),
    "no such unit": (LEVEL, b'{"v": 250, "u": "furlong"}', "unit"),
    "bare gallon": (LEVEL, b'{"v": 66, "u": "gal"}', "gal"),
    "beyond any tank": (LEVEL, b'{"v": 1e12}', "sensor"),
    "in the far future": (LEVEL, b'{"v": 250, "t": "2199-01-01T00:00:00Z"}', "future"),
    "milliseconds": (LEVEL, b'{"v": 250, "t": 1930262400000}', "millisecond"),
    "no offset": (LEVEL, b'{"v": 250, "t": "2031-03-03T21:30:00"}', "offset"),
    "too long": (LEVEL, b'{"v": 250, "x": "' + b"x" * 70_000 + b'"}', "65536"),
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Program, Talker, PtyLine]]:
    folder = tmp_path_factory.mktemp("works")
    with Broker(folder) as broker, PtyLine(folder / "line") as line, Program(folder, broker.port) as program:
        program.connected()
        talker = Talker(broker.port)
        yield program, talker, line
        talker.close()


@pytest.mark.parametrize("name", BAD)
def test_bad_payloads_are_refused_with_a_reason_and_counted(shop: tuple[Program, Talker, PtyLine], name: str) -> None:
    program, talker, line = shop
    topic, payload, word = BAD[name]
    before, taken = (
        program.metric("bandkeeper_source_rejected_total"),
        program.metric("bandkeeper_readings_accepted_total"),
    )
    talker.say(topic, payload)
    wait_for(lambda: program.metric("bandkeeper_source_rejected_total") > before, "refusal")
    talker.say_json("hall/lathe-04/brix", v=5.4)
    line.send(b"level=141.0\n")
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") >= taken + 2, "the others")
    newest = Reader.open(program.database).rejected(1)[0]
    assert newest.where == f"hall: {topic}"
    assert word.lower() in newest.why.lower()
    assert len(newest.raw) <= 4096
    health = program.json("/health/ready")
    assert health["rejected"] >= 1
    assert next(source for source in health["sources"] if source["source"] == "hall")["rejected"] >= 1


def test_text_that_no_file_can_hold_takes_nothing_good_with_it(shop: tuple[Program, Talker, PtyLine]) -> None:
    program, talker, _ = shop
    taken, before = (
        program.metric("bandkeeper_readings_accepted_total"),
        program.metric("bandkeeper_source_rejected_total"),
    )
    for number in range(30):
        talker.say(LEVEL, b'{"v": 250, "u": "\\ud800"}')
        talker.say_json(LEVEL, v=240.0 + number)
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == taken + 30, "all that is good")
    wait_for(lambda: program.metric("bandkeeper_source_rejected_total") == before + 30, "the refusals")
    newest = Reader.open(program.database).rejected(30)
    assert {"unit does not fit" in one.why and "\\ud800" in one.why for one in newest} == {True}
    assert "Traceback" not in program.log


def test_dirty_lines_are_refused_and_the_line_goes_on(shop: tuple[Program, Talker, PtyLine]) -> None:
    program, _, line = shop
    before = program.metric("bandkeeper_source_rejected_total")
    taken = program.metric("bandkeeper_readings_accepted_total")
    line.send(b"\xff\xfe garbage\r\nlevel=\r\nlevel=12")
    line.send(b"8.5\r\n")
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == taken + 1, "the good line")
    assert program.metric("bandkeeper_source_rejected_total") >= before + 2


def test_a_line_that_vanishes_is_said_and_comes_back(shop: tuple[Program, Talker, PtyLine]) -> None:
    program, talker, line = shop
    taken = program.metric("bandkeeper_readings_accepted_total")
    line.unplug()
    wait_for(lambda: program.sources()["bench"]["state"] == "waiting", "the loss is noticed")
    status, text = program.ask("/health/ready")
    assert status == 503
    assert "bench" in json.loads(text)["detail"]
    assert "plug" in json.loads(text)["remedy"]
    talker.say_json(LEVEL, v=249.0)
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == taken + 1, "the broker's sumps go on")
    line.plug()
    wait_for(lambda: program.sources()["bench"]["state"] == "up", "the return", within_s=60)
    line.send(b"ignored: joined in its middle\nlevel=140.0\n")
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") >= taken + 2, "lines again")
    assert program.ask("/health/ready")[0] == 200


def test_a_broker_that_refuses_is_said_and_the_other_sumps_go_on(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("wrong\n")
    more = f'username = "hall"\npassword_file = "{tmp_path / "password"}"'
    with Broker(tmp_path, users={"hall": "right"}) as broker, PtyLine(tmp_path / "line") as line:  # noqa: SIM117
        with Program(tmp_path, broker.port, more=more) as program:
            wait_for(lambda: program.sources()["hall"]["state"] == "refused", "the refusal")
            status, text = program.ask("/health/ready")
            assert status == 503
            assert "password" in json.loads(text)["remedy"]
            wait_for(lambda: program.sources()["bench"]["state"] == "up", "the line")
            line.send(b"level=150.0\nlevel=149.9\n")
            wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") >= 1, "the line's readings")
            assert program.metric("bandkeeper_source_running") == 1.0
            assert program.stop() == 0


def test_it_starts_without_a_broker_and_waits_for_it(tmp_path: Path) -> None:
    with PtyLine(tmp_path / "line"), Program(tmp_path, free_port()) as program:
        wait_for(lambda: program.sources()["hall"]["state"] == "waiting", "waiting")
        assert program.ask("/health/live")[0] == 200
        assert program.ask("/health/ready")[0] == 503
        assert program.stop() == 0


@pytest.mark.parametrize(
    ("break_it", "word"),
    [
        (lambda path: path.write_bytes(b"no database at all" * 200), "is no database"),
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: sqlite3.connect(path).execute("CREATE TABLE theirs (x)").connection.close(), "another program"),
    ],
)
def test_a_database_that_cannot_be_used_ends_the_start_with_a_remedy(
    tmp_path: Path, break_it: object, word: str
) -> None:
    program = Program(tmp_path, free_port())
    break_it(program.database)  # type: ignore[operator]
    done = subprocess.run(
        [COMMAND, "run", str(program.plant_file)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 1
    assert word in done.stderr
    assert str(program.database) in done.stderr
    assert "Traceback" not in done.stderr


def test_a_taken_port_ends_the_start_with_a_remedy(tmp_path: Path) -> None:
    with PtyLine(tmp_path / "line"), Program(tmp_path, free_port()) as program:
        second = tmp_path / "second"
        second.mkdir()
        text = program.plant_file.read_text()
        (second / "plant.toml").write_text(text)
        done = subprocess.run(
            [COMMAND, "run", str(second / "plant.toml")], capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 1
        assert "another program" in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("pragma", "undo", "word"),
    [
        ("PRAGMA query_only = 1", "PRAGMA query_only = 0", "read-only"),
        ("PRAGMA max_page_count = 1", "PRAGMA max_page_count = 1000000", "disk is full"),
    ],
)
def test_a_disk_that_refuses_loses_nothing_and_recovers_by_itself(
    tmp_path: Path, pragma: str, undo: str, word: str
) -> None:
    plant = plant_of(machines())
    readings = readings_of(machines(), 10)
    whole, still = Still(with_record(plant, tmp_path / "whole.db")), Still(with_record(plant, tmp_path / "still.db"))
    for hour in range(10):
        now_s = BEGIN_S + 3600.0 * (hour + 1) + 60.0
        heard = [one for one in readings if now_s - 3600.0 <= one.arrived_s < now_s]
        whole.hear(now_s, heard)
        if hour == 4:
            still.daemon._record._db.execute(pragma)
        still.now_s = now_s
        while not still.round(heard):  # as the worker: the same round again
            assert word in still.worker.trouble
            assert [reason for reason in still.daemon.health().reasons if word in reason.what]
            assert not still.daemon.health().ready
            assert not set(heard) & set(still.acknowledged)
            still.daemon._record._db.execute(undo)
    still.daemon._record._db.execute(pragma)
    still.now_s += 3 * 3600.0  # forecasts and estimates of three hours want room
    still.round()
    assert word in still.worker.trouble
    still.daemon._record._db.execute(undo)
    still.round()
    whole.hear(still.now_s)
    assert still.worker.trouble == ""
    assert still.worker.counters.write_failures >= 2
    assert still.acknowledged == readings
    assert still.on_record() == whole.on_record() == readings
    assert state_of(still.pipeline) == state_of(whole.pipeline)
    ahead = (0, BEGIN_S * 2)
    assert still.daemon.reader().transitions(*ahead) == whole.daemon.reader().transitions(*ahead)
    assert still.daemon.reader().events(*ahead) == whole.daemon.reader().events(*ahead)
    still.kill()
    whole.kill()


def test_a_time_just_ahead_is_taken_and_old_times_are_late_readings(shop: tuple[Program, Talker, PtyLine]) -> None:
    program, talker, _ = shop
    taken = program.metric("bandkeeper_readings_accepted_total")
    now_s = time.time()
    talker.say_json(LEVEL, v=250.5, t=moment(now_s + 120.0))
    talker.say_json(LEVEL, v=251.5, t=moment(now_s - 40 * 86400.0))
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") == taken + 2, "both")
    times = [one.time_s for one in Reader.open(program.database).readings(-math.inf, math.inf)]
    assert min(times) == pytest.approx(now_s - 40 * 86400.0, abs=1.0)
    assert program.ask("/health/live")[0] == 200
