"""The invented halls obey their own laws, whatever the kind."""

from __future__ import annotations

import csv
import gzip
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from monitor.plant.file import load_plant
from tests.benchmarks.recording import Recording, column, rows, seconds, times
from tests.benchmarks.tanks import volume_of
from tests.worlds.__main__ import main
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.weather import saturation_hpa
from tests.worlds.world import World, build

SUMPS, DAYS = 6, 8


@cache
def world(kind: str) -> World:
    return build(KINDS[kind], 7, SUMPS, DAYS)


@pytest.fixture(params=sorted(KINDS))
def recording(request: pytest.FixtureRequest, tmp_path: Path) -> Recording:
    write(world(request.param), tmp_path)
    return Recording(tmp_path)


def test_the_product_reads_the_plant_file(recording: Recording) -> None:
    plant = load_plant(recording.plant_file)
    assert len(plant.sumps) == SUMPS
    for name, full in recording.full_l().items():
        assert plant.sumps[name].full_l == pytest.approx(full)


def test_the_loss_report_closes_for_volume_and_concentrate(recording: Recording) -> None:
    table = recording.table("losses")
    assert len(table) == SUMPS * DAYS
    part = {name: column(table, name) for name in table[0] if name not in {"day", "sump"}}
    lost = part["evaporated_l"] + part["dragged_out_l"] + part["leaked_l"] + part["removed_l"]
    assert part["start_l"] + part["added_l"] - lost == pytest.approx(part["end_l"], abs=1e-3)
    through = part["concentrate_in_l"] - part["concentrate_out_l"]
    assert part["concentrate_start_l"] + through == pytest.approx(part["concentrate_end_l"], abs=1e-3)
    assert (part["evaporated_l"] > 0).all()
    assert (part["valve_l"] <= part["added_l"] + 1e-9).all()


def test_truth_of_an_untouched_sump_only_counts_down(recording: Recording) -> None:
    touched = {
        (row["sump"], seconds(row["time"])) for name in ("services", "removals") for row in recording.table(name)
    }
    by_sump: dict[str, list[tuple[float, float]]] = {}
    for row in recording.table("exits"):
        by_sump.setdefault(row["sump"], []).append((seconds(row["time"]), float(row["hours"] or "nan")))
    for sump, pairs in by_sump.items():
        for (before, hours), (after, then) in pairwise(pairs):
            if any(before < at <= after for name, at in touched if name == sump) or not hours >= 6:
                continue
            assert then == pytest.approx(hours - (after - before) / 3600, abs=0.011)


def test_a_sump_outside_its_band_has_zero_hours(recording: Recording) -> None:
    plant = load_plant(recording.plant_file)
    for row in recording.table("exits"):
        sump = plant.sumps[row["sump"]]
        low, high = sump.fluid.band_pct
        pct, volume = float(row["concentration_pct"]), float(row["volume_l"])
        margin = min(pct - low, high - pct, volume - sump.lowest_l)
        if abs(margin) > 0.02:
            assert (row["hours"] == "0.00") == (margin < 0)


def test_readings_are_disordered_by_less_than_an_hour(recording: Recording) -> None:
    with gzip.open(recording.readings_file, "rt", newline="") as lines:
        at = times(list(csv.DictReader(lines)))
    assert (np.maximum.accumulate(at) - at).max() < 3600


@pytest.mark.parametrize("kind", sorted(name for name, kind in KINDS.items() if not {"stuck"} & set(kind.events)))
def test_the_level_shows_the_volume_but_for_what_is_held_up(kind: str, tmp_path: Path) -> None:
    made = world(kind)
    write(made, tmp_path)
    plant, arrivals = Recording(tmp_path).plant(), made.arrivals
    for i in np.flatnonzero(made.sumps.has["level"]):
        mine = (arrivals.signal == "level") & (arrivals.sump == i)
        step = arrivals.time_s[mine] // 300
        told = volume_of(plant["sump"][made.sumps.ids[i]], arrivals.value[mine])
        true = made.course.volume[step, i]
        off = (true - told) / made.sumps.full_l[i]
        assert -0.1 < np.median(off) < 0.15


@pytest.mark.parametrize("kind", ["plain", "gateway"])
def test_the_same_seed_gives_the_same_bytes_and_another_one_does_not(kind: str, tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        assert main([kind, str(seed), str(tmp_path / name), "--sumps", "2", "--days", "6"]) == 0
    for file in ("plant.toml", "readings.csv.gz", "entries.csv", "exits.csv", "losses.csv", "changes.csv"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
    assert (tmp_path / "a" / "exits.csv").read_bytes() != (tmp_path / "c" / "exits.csv").read_bytes()


def test_a_stuck_signal_shows_one_value(tmp_path: Path) -> None:
    made = build(KINDS["broken"], 3, 12, 12)
    stuck = [change for change in made.changes if change.kind == "stuck"]
    assert stuck
    for change in stuck:
        i, end = made.sumps.ids.index(change.sump), change.end or made.grid.recorded
        step = made.arrivals.time_s // 300
        mine = (made.arrivals.signal == change.detail) & (made.arrivals.sump == i)
        assert len(np.unique(made.arrivals.value[mine & (step >= change.start) & (step < end)])) == 1


def test_lone_gauges_are_silent_in_the_readings() -> None:
    assert set(world("level_only").arrivals.signal) == {"level", "running"}
    assert set(world("refractometer_only").arrivals.signal) == {"refractometer", "running"}
    assert "running" not in set(world("norun").arrivals.signal)


def test_a_float_valve_holds_the_level_with_mains_water(tmp_path: Path) -> None:
    made = world("valves")
    write(made, tmp_path)
    for i in np.flatnonzero(made.sumps.valve == 1):
        assert (made.course.volume[:, i] > made.sumps.valve_set_l[i] - 0.03 * made.sumps.full_l[i])[288:].all()
    kinds = {row["kind"] for row in rows(tmp_path / "changes.csv")}
    assert {"valve_mains", "valve_proportioner"} <= kinds


def test_saturation_pressure_has_its_published_values() -> None:
    # WMO-No. 8 (2008) annex 4.B form: 10, 20, 30, 40 Celsius in Pa (trade facts, 3.1).
    expected = [1226.03, 2332.60, 4233.72, 7367.46]
    assert (100 * saturation_hpa(np.array([10.0, 20.0, 30.0, 40.0]))).tolist() == pytest.approx(expected, abs=0.01)


def test_a_hall_of_no_sumps_or_too_few_days_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with pytest.raises(SystemExit):
        main(["plain", "1", str(tmp_path), "--days", "5"])
    assert "six days" in capsys.readouterr().err
