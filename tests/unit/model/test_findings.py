"""Fillings, take-outs, leaks, valves and sick sensors in the invented shop, end to end through the engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.model import calibration, valves
from monitor.model.engine import Engine
from monitor.model.layout import BIAS, LEAK, STRENGTH, VOLUME, Floats
from monitor.model.types import EventKind
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from tests.unit.model.runs import HOUR_S, engine_over, fed
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of

HOURS: Floats = np.arange(120, dtype=np.float64)


def test_an_unlogged_filling_is_found_with_volume_and_mix() -> None:
    engine = engine_over([Machine("lathe-01", volume_l=300.0, concentration_pct=9.2, acts=[(30.0, 60.0, 2.0)])], 44)
    (event,) = [one for one in engine.events() if one.kind is EventKind.UNLOGGED_TOP_UP]
    assert event.time_s == pytest.approx(BEGIN_S + 30 * HOUR_S, abs=HOUR_S)
    assert event.volume_l == pytest.approx(60.0, rel=0.05)
    assert event.mix_pct == pytest.approx(2.0, abs=0.8)


def test_a_logged_filling_is_no_event_though_the_clock_is_off() -> None:
    entry = Entry("e-1", "lathe-01", EntryKind.TOP_UP, BEGIN_S + 31.5 * HOUR_S, 0.0, volume_l=57.0, mix_pct=2.0)
    shop = [Machine("lathe-01", volume_l=300.0, concentration_pct=9.2, acts=[(30.0, 60.0, 2.0)])]
    engine = engine_over(shop, 44, [entry])
    assert not engine.events()


def test_take_out_and_refill_in_one_go_leaves_the_strength_to_the_refractometer() -> None:
    shop = [Machine("lathe-01", volume_l=360.0, concentration_pct=9.8, acts=[(30.0, -90.0, 0.0), (30.01, 100.0, 1.0)])]
    engine = engine_over(shop, 36)
    state = engine.at(BEGIN_S + 36 * HOUR_S)
    assert state.mean[0, VOLUME] == pytest.approx(shop[0].volume_l, rel=0.01)
    assert state.mean[0, STRENGTH] == pytest.approx(shop[0].concentration_pct, abs=0.3)


@pytest.mark.parametrize("taken", [40.0, 80.0])
def test_what_was_filled_in_after_a_take_out_is_told_whole(taken: float) -> None:
    shop = [Machine("mill-01", volume_l=330.0, concentration_pct=9.5, acts=[(52.3, -taken, 0.0), (52.3, 100.0, 1.0)])]
    engine = engine_over(shop, 62)
    found = [one for one in engine.events() if one.kind is EventKind.UNLOGGED_TOP_UP]
    assert len(found) == 1
    assert found[0].volume_l == pytest.approx(100.0, rel=0.2)
    assert found[0].mix_pct == pytest.approx(1.0, abs=0.5)
    assert f"{found[0].volume_l:.0f} L at about 1.0 % filled in" in found[0].detail


def test_a_leak_is_found_and_nothing_of_the_kind_elsewhere() -> None:
    shop = [Machine("mill-01", leak_from_h=60.0, leak_l_per_h=1.6), Machine("mill-02")]
    engine = engine_over(shop, 110)
    found = [one for one in engine.events() if one.kind is EventKind.LOSS_JUMP]
    assert [one.sump for one in found] == ["mill-01"]
    assert found[0].detected_s < BEGIN_S + 84 * HOUR_S
    assert engine.at(BEGIN_S + 110 * HOUR_S).mean[0, LEAK] == pytest.approx(1.6, rel=0.3)


def test_a_check_moves_the_bias_not_the_volume() -> None:
    shop = [Machine("lathe-01")]
    check = Entry("c-1", "lathe-01", EntryKind.CHECK, BEGIN_S + 20 * HOUR_S, 0.0, value=7.4, unit="%")
    with_check, without = engine_over(shop, 24, [check]), engine_over([Machine("lathe-01")], 24)
    at = BEGIN_S + 24 * HOUR_S
    moved = with_check.at(at).mean[0] - without.at(at).mean[0]
    assert moved[STRENGTH] < -0.2
    assert moved[BIAS] == pytest.approx(-moved[STRENGTH] / 1.5, rel=0.2)
    assert abs(moved[VOLUME]) < 1.0


def test_a_gauge_that_is_told_of_and_never_heard_is_none() -> None:
    shop = [Machine("lathe-01", acts=[(30.0, 60.0, 2.0)])]
    readings = [one for one in readings_of(shop, 48) if one.signal is not Signal.LEVEL]
    engine = fed(Engine(plant_of([Machine("lathe-01")])), readings, (), BEGIN_S + 48 * HOUR_S)
    state = engine.at(BEGIN_S + 48 * HOUR_S)
    assert state.mean[0, STRENGTH] == pytest.approx(shop[0].concentration_pct, abs=0.5)
    assert state.mean[0, VOLUME] > 0.85 * 400.0, "a strength that falls is a filling"
    assert state.cov[0, BIAS, BIAS] < 0.3**2, "the refractometer is not to blame"


def test_a_sump_filled_by_the_log_book_alone_has_no_foretold_day_held_against_it() -> None:
    filling = Entry("e-1", "hone-02", EntryKind.TOP_UP, BEGIN_S + 30 * HOUR_S, BEGIN_S + 30 * HOUR_S)
    filling = replace(filling, volume_l=60.0, mix_pct=8.0)
    shop = [
        Machine("hone-02", volume_l=300.0, signals=(Signal.REFRACTOMETER, Signal.RUNNING), acts=[(30.0, 60.0, 8.0)])
    ]
    engine = engine_over(shop, 60, [filling])
    assert engine.widths()[0] < calibration.PRIOR_WIDTH


def saw_tooth(set_to: float) -> Floats:
    """Return five days of hourly volume and gauge (shares of full) under a valve that opens at a mark."""
    falls = 0.003
    volume, now = [], set_to + 0.02
    for _ in HOURS:
        now -= falls
        if now < set_to:
            now += 0.021
        volume.append(now)
    return np.array([volume, volume]).T


def test_a_level_that_rises_again_and_again_from_one_mark_has_a_valve() -> None:
    assert valves._keeps_level(saw_tooth(0.82), 0.0, 0.001)


def test_a_level_that_only_falls_and_is_filled_by_hand_has_none() -> None:
    volume: Floats = 0.9 - 0.003 * HOURS + np.where(HOURS > 50, 0.12, 0.0) + np.where(HOURS > 95, 0.15, 0.0)
    assert not valves._keeps_level(np.array([volume, volume]).T, 0.0, 0.001)
    assert not valves._never_falls(volume, np.full(120, 0.6))


def test_a_working_sump_whose_level_stays_has_a_valve_but_a_standing_one_has_none() -> None:
    still = 0.85 + 0.004 * np.sin(HOURS)
    assert valves._never_falls(still, np.full(120, 0.7))
    assert not valves._never_falls(still, np.zeros(120))


def test_a_slow_sump_that_people_filled_up_a_little_has_no_valve() -> None:
    volume: Floats = 0.88 - 0.0004 * HOURS + np.where(HOURS > 14, 0.042, 0.0)
    assert not valves._never_falls(volume, np.full(120, 0.6))


def test_a_stuck_level_is_doubted_within_half_a_day() -> None:
    shop = [Machine("lathe-01")]
    readings = readings_of(shop, 48)
    stuck = [_stuck(one, Signal.LEVEL, 30.0) for one in readings]
    engine = fed(engine_over([Machine("lathe-01")], 0.1), stuck, (), BEGIN_S + 48 * HOUR_S)
    found = [one for one in engine.events() if one.kind is EventKind.DOUBTFUL_SIGNAL]
    assert [one.sump for one in found] == ["lathe-01"]
    assert "level" in found[0].detail
    assert found[0].detected_s < BEGIN_S + 42 * HOUR_S


def _stuck(reading: Reading, signal: Signal, from_h: float) -> Reading:
    late = reading.signal is signal and reading.time_s > BEGIN_S + from_h * HOUR_S
    return replace(reading, value=250.0) if late else reading
