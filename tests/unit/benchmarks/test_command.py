"""The command line of the benchmarks, with the real replay at the other end."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.benchmarks import rival
from tests.benchmarks.__main__ import main
from tests.benchmarks.accuracy import main_accuracy, replay
from tests.benchmarks.recording import Recording
from tests.worlds.__main__ import main as make_world


@pytest.fixture
def small(tmp_path: Path) -> Recording:
    assert make_world(["plain", "5", str(tmp_path / "hall"), "--sumps", "3", "--days", "7"]) == 0
    return Recording(tmp_path / "hall")


def test_an_existing_output_is_scored(small: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    forecasts = rival.forecast(small)
    with (tmp_path / "forecasts.csv").open("w", newline="") as out:
        writer = csv.DictWriter(out, list(forecasts[0]))
        writer.writeheader()
        writer.writerows(forecasts)
    assert main(["score", str(tmp_path), str(small.folder)]) == 0
    shown = capsys.readouterr().out
    line = next(line for line in shown.splitlines() if line.startswith("relative error, median"))
    assert line.split()[3] == line.split()[4]
    assert "worst sumps" in shown


def test_an_unknown_benchmark_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["speed-of-light"]) == 2
    assert "accuracy" in capsys.readouterr().err


def test_a_replay_that_fails_is_said_with_its_own_words(tmp_path: Path, small: Recording) -> None:
    small.plant_file.write_text(small.plant_file.read_text().replace('zone = "UTC"', 'zone = "Atlantis"'))
    with pytest.raises(RuntimeError, match="the replay of hall ended with"):
        replay(small, tmp_path / "out")


@pytest.mark.live
def test_the_replay_is_run_and_scored(small: Recording, tmp_path: Path) -> None:
    target = tmp_path / "figures.json"
    table = tmp_path / "table.md"
    wanted = ["--halls", str(small.folder), "--json", str(target), "--table", str(table), "--details"]
    assert main_accuracy(wanted) == 0
    figures = json.loads(target.read_text())["hall"]
    assert figures["forecasts missing"] == 0.0
    assert figures["replay, seconds"] > 0
    head, dashes, first, *_ = table.read_text().splitlines()
    assert head == "| figure | hall | must | aim |"
    assert dashes.count("---") == 4
    assert first.startswith("| relative error, median | 0.")
