"""A live span, exported and replayed, gives the live span's estimates: with late input, late entries, and a restart."""

from __future__ import annotations

import csv
import math
import random
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from rich.console import Console

from monitor.plant.reading import Entry, Reading
from monitor.plant.types import Plant
from monitor.record.export import export_entries, export_readings
from monitor.replay import Order, replay
from monitor.waiting import SETTLE_S
from tests.unit.pipeline import still
from tests.unit.pipeline.shop import BEGIN_S, entries_for, machines, plant_of, readings_of
from tests.unit.pipeline.still import Still, with_record

HOURS = 48
STEP_S = 900.0


def disordered(readings: list[Reading]) -> list[Reading]:
    """Let a tenth of the readings come late, up to five hours; the rest comes within the time that is waited for."""
    dice = random.Random(5)
    return sorted(
        (
            replace(one, arrived_s=one.time_s + (dice.uniform(20.0, 18_000.0) if dice.random() < 0.1 else 2.0))
            for one in readings
        ),
        key=lambda one: one.arrived_s,
    )


def logged_late(entries: list[Entry]) -> list[Entry]:
    """Log entries minutes to hours after they happened, two of them of the same moment."""
    late = [replace(one, logged_s=one.time_s + 1300.0 * (number + 1)) for number, one in enumerate(entries)]
    return [*late, replace(late[0], id="a-note-of-the-same", volume_l=12.0, logged_s=late[0].logged_s + 60.0)]


def live(plant: Plant, readings: list[Reading], entries: list[Entry]) -> Still:
    """Live through it in steps of a quarter of an hour, with a kill on the way."""
    life = Still(plant)
    for number in range(int(HOURS * 3600.0 / STEP_S)):
        before_s, now_s = life.now_s, BEGIN_S + STEP_S * (number + 1) + SETTLE_S
        heard = [one for one in readings if before_s <= one.arrived_s < now_s]
        life.hear(now_s, heard, [one for one in entries if before_s <= one.logged_s < now_s])
        if number == 101:
            life.kill()
            life = Still(plant, now_s)
    return life


def test_a_replay_of_what_is_on_record_gives_the_live_estimates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(still, "SETTLE_S", SETTLE_S)
    plant = with_record(plant_of(machines()), tmp_path / "live.db")
    life = live(plant, disordered(readings_of(machines(), HOURS)), logged_late(entries_for()))
    reader, always = life.daemon.reader(), (-math.inf, math.inf)
    assert export_readings(reader, plant, tmp_path / "R.csv", *always) == len(life.on_record())
    assert export_entries(reader, tmp_path / "E.csv", *always) == 5
    out = tmp_path / "out"
    order = Order(tmp_path / "R.csv", tmp_path / "E.csv", 3600.0, BEGIN_S, life.now_s, out)
    told = replay(plant, order, Console(quiet=True))
    assert told.rejected == 0
    with (out / "forecasts.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    compared = 0
    for row in rows:
        now_s = datetime.fromisoformat(row["time"]).timestamp()
        for stored in reader.estimates(row["sump"], now_s, now_s + 1.0, 1):
            compared += 1
            said = (stored.volume_l, stored.volume_sd_l, stored.concentration_pct, stored.concentration_sd_pct)
            named = ("volume_l", "volume_sd_l", "concentration_pct", "concentration_sd_pct")
            assert [f"{number:.4f}" for number in said] == [row[name] for name in named], row["time"]
    assert compared > 4 * (HOURS - 4)
    life.kill()
