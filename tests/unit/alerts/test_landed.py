"""Where a sump landed against its recipe."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.landed import Verdict, judge_landing, mix_bias
from alerts.landing import Round, State, carry_out
from alerts.recipes import plan_recipe
from alerts.types import Recipe
from tests.unit.alerts.hall import HOUR, MONDAY, a_plant, a_sump, an_estimate

PLANT, SUMP = a_plant(), a_sump()
EVENING = MONDAY + 18 * HOUR


def a_recipe(volume_l: float = 250.0, pct: float = 9.5) -> Recipe:
    return plan_recipe(PLANT, SUMP, an_estimate(volume_l, pct), None, EVENING, EVENING)


def found(recipe: Recipe, *, litres: float = 1.0, strength: float = 1.0) -> State:
    """Carry a plain top-up out with a share of its litres and of its strength."""
    (add,) = (step for step in recipe.steps if step.do == "add")
    start = State(recipe.from_volume_l, recipe.from_concentration_pct, 0.0, 0.0)
    one = Round(0.0, (add.volume_l or 0.0) * litres, (add.mix_pct or 0.0) * strength)
    end = carry_out(start, (one,)) if one.add_l else start
    return replace(end, volume_sd_l=2.0, concentration_sd_pct=0.08)


@pytest.mark.parametrize(
    ("litres", "strength", "verdict"),
    [
        (1.0, 1.0, Verdict.LANDED),
        (0.97, 1.03, Verdict.LANDED),
        (0.8, 1.0, Verdict.SHORT),
        (1.0, 0.7, Verdict.LEAN),
        (1.0, 1.3, Verdict.RICH),
        (0.0, 1.0, Verdict.NO_CHANGE),
    ],
)
def test_verdicts(litres: float, strength: float, verdict: Verdict) -> None:
    recipe = a_recipe(220.0, 8.3)
    landed = judge_landing(PLANT, recipe, found(recipe, litres=litres, strength=strength))
    assert landed.verdict is verdict
    assert landed.text.startswith("lathe-04 ")


def test_how_far_off_is_said_in_litres_and_points() -> None:
    recipe = a_recipe(220.0, 8.3)
    landed = judge_landing(PLANT, recipe, found(recipe, litres=0.8))
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert landed.off_l == pytest.approx(-0.2 * (add.volume_l or 0.0), abs=0.1)


@pytest.mark.parametrize("bias", [-0.1, 0.0, 0.15])
def test_a_station_that_mixes_off_is_told_by_its_landings(bias: float) -> None:
    recipe = a_recipe(220.0, 8.3)
    assert mix_bias(recipe, found(recipe, strength=1.0 + bias)) == pytest.approx(bias, abs=0.002)


def test_a_recipe_that_adds_nothing_tells_nothing_of_the_mix() -> None:
    recipe = a_recipe(398.0, 8.0)
    assert mix_bias(recipe, State(398.0, 8.0, 2.0, 0.1)) is None
    assert judge_landing(PLANT, recipe, State(398.0, 8.0, 2.0, 0.1)).verdict is Verdict.LANDED
