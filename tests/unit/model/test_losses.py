"""The account of losses: it closes, a new sump's first guess is no loss, and its doubt is as large as it should be."""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from monitor.model.engine import Engine
from monitor.model.layout import Floats
from monitor.model.losses import LossDay
from monitor.plant.file import load_plant
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.record.csv_entries import read_entries
from monitor.record.csv_readings import read_readings
from tests.benchmarks.recording import DAY_S, Recording
from tests.unit.model.runs import HOUR_S, engine_over, fed
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.world import build


def assert_closes(days: list[LossDay]) -> None:
    for day in days:
        went = day.evaporated_l + day.dragged_out_l + day.leaked_l + day.taken_out_l - day.valve_l - day.added_l
        assert day.start_l - went + day.unexplained_l == pytest.approx(day.end_l, abs=1e-6)
    for one, following in pairwise(days):
        assert one.end_l == following.start_l


@pytest.mark.parametrize("volume_l", [180.0, 250.0, 390.0])
def test_the_step_from_the_first_guess_to_the_first_reading_is_no_loss(volume_l: float) -> None:
    """A new sump is guessed at 320 L of 400: what the first readings make of that happened to nobody's fluid."""
    engine = engine_over([Machine("lathe-01", volume_l=volume_l)], 30)
    days = engine.losses("lathe-01")
    assert_closes(days)
    assert days[0].start_l == pytest.approx(volume_l, abs=4.0)
    assert abs(days[0].unexplained_l) < 3.0
    assert abs(days[0].unexplained_l) < 3.0 * days[0].unexplained_sd_l


@pytest.mark.parametrize("hours_late", [5.0, 40.0])
def test_a_sump_that_is_heard_late_begins_its_account_then(hours_late: float) -> None:
    shop = [Machine("lathe-01", volume_l=200.0), Machine("lathe-02")]
    heard = [
        one for one in readings_of(shop, 72) if one.sump == "lathe-02" or one.time_s > BEGIN_S + hours_late * HOUR_S
    ]
    days = fed(Engine(plant_of(shop)), heard, (), BEGIN_S + 72 * HOUR_S).losses("lathe-01")
    assert_closes(days)
    assert sum(abs(day.unexplained_l) for day in days) < 8.0


def test_after_it_has_settled_a_gap_of_the_level_is_no_new_start() -> None:
    """A leak behind a silent gauge is a loss without explanation when the gauge speaks again, not a new beginning."""
    shop = [Machine("lathe-01", leak_from_h=60.0, leak_l_per_h=2.0)]
    heard = [one for one in readings_of(shop, 90) if not _silent(one, 58.0, 80.0)]
    days = fed(Engine(plant_of(shop)), heard, (), BEGIN_S + 90 * HOUR_S).losses("lathe-01")
    assert_closes(days)
    assert days[-1].unexplained_l - days[-1].taken_out_l < -20.0


def _silent(reading: Reading, from_h: float, to_h: float) -> bool:
    hour = (reading.time_s - BEGIN_S) / HOUR_S
    return reading.signal is Signal.LEVEL and from_h < hour < to_h


def test_what_the_sensors_find_while_a_filling_is_weighed_belongs_to_the_filling() -> None:
    engine = engine_over([Machine("lathe-01", volume_l=300.0, acts=[(34.0, 60.0, 2.0)])], 96)
    filled = engine.losses("lathe-01")[1]
    assert filled.added_l == pytest.approx(60.0, abs=3.0)
    assert abs(filled.unexplained_l) < 3.0 * filled.unexplained_sd_l


def test_a_sump_without_a_level_has_an_account_that_closes() -> None:
    entry = Entry("e-1", "hone-02", EntryKind.TOP_UP, BEGIN_S + 30.0 * HOUR_S, 0.0, volume_l=40.0, mix_pct=2.0)
    shop = [Machine("hone-02", volume_l=300.0, signals=(Signal.REFRACTOMETER,), acts=[(30.0, 40.0, 2.0)])]
    days = engine_over(shop, 80, [entry]).losses("hone-02")
    assert_closes(days)
    assert days[1].added_l == pytest.approx(40.0, rel=0.3)


def test_the_account_of_days_that_were_off_is_doubted_more() -> None:
    engine = engine_over([Machine("lathe-01")], 100)
    (calm,) = engine.losses("lathe-01")[2:3]
    page = engine._state.ledger[0, (calm.day.toordinal() - 1) % 9]
    page[3] += 60.0  # a day on which sixty litres more were booked than the level shows
    (now,) = engine.losses("lathe-01")[2:3]
    assert now.unexplained_l == calm.unexplained_l
    assert now.unexplained_sd_l > 1.15 * calm.unexplained_sd_l


def standardised(kind: str, seed: int, folder: Path) -> Floats:
    """Make a hall, let it pass, and return each sump-day's unexplained litres over their doubt, from the second day."""
    count, days = 12, 10
    write(build(KINDS[kind], seed, count, days), folder)
    hall = Recording(folder)
    plant = load_plant(hall.plant_file)
    readings = sorted(read_readings(hall.readings_file, plant, _no_reject), key=lambda one: one.time_s)
    moments = [one.time_s for one in readings]
    engine, (start_s, _) = Engine(plant), hall.span_s()
    engine.add_entries(list(read_entries(hall.entries_file, plant, _no_reject)))
    found, begin = [], 0
    for number in range(days):
        end_s = start_s + (number + 1) * DAY_S
        end = bisect_right(moments, end_s)
        engine.add_readings(readings[begin:end])
        engine.advance(end_s)
        begin = end
        for sump in plant.sumps:
            last = engine.losses(sump)[-1]
            assert_closes([last])
            if number >= 1:
                found.append(last.unexplained_l / max(last.unexplained_sd_l, 0.05))
    return np.array(found)


def _no_reject(*_: object) -> None:
    raise AssertionError


@pytest.mark.parametrize("kind", ["plain", "habits", "level_only"])
def test_unexplained_litres_are_as_far_off_as_their_doubt_says(kind: str, tmp_path: Path) -> None:
    """Over sump-days that nothing unexplained befell, litres over their doubt spread by one.

    The deviation of n normal numbers errs by 1 / sqrt(2 n): four of that are allowed, and as much for the mean.
    """
    z = np.concatenate([standardised(kind, seed, tmp_path / str(seed)) for seed in (61, 62)])
    assert len(z) == 2 * 12 * 9
    assert z.std() == pytest.approx(1.0, abs=4.0 / math.sqrt(2.0 * len(z)))
    assert abs(z.mean()) < 4.0 / math.sqrt(len(z))
