"""The batch plan against brute force and against a solver."""

from __future__ import annotations

import math
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from alerts.batches import Need, choose_mixes, fewest_points, on_steps, plan_batches
from alerts.setaside import Container
from alerts.watching import MixBias
from monitor.plant.types import Station
from tests.unit.alerts.hall import DAY, MONDAY

STATION = Station(
    batch_l=200.0, smallest_batch_l=40.0, cart_l=60.0, mix_step_pct=0.5, leanest_pct=0.5, richest_pct=12.0
)
GRID = [0.5 * k for k in range(1, 25)]


def a_can(name: str, litres: float, pct: float, day: float = 0.0) -> Container:
    return Container(name, "semi-synthetic", litres, pct, MONDAY + day * DAY, MONDAY + 14 * DAY, ("mill-02",))


RANGES = st.tuples(st.integers(0, 22), st.integers(0, 6), st.integers(1, 40))
NEEDS = st.lists(RANGES, min_size=1, max_size=6).map(
    lambda rows: [
        Need(f"sump-{i}", 5.0 * litres, GRID[low], GRID[min(low + width, len(GRID) - 1)])
        for i, (low, width, litres) in enumerate(rows)
    ]
)


def serves(points: tuple[float, ...], needs: list[Need]) -> bool:
    return all(any(need.low_pct <= point <= need.high_pct for point in points) for need in needs)


def brute_force(needs: list[Need]) -> tuple[int, float]:
    """Try every set of settings: the fewest that serve all, and the least concentrate (litres x percent) of these."""
    for count in range(1, len(needs) + 1):
        costs = [
            math.fsum(n.volume_l * min(p for p in points if n.low_pct <= p <= n.high_pct) for n in needs)
            for points in combinations(GRID, count)
            if serves(points, needs)
        ]
        if costs:
            return count, min(costs)
    raise AssertionError("a mix for each sump always serves")


@settings(max_examples=60, deadline=None)
@given(NEEDS)
def test_no_plan_has_fewer_mixes_and_none_of_these_less_concentrate(needs: list[Need]) -> None:
    if fewest_points(needs) > 3:
        needs = needs[:3]
    count, cost = brute_force(needs)
    chosen = choose_mixes(needs)
    assert len(chosen) == count
    assert math.fsum(one.mix_pct * one.volume_l for one in chosen) == pytest.approx(cost)
    assert sorted(need.sump for one in chosen for need in one.needs) == sorted(need.sump for need in needs)
    assert all(need.low_pct <= one.mix_pct <= need.high_pct for one in chosen for need in one.needs)


CANS = st.lists(st.tuples(st.floats(5.0, 200.0), st.floats(3.0, 20.0)), max_size=4).map(
    lambda rows: [a_can(f"can-{i}", round(litres, 1), round(pct, 1), i) for i, (litres, pct) in enumerate(rows)]
)


def most_by_solver(volumes: list[float], mixes: list[float], kept: list[Container]) -> float:
    """Let HiGHS find the most concentrate (litres) that set-aside fluid at least as strong as a mix can bring."""
    pairs = [(c, m) for c, m in product(range(len(kept)), range(len(mixes))) if kept[c].strength_pct >= mixes[m]]
    if not pairs:
        return 0.0
    gain = np.array([kept[c].strength_pct for c, _ in pairs])
    rows = [[1.0 if c == k else 0.0 for c, _ in pairs] for k in range(len(kept))]
    rows += [[kept[c].strength_pct if m == k else 0.0 for c, m in pairs] for k in range(len(mixes))]
    limits = [can.volume_l for can in kept] + [v * m for v, m in zip(volumes, mixes, strict=True)]
    found = linprog(-gain, A_ub=np.array(rows), b_ub=np.array(limits), method="highs")
    return -float(found.fun or 0.0) / 100.0


@settings(max_examples=60, deadline=None)
@given(NEEDS, CANS)
def test_set_aside_fluid_saves_as_much_as_a_solver_finds(needs: list[Need], kept: list[Container]) -> None:
    plan = plan_batches(needs, STATION, kept)
    saved = math.fsum(p.volume_l * p.strength_pct for m in plan.mixes for p in m.set_aside) / 100.0
    most = most_by_solver([m.volume_l for m in plan.mixes], [m.mix_pct for m in plan.mixes], kept)
    slack = 0.2 * len(kept) * max(1, len(plan.mixes)) * 0.5  # a tenth of a litre a pour, half a litre is not worth one
    assert most - slack <= saved <= most + 1e-6


@settings(max_examples=60, deadline=None)
@given(NEEDS, CANS)
def test_what_goes_in_is_what_comes_out(needs: list[Need], kept: list[Container]) -> None:
    plan = plan_batches(needs, STATION, kept)
    for mix in plan.mixes:
        rich = math.fsum(part.volume_l for part in mix.set_aside)
        strong = math.fsum(part.volume_l * part.strength_pct for part in mix.set_aside) / 100.0
        assert mix.concentrate_l + mix.water_l + rich == pytest.approx(mix.volume_l, abs=0.01)
        assert mix.concentrate_l + strong == pytest.approx(mix.volume_l * mix.mix_pct / 100.0, abs=0.01)
        assert min(mix.concentrate_l, mix.water_l) >= 0.0
        assert mix.batch_l <= STATION.batch_l + 1e-6
        assert mix.batches * mix.batch_l == pytest.approx(mix.volume_l, abs=0.01 * mix.batches)
        assert mix.by_hand == (mix.batch_l < STATION.smallest_batch_l)
        assert all(part.carts == math.ceil(part.volume_l / STATION.cart_l) for part in mix.portions)
    for can in kept:
        used = math.fsum(p.volume_l for m in plan.mixes for p in m.set_aside if p.container == can.id)
        assert used <= can.volume_l + 1e-6
    assert math.fsum(m.volume_l for m in plan.mixes) == pytest.approx(math.fsum(n.volume_l for n in needs), abs=0.1)


def test_the_oldest_fluid_goes_first() -> None:
    kept = [a_can("old", 20.0, 10.0), a_can("new", 100.0, 10.0, 3.0)]
    (mix,) = plan_batches([Need("lathe-04", 100.0, 4.0, 4.0)], STATION, kept).mixes
    assert [(part.container, part.volume_l) for part in mix.set_aside] == [("old", 20.0), ("new", 20.0)]
    assert mix.concentrate_l == 0.0


def test_one_mix_for_many_and_the_leanest_of_them() -> None:
    plan = plan_batches([Need("a", 100.0, 2.0, 5.0), Need("b", 250.0, 3.0, 6.0), Need("c", 50.0, 1.0, 4.0)], STATION)
    (mix,) = plan.mixes
    assert (mix.mix_pct, mix.volume_l, mix.batches, mix.batch_l) == (3.0, 400.0, 2, 200.0)


def test_too_little_for_the_station_is_mixed_by_hand() -> None:
    plan = plan_batches([Need("a", 100.0, 2.0, 2.5), Need("b", 25.0, 6.0, 7.0)], STATION)
    assert [mix.by_hand for mix in plan.mixes] == [False, True]


@pytest.mark.parametrize(
    ("low", "high", "fitted"),
    [(2.1, 3.9, (2.5, 3.5)), (2.1, 2.2, (2.1, 2.2)), (0.1, 0.9, (0.5, 0.5)), (13.0, 14.0, (13.0, 14.0))],
)
def test_the_stations_steps_and_range(low: float, high: float, fitted: tuple[float, float]) -> None:
    assert on_steps(low, high, STATION) == pytest.approx(fitted)


def test_what_the_station_cannot_set_is_mixed_by_hand() -> None:
    (mix,) = plan_batches([Need("a", 100.0, 13.0, 14.0)], STATION).mixes
    assert mix.by_hand


def test_a_station_that_mixes_lean_is_set_higher() -> None:
    bias = MixBias()
    for _ in range(10):
        bias = bias.learnt(-0.1, 0.02)
    (mix,) = plan_batches([Need("a", 100.0, 4.0, 4.0)], STATION, (), bias).mixes
    assert mix.setting_pct == pytest.approx(4.0 / (1.0 + bias.mean), abs=0.01)


def test_nothing_needed_is_no_batch() -> None:
    assert plan_batches([], STATION).mixes == ()
