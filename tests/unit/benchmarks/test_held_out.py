"""Halls nobody tuned on: means over seeds, what a signal is worth, and that no figure with a bar goes missing."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from monitor.plant.file import load_plant
from tests.benchmarks import report, rival
from tests.benchmarks.__main__ import main
from tests.benchmarks.held_out import Hall, by_column, mean, worth
from tests.benchmarks.recording import Recording, rows
from tests.benchmarks.scoring import figures
from tests.worlds.__main__ import main as make_world
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.world import build

EXIT = "relative error, median"


def test_a_mean_is_taken_over_the_halls_that_have_the_figure() -> None:
    found = mean([{"a": 1.0, "b": math.nan}, {"a": 3.0, "b": 5.0}, {"a": 2.0}])
    assert found == {"a": 2.0, "b": 5.0}
    assert math.isnan(mean([{"a": math.nan}])["a"])
    assert math.isinf(mean([{"a": 1.0}, {"a": math.inf}])["a"])


def test_seeds_share_a_column_and_kinds_and_left_out_signals_do_not() -> None:
    halls = [Hall("plain", 1, 2, 6), Hall("plain", 2, 2, 6), Hall("plain", 1, 2, 6, ("running",))]
    found = by_column(halls, [{"a": 1.0}, {"a": 2.0}, {"a": 9.0}])
    assert found == {"plain": {"a": 1.5}, "plain -running": {"a": 9.0}}
    assert len({hall.name for hall in halls}) == 3


def test_what_a_signal_is_worth_is_a_ratio_of_means() -> None:
    ours = {"plain": {EXIT: 0.1}, "plain -running": {EXIT: 0.115}}
    (line,) = [one for one in worth(ours, ["plain"], ["running"]).splitlines() if one.startswith(EXIT)]
    assert line.split()[-1] == "1.150"


def test_a_signal_left_out_is_gone_and_the_hall_is_the_same(tmp_path: Path) -> None:
    wanted = ["weather", "4", "--sumps", "2", "--days", "6"]
    assert make_world([*wanted, str(tmp_path / "with")]) == 0
    assert make_world([*wanted, str(tmp_path / "without"), "--without", "coolant_temperature"]) == 0
    full, bare = Recording(tmp_path / "with"), Recording(tmp_path / "without")
    for table in ("exits", "services", "losses"):
        assert full.table(table) == bare.table(table)
    kept = [row for row in rows(full.readings_file) if row["signal"] != "coolant_temperature"]
    assert rows(bare.readings_file) == kept
    told = [{str(s) for s in sump.signals} for sump in load_plant(bare.plant_file).sumps.values()]
    assert told == [{"level", "refractometer", "running"}] * 2


@pytest.mark.parametrize("kind", ["plain", "broken"])
def test_every_figure_with_a_bar_is_printed_beside_the_straight_lines(kind: str, tmp_path: Path) -> None:
    write(build(KINDS[kind], 6, 4, 14), tmp_path)
    recording = Recording(tmp_path)
    line = figures(recording, rival.forecast(recording), None)
    ours = figures(recording, rival.forecast(recording), []) | {"replay, seconds": 1.0}
    shown = report.side_by_side({"hall": ours}, {"hall": line}, plain=kind == "plain").splitlines()
    bars = report.BARS if kind == "plain" else report.ON_EVERY_KIND
    for name, (must, aim) in bars.items():
        (row,) = [one for one in shown if one.startswith(f"{name}  ")]
        assert row.rstrip().endswith(aim)
        assert must in row


@pytest.mark.live
def test_halls_are_made_replayed_and_scored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "figures.json"
    wanted = ["held_out", "--kinds", "plain", "--seeds", "5", "--sumps", "2", "--days", "6", "--json", str(target)]
    assert main([*wanted, "--without", "running"]) == 0
    shown = capsys.readouterr().out
    assert "plain -running" in shown
    assert "without running / with" in shown
    found = json.loads(target.read_text())
    assert set(found) == {"plain-5", "plain-5-no-running"}
    assert found["plain-5"]["ours"]["forecasts missing"] == 0.0
    assert found["plain-5"]["line"] == found["plain-5-no-running"]["line"]


def test_too_short_a_hall_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["held_out", "--days", "5"])
    assert "six days" in capsys.readouterr().err
