"""Readings hours apart: fillings between two of them, chips on the prism, and what cannot be learnt from so few."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.model import sparse, watch
from monitor.model.engine import Engine
from monitor.model.layout import HOLD_UP, STRENGTH, VOLUME, Fixed
from monitor.model.state import State
from monitor.model.types import Event, EventKind
from monitor.plant.file import check_text
from monitor.plant.reading import Signal
from tests.unit.model.runs import HOUR_S, fed, idle_state
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine, readings_of

HAND_H = (6.5, 10.0, 14.25, 18.0, 21.5)
BY_HAND = (Signal.LEVEL, Signal.REFRACTOMETER)


def hand_engine(machine: Machine, hours: float, *, chips_h: tuple[float, float] = (0.0, 0.0)) -> Engine:
    """Run one sump that is read five times a working day, its prism fouled between two hours."""
    plant_text = HEAD + machine.text().replace("5 min", "6 h")
    plant, faults = check_text(plant_text, Path("plant.toml"))
    assert plant is not None, faults
    kept = []
    for reading in readings_of([machine], hours):
        hour = (reading.time_s - BEGIN_S) / HOUR_S
        if not any(abs(hour % 24.0 - at) < 1.0 / 24.0 for at in HAND_H) or (hour // 24) % 7 > 4:
            continue
        fouled = reading.signal is Signal.REFRACTOMETER and chips_h[0] < hour < chips_h[1]
        value = 0.3 * (reading.value or 0.0) if fouled else reading.value
        kept.append(replace(reading, value=value))
    return fed(Engine(plant), kept, [], BEGIN_S + hours * HOUR_S)


def fillings(engine: Engine) -> list[Event]:
    return [event for event in engine.events() if event.kind is EventKind.UNLOGGED_TOP_UP]


def sparse_state() -> tuple[State, Fixed]:
    state, fixed = idle_state(2)
    return state, replace(fixed, level_period_s=np.array([21600.0, 300.0]), has_running=np.zeros(2, dtype=np.bool_))


def test_only_readings_hours_apart_are_sparse() -> None:
    _, fixed = sparse_state()
    assert sparse.sparse(fixed).tolist() == [True, False]


def test_a_filling_between_two_hand_readings_is_found_with_its_litres() -> None:
    machine = Machine("mill", volume_l=330.0, signals=BY_HAND, acts=[(60.0, 55.0, 5.0)])
    engine = hand_engine(machine, 110.0)
    found = fillings(engine)
    assert len(found) == 1
    assert found[0].volume_l == pytest.approx(55.0, rel=0.25)
    assert BEGIN_S + 59.0 * HOUR_S <= found[0].time_s <= BEGIN_S + 64.0 * HOUR_S
    assert engine.at(BEGIN_S + 110.0 * HOUR_S).mean[0, STRENGTH] == pytest.approx(machine.concentration_pct, abs=0.3)


def test_no_filling_is_told_where_nobody_came() -> None:
    for seed_l in (320.0, 350.0, 380.0):
        assert fillings(hand_engine(Machine("mill", volume_l=seed_l, signals=BY_HAND), 110.0)) == []


def test_chips_that_stay_on_the_prism_for_a_day_thin_nothing() -> None:
    machine = Machine("mill", volume_l=370.0, signals=BY_HAND)
    engine = hand_engine(machine, 110.0, chips_h=(70.0, 96.0))
    strength = engine.at(BEGIN_S + 110.0 * HOUR_S).mean[0, STRENGTH]
    assert strength == pytest.approx(machine.concentration_pct, abs=0.4)


def test_a_dipstick_alone_shows_a_filling_too() -> None:
    machine = Machine("mill", volume_l=320.0, signals=(Signal.LEVEL,), acts=[(60.0, 65.0, 5.0)])
    assert [event.volume_l for event in fillings(hand_engine(machine, 110.0))] == [pytest.approx(65.0, rel=0.3)]


def test_a_level_that_does_not_tell_whether_the_machine_runs_teaches_no_hold_up() -> None:
    state, fixed = sparse_state()
    before = state.mean[:, HOLD_UP].copy(), state.cov[:, HOLD_UP, HOLD_UP].copy()
    state.mean[:, HOLD_UP] += 3.0
    state.cov[:, HOLD_UP, HOLD_UP] *= 0.5
    sparse.keep_hold_up(state, fixed, *before)
    assert state.mean[0, HOLD_UP] == before[0][0]
    assert state.mean[1, HOLD_UP] == before[0][1] + 3.0
    assert state.cov[0, HOLD_UP, HOLD_UP] == before[1][0]


def test_a_few_small_residuals_do_not_make_a_noisy_gauge_quiet() -> None:
    noise = {}
    for few in (True, False):
        state, _ = sparse_state()
        state.noise[:, 1] = 4.0
        seen = watch.Seen(np.zeros(2), np.ones(2), np.full(2, 4.0), np.ones(2, dtype=np.bool_))
        bounds, known = (np.full(2, 0.01), np.full(2, 50.0)), np.full(2, 12.0)
        for _ in range(4):
            watch.learn_noise(state, (0, 1), seen, np.full(2, 1.0), known, np.ones(2), bounds, np.full(2, few))
        noise[few] = float(state.noise[0, 1])
    assert noise[True] > 3.0
    assert noise[False] < 2.0


def test_a_full_sump_is_hardly_filled() -> None:
    """The same small rise speaks for a filling where there is room, and hardly where there is none."""
    odds = []
    for share in (0.88, 0.95):
        state, fixed = sparse_state()
        state.level_known[:] = True
        state.mean[:, VOLUME] = share * fixed.full_l
        state.cov[:, VOLUME, VOLUME] = (0.01 * fixed.full_l) ** 2
        one = np.array([0])
        gauge = state.mean[one, VOLUME] + 0.06 * fixed.full_l[one]
        flags = np.ones(1, dtype=np.bool_)
        heard = sparse.Heard(one, gauge, np.ones(1), np.zeros(1), np.zeros(1), np.ones(1), flags, ~flags)
        odds.append(float(sparse._level_says(state, fixed, heard)[0][0]))
    assert odds[0] > odds[1] + 1.0
