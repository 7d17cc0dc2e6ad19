"""Recipes with set-aside fluid, and for those who mix beside what is asked."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.balance import Charge
from alerts.recipes import make_recipe
from alerts.setaside import Container
from alerts.types import Recipe, RecipeKind
from alerts.watching import MixBias
from alerts.wording import say_recipe
from monitor.plant.types import UnitSystem
from tests.unit.alerts.hall import DAY, MONDAY, a_forecast, a_plant, a_sump, an_estimate

SUMP = a_sump()
EVENING = MONDAY + 18 * 3600.0


def a_can(litres: float = 60.0, pct: float = 12.0, **changes: Any) -> Container:
    can = Container("can-7", "semi-synthetic", litres, pct, MONDAY - DAY, MONDAY + 13 * DAY, ("mill-02",))
    return replace(can, **changes)


def a_recipe(*kept: Container, volume_l: float = 220.0, pct: float = 8.3, units: UnitSystem = "metric") -> Recipe:
    estimate = an_estimate(volume_l, pct)
    plant = a_plant(units=units)
    return make_recipe(plant, SUMP, estimate, a_forecast(estimate), EVENING, kept=kept)


def redone(recipe: Recipe) -> Charge:
    charge = Charge(recipe.from_volume_l, recipe.from_concentration_pct)
    for step in recipe.steps:
        if step.do == "take_out":
            charge = charge.minus(step.volume_l or 0.0)
        elif step.do == "add":
            charge = charge.plus(step.volume_l or 0.0, step.mix_pct or 0.0)
    return charge


def test_set_aside_fluid_is_used_before_fresh_concentrate() -> None:
    recipe, plain = a_recipe(a_can(500.0)), a_recipe()
    assert recipe.kind is RecipeKind.USE_SET_ASIDE
    assert recipe.concentrate_l < 0.03 * plain.concentrate_l
    assert recipe.set_aside_used_l == pytest.approx(100.0 * plain.concentrate_l / 12.0, rel=0.05)
    assert recipe.instead is not None
    assert recipe.instead.kind is RecipeKind.TOP_UP
    assert "can-7" in recipe.why
    assert any("from container can-7" in line for line in say_recipe(recipe, a_plant()))


def test_what_does_not_reach_is_mixed_from_concentrate() -> None:
    recipe = a_recipe(a_can(20.0))
    first, second = [step for step in recipe.steps if step.do == "add"]
    assert (first.container, second.container) == ("can-7", None)
    assert (first.set_aside_l or 0.0) <= 20.0
    assert second.concentrate_l == pytest.approx((second.volume_l or 0.0) * (second.mix_pct or 0.0) / 100, abs=0.001)
    assert [step.do for step in recipe.steps] == ["add", "add", "circulate", "measure"]


@pytest.mark.parametrize(
    "can",
    [
        a_can(fluid="synthetic"),
        a_can(blocked="it has stood for more than 14 days"),
        a_can(not_lent="its pH fell"),
        a_can(pct=5.0),
        a_can(litres=2.0),
    ],
)
def test_what_may_not_or_cannot_be_used_is_left(can: Container) -> None:
    recipe = a_recipe(can)
    assert recipe.kind is not RecipeKind.USE_SET_ASIDE
    assert recipe.set_aside_used_l == 0.0


def test_its_own_fluid_may_come_back() -> None:
    assert a_recipe(a_can(not_lent="overdue", sumps=("lathe-04",))).kind is RecipeKind.USE_SET_ASIDE


def test_the_json_tells_the_container_and_what_of_it() -> None:
    told = a_recipe(a_can(500.0)).as_json()
    (add,) = [step for step in told["steps"] if step["do"] == "add"]
    assert add["container"] == "can-7"
    assert add["set_aside_pct"] == 12.0
    assert told["set_aside_used_l"] == add["set_aside_l"]
    assert "set_aside_used_l" not in a_recipe().as_json()


@settings(max_examples=150, deadline=None)
@given(
    st.floats(150.0, 390.0),
    st.floats(5.0, 12.0),
    st.lists(st.tuples(st.floats(1.0, 300.0), st.floats(2.0, 25.0)), max_size=3),
    st.sampled_from(["metric", "us"]),
)
def test_the_arithmetic_can_be_redone_and_nothing_is_overdrawn(
    volume: float, pct: float, cans: list[tuple[float, float]], units: UnitSystem
) -> None:
    kept = [a_can(round(litres, 1), round(rich, 2), id=f"can-{i}") for i, (litres, rich) in enumerate(cans)]
    recipe = a_recipe(*kept, volume_l=volume, pct=pct, units=units)
    end = redone(recipe)
    assert end.concentration_pct == pytest.approx(recipe.lands.concentration_pct, abs=0.01)
    assert end.volume_l <= SUMP.full_l
    adds = [step for step in recipe.steps if step.do == "add"]
    poured = sum(step.volume_l or 0.0 for step in adds)
    assert recipe.concentrate_l + recipe.water_l + recipe.set_aside_used_l == pytest.approx(poured, abs=0.01)
    assert min(recipe.concentrate_l, recipe.water_l, recipe.set_aside_used_l) >= 0.0
    for can in kept:
        used = sum(step.set_aside_l or 0.0 for step in adds if step.container == can.id)
        assert used <= can.volume_l + 0.011
    strong = sum((step.set_aside_l or 0.0) * (step.set_aside_pct or 0.0) for step in adds) / 100.0
    wanted = sum((step.volume_l or 0.0) * (step.mix_pct or 0.0) for step in adds) / 100.0
    assert strong + recipe.concentrate_l == pytest.approx(wanted, abs=0.02 * max(wanted, 1.0))


def test_a_station_that_mixes_lean_is_asked_for_more_and_the_landing_stays() -> None:
    bias = MixBias()
    for _ in range(10):
        bias = bias.learnt(-0.1, 0.03)
    estimate = an_estimate(220.0, 8.3)
    plain = make_recipe(a_plant(), SUMP, estimate, a_forecast(estimate), EVENING)
    recipe = make_recipe(a_plant(), SUMP, estimate, a_forecast(estimate), EVENING, mixer=("the station", bias))
    (add,) = [step for step in recipe.steps if step.do == "add"]
    assert recipe.lands == plain.lands
    assert add.setting_pct == pytest.approx((add.mix_pct or 0.0) / (1.0 + bias.mean), abs=0.01)
    assert "lean" in recipe.why
    assert any("Set or ask for" in line for line in say_recipe(recipe, a_plant()))
