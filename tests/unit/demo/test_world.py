"""The simulated truth: every litre is in the ledger, and the same seed brings the same days."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config_demo.story import NATURES, START_S
from config_demo.world import Fate, Fill, Leak, Ledger, Moment, Nature, SumpTruth, World

DAY_MIN = 1440


def duty(time_s: float) -> bool:
    return 6 <= time_s // 3600 % 24 < 22


def make(seed: int = 1) -> World:
    return World(NATURES, dict.fromkeys(NATURES, duty), start_s=START_S, zone="Europe/Lisbon", seed=seed)


def balance(start: Fill, book: Ledger) -> Fill:
    water = Fill(book.evaporated_l, 0.0)
    out = water.plus(book.dragged_out).plus(book.leaked).plus(book.taken_out)
    return start.plus(book.poured_in).plus(out, -1.0)


@settings(max_examples=50)
@given(
    pours=st.lists(st.tuples(st.integers(1, 199), st.floats(0.5, 90.0), st.floats(0.0, 15.0)), max_size=6),
    takes=st.lists(st.tuples(st.integers(1, 199), st.floats(0.5, 120.0)), max_size=4),
    seed=st.integers(0, 2**32),
    leak=st.floats(0.0, 5.0),
)
def test_every_litre_is_in_the_ledger(
    pours: list[tuple[int, float, float]], takes: list[tuple[int, float]], seed: int, leak: float
) -> None:
    nature = Nature("x", 400.0, 320.0, 8.0, 0.4, 1.6, 0.5, 16.0, 0.88, Leak(START_S + 3600.0, leak))
    sump = SumpTruth(nature, Fate(seed), duty)
    start = sump.fill
    for minute in range(200):
        for when, litres, pct in pours:
            if when == minute:
                sump.pour(litres, pct)
        for when, litres in takes:
            if when == minute:
                sump.take_out(litres)
        sump.step(Moment(START_S + 60.0 * minute, 700_000, minute), 60.0)
    expected = balance(start, sump.ledger)
    assert sump.fill.water_l == pytest.approx(expected.water_l, abs=1e-8)
    assert sump.fill.concentrate_l == pytest.approx(expected.concentrate_l, abs=1e-8)
    assert sump.fill.water_l >= -1e-9
    assert sump.fill.concentrate_l >= -1e-9


def test_evaporation_makes_rich_and_drag_out_does_not() -> None:
    dry = SumpTruth(Nature("dry", 400, 320, 8.0, 1.0, 1.0, 0.0, 0.0, 0.9), Fate(3), duty)
    wet = SumpTruth(Nature("wet", 400, 320, 8.0, 0.0, 0.0, 1.0, 0.0, 0.9), Fate(3), duty)
    for minute in range(DAY_MIN):
        moment = Moment(START_S + 60.0 * minute, 1, minute)
        dry.step(moment, 60.0)
        wet.step(moment, 60.0)
    # all the concentrate stays: c V is constant; the parts take a twentieth more concentrate than the sump's share
    assert dry.fill.concentrate_l == pytest.approx(25.6)
    assert dry.fill.pct == pytest.approx(2560.0 / dry.fill.volume_l)
    assert dry.fill.pct > 8.3
    assert 7.9 < wet.fill.pct < 8.0
    assert wet.fill.volume_l < 310.0


def test_same_seed_same_days_and_another_seed_others() -> None:
    first, second, other = make(7), make(7), make(8)
    for _ in range(2 * DAY_MIN):
        for world in (first, second, other):
            world.step()
    for name, sump in first.sumps.items():
        assert sump.fill == second.sumps[name].fill
        assert sump.fill != other.sumps[name].fill


def test_what_people_do_to_one_sump_changes_no_other() -> None:
    calm, busy = make(), make()
    for minute in range(DAY_MIN):
        if minute % 200 == 0:
            busy.sumps["gannet"].pour(5.0, 3.0)
        calm.step()
        busy.step()
    assert calm.sumps["gannet"].fill != busy.sumps["gannet"].fill
    assert all(calm.sumps[name].fill == busy.sumps[name].fill for name in calm.sumps if name != "gannet")


def test_an_untouched_twin_lives_the_same_days() -> None:
    world = make()
    for _ in range(300):
        world.step()
    sump = world.sumps["heron"]
    twin = sump.twin()
    world.twins.append(twin)
    sump.pour(20.0, 1.0)
    book = sump.ledger.evaporated_l
    for _ in range(DAY_MIN):
        world.step()
    assert twin.running == sump.running
    assert twin.ledger.evaporated_l == pytest.approx(sump.ledger.evaporated_l - book)
    assert twin.fill.volume_l < sump.fill.volume_l
    assert twin.ledger.poured_in.volume_l == 0.0


def test_the_gauge_misses_the_hold_up_while_running_and_gets_it_back() -> None:
    sump = SumpTruth(Nature("x", 400, 320, 8.0, 0.0, 0.0, 0.0, 16.0, 0.999), Fate(1), duty)
    running = next(m for m in range(360, 900) if m not in Fate(1).stops("x", 1, 0.999))
    sump.step(Moment(START_S - START_S % 86400 + 60.0 * running, 1, running), 60.0)
    assert sump.running
    assert sump.in_gauge_l == pytest.approx(304.0)
    for minute in range(60):
        sump.step(Moment(START_S - START_S % 86400 + 60.0 * (1380 + minute), 1, 1380 + minute), 60.0)
    assert sump.in_gauge_l == pytest.approx(320.0, abs=0.01)


def test_a_pour_stops_a_hand_above_full() -> None:
    sump = SumpTruth(Nature("x", 400, 390, 8.0, 0.1, 0.1, 0.1, 10.0, 0.9), Fate(1), duty)
    assert sump.pour(100.0, 5.0) == pytest.approx(26.0)
    assert sump.fill.volume_l == pytest.approx(416.0)


def test_a_mended_leak_leaks_no_more() -> None:
    sump = SumpTruth(Nature("x", 400, 390, 8.0, 0.0, 0.0, 0.0, 0.0, 0.9, Leak(START_S, 2.0)), Fate(1), duty)
    sump.step(Moment(START_S, 1, 300), 3600.0)
    assert sump.ledger.leaked.volume_l == pytest.approx(2.0)
    assert sump.mend()
    sump.step(Moment(START_S + 3600.0, 1, 360), 3600.0)
    assert sump.ledger.leaked.volume_l == pytest.approx(2.0)
    assert not sump.mend()


def test_machines_stand_still_about_as_often_as_they_should() -> None:
    fate = Fate(random.Random(5).randrange(1000))
    minutes = sum(len(fate.stops("x", day, 0.88)) for day in range(200))
    assert math.isclose(minutes / (200 * DAY_MIN), 0.12, abs_tol=0.015)
