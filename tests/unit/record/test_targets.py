"""What commands write: never over the record or the plant file, whole or not at all."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.plant.file import load_plant
from monitor.record.reader import Reader
from monitor.record.store import Record
from monitor.record.targets import whole

SHORTEST = Path(__file__).parents[2] / "cases" / "plant_files" / "shortest" / "plant.toml"
NOW_S = 1_930_000_000.0


@pytest.fixture
def works(tmp_path: Path) -> Path:
    """Give a folder with a plant file and its record, and go there."""
    shutil.copy(SHORTEST, tmp_path / "plant.toml")
    record = Record.open(load_plant(tmp_path / "plant.toml").database, now_s=NOW_S)
    record.add_token("phone", "read", None, NOW_S)
    record.close()
    return tmp_path


OWN = ("bandkeeper.db", "./bandkeeper.db", "bandkeeper.db-wal", "bandkeeper.db-shm", "bandkeeper.db.key", "plant.toml")


@pytest.mark.parametrize("target", [*OWN, "link", "."])
@pytest.mark.parametrize("command", [["backup"], ["export", "--readings"], ["export", "--readings", "r", "--entries"]])
def test_nothing_of_its_own_is_written_over(
    works: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: list[str], target: str
) -> None:
    monkeypatch.chdir(works)
    Path("link").symlink_to("bandkeeper.db")
    before = {path: path.read_bytes() for path in (works / "plant.toml", works / "bandkeeper.db")}
    assert main([command[0], "plant.toml", *command[1:], target]) == 1
    assert f"bandkeeper: {Path(target)}: is " in capsys.readouterr().err
    assert {path: path.read_bytes() for path in before} == before
    assert [one["name"] for one in Reader.open(works / "bandkeeper.db").tokens()] == ["phone"]


def test_one_file_is_not_written_twice(works: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plant, same = str(works / "plant.toml"), str(works / "same.csv")
    assert main(["export", plant, "--readings", same, "--entries", same]) == 1
    assert "named twice" in capsys.readouterr().err


def _break_off(path: Path) -> None:
    with whole(path) as unfinished:
        unfinished.write_text("half")
        raise ZeroDivisionError


def test_a_file_is_there_whole_or_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("before")
    with pytest.raises(ZeroDivisionError):
        _break_off(path)
    assert [one.name for one in tmp_path.iterdir()] == ["a.csv"]
    assert path.read_text() == "before"
    with whole(path) as unfinished:
        unfinished.write_text("after")
    assert path.read_text() == "after"


def test_a_pipe_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with whole(pipe) as target:
        assert target == pipe
    assert pipe.is_fifo()


@pytest.mark.parametrize("days", ["nan", "0", "-5", "inf", "1e9", "soon"])
def test_a_token_is_good_for_some_days(works: Path, capsys: pytest.CaptureFixture[str], days: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["token", str(works / "plant.toml"), "tablet", f"--days={days}"])
    assert ended.value.code == 2
    assert "days above 0" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["", " ", "a\nb", "x" * 81, "\x1b[31m"])
def test_a_token_has_a_name_that_people_can_read(works: Path, name: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["token", str(works / "plant.toml"), name])
    assert ended.value.code == 2


def test_a_token_that_is_not_there_was_not_revoked(works: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["token", str(works / "plant.toml"), "phnoe", "--revoke"]) == 1
    assert "no token phnoe" in capsys.readouterr().err
    assert main(["token", str(works / "plant.toml"), "phone", "--revoke"]) == 0
    assert capsys.readouterr().out == "revoked\n"


@pytest.mark.parametrize("port", ["65536", "-1", "x"])
def test_the_demo_takes_a_port_that_can_be(port: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["demo", f"--port={port}"])
    assert ended.value.code == 2


@pytest.mark.parametrize(
    "call",
    [
        ["hygiene", "--from", "0001-01-01T00:00:00+14:00"],
        ["export", "--readings", "r.csv", "--to", "9999-12-31T23:59:59-14:00"],
        ["hygiene", "--from", "2031-03-04T00:00:00Z", "--to", "2031-03-03T00:00:00Z"],
        ["replay", "--readings", "r", "--out", "o", "--from", "2031-03-04T00:00:00Z", "--to", "2031-03-04T00:00:00Z"],
    ],
)
def test_spans_that_cannot_be_are_said(works: Path, capsys: pytest.CaptureFixture[str], call: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([call[0], str(works / "plant.toml"), *call[1:]])
    assert ended.value.code == 2
    told = capsys.readouterr().err
    assert "too far off" in told or "must lie before --to" in told


def test_who_is_told_at_a_moment_that_can_be(works: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(works / "plant.toml"), "--who", "9999-12-31T23:59"]) == 1
    assert "too far off" in capsys.readouterr().err
