"""Laws of the model: order and names do not matter, restarts leave no trace, nothing impossible comes out."""

from __future__ import annotations

import random
from dataclasses import fields, replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.model.balance import Losses, advance
from monitor.model.engine import Engine
from monitor.model.layout import CARRY, STRENGTH, VOLUME, WIDTH
from monitor.model.state import State
from monitor.plant.reading import Entry, Reading
from tests.unit.model.runs import HOUR_S, fed
from tests.unit.pipeline.shop import BEGIN_S, entries_for, machines, plant_of, readings_of

HOURS = 30
END_S = BEGIN_S + HOURS * HOUR_S
SLOW = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@cache
def heard() -> tuple[tuple[Reading, ...], tuple[Entry, ...]]:
    """Return the shop's readings and log book."""
    return tuple(readings_of(machines(), HOURS)), tuple(entries_for())


@cache
def straight() -> State:
    """Return the state of an engine that heard everything in order."""
    return fed(Engine(plant_of(machines())), *heard(), END_S).at(END_S)


def same(one: State, other: State) -> bool:
    """Tell whether two states are alike to the last bit."""
    return all(np.array_equal(getattr(one, f.name), getattr(other, f.name), equal_nan=True) for f in fields(one))


@SLOW
@given(st.integers(0, 10**6), st.integers(1, 6))
def test_the_order_and_the_lumps_of_arrival_do_not_matter(seed: int, lumps: int) -> None:
    readings, entries = list(heard()[0]), heard()[1]
    random.Random(seed).shuffle(readings)
    engine = Engine(plant_of(machines()))
    cuts = [len(readings) * i // lumps for i in range(lumps + 1)]
    for begin, end in pairwise(cuts):
        engine.add_readings(readings[begin:end])
        engine.advance(END_S)
    engine.add_entries(entries[::-1])
    engine.advance(END_S)
    assert same(engine.at(END_S), straight())


@SLOW
@given(st.permutations(range(4)))
def test_sumps_in_another_order_give_the_same_numbers(order: list[int]) -> None:
    shop = [machines()[i] for i in order]
    state = fed(Engine(plant_of(shop)), *heard(), END_S).at(END_S)
    assert same(state, straight().take(np.array(order)))


@SLOW
@given(st.integers(2, HOURS - 1))
def test_a_restart_leaves_no_trace(hour: int) -> None:
    readings, entries = heard()
    cut_s = BEGIN_S + hour * HOUR_S
    first = Engine(plant_of(machines()))
    first.add_readings([one for one in readings if one.time_s < cut_s])
    first.add_entries([one for one in entries if one.time_s < cut_s])
    first.advance(cut_s)
    second = Engine(plant_of(machines()))
    second.restore(first.to_bytes())
    fed(second, [one for one in readings if one.time_s >= cut_s], entries, END_S)
    assert same(second.at(END_S), straight())


def test_covariances_stay_symmetric_and_positive() -> None:
    cov = straight().cov
    assert np.abs(cov - cov.transpose(0, 2, 1)).max() <= 1e-9 * np.abs(cov).max()
    assert np.linalg.eigvalsh(cov).min() > -1e-9


def test_a_check_makes_the_strength_surer() -> None:
    readings, entries = heard()
    checks = [one for one in entries if one.kind.value == "check"]
    without = fed(Engine(plant_of(machines())), readings, [one for one in entries if one not in checks], END_S).at(
        END_S
    )
    assert straight().cov[0, STRENGTH, STRENGTH] < without.cov[0, STRENGTH, STRENGTH]


def test_a_reading_that_is_not_finite_moves_nothing() -> None:
    readings, entries = heard()
    broken = [replace(one, value=float("inf"), time_s=one.time_s + 1.0) for one in readings[::50]]
    state = fed(Engine(plant_of(machines())), [*readings, *broken], entries, END_S).at(END_S)
    assert np.isfinite(state.mean).all()
    assert np.isfinite(state.cov).all()


@given(
    st.floats(50.0, 900.0),
    st.floats(0.5, 15.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 3.0),
    st.floats(0.0, 1.0),
)
def test_the_balance_keeps_water_and_concentrate(
    volume: float, strength: float, vapour: float, drag: float, leak: float
) -> None:
    mean, cov = np.zeros((1, WIDTH)), np.eye(WIDTH)[None] * 1e-6
    mean[0, VOLUME], mean[0, STRENGTH] = volume, strength
    gone = Losses(*(np.array([litres]) for litres in (0.4 * vapour, 0.6 * vapour, drag, leak)))
    advance(mean, cov, gone, 0.25, np.array([1.0]))
    lost = vapour + drag + leak
    assert abs(mean[0, VOLUME] - (volume - lost)) < 1e-9
    share = (vapour - (CARRY - 1.0) * drag) / lost if lost > 0.0 else 0.0
    exact = (
        strength * (volume / (volume - lost)) ** share
    )  # trade facts 1.4, with a little more concentrate carried off
    assert mean[0, STRENGTH] == pytest.approx(exact, rel=4e-4)
