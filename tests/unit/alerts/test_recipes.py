"""The choice of the recipe: one story a test."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import Any

import pytest

from alerts.recipes import make_recipe, plan_recipe
from alerts.types import Recipe, RecipeKind
from alerts.wording import say_recipe
from monitor.model.types import Event, EventKind, Forecast
from monitor.plant.reading import Signal
from monitor.plant.tank import HorizontalCylinder
from monitor.plant.types import Sump, Water
from tests.unit.alerts.hall import (
    DAY,
    DEIONISED,
    HOUR,
    MAINS,
    MONDAY,
    a_fluid,
    a_forecast,
    a_plant,
    a_sump,
    an_estimate,
)

EVENING = MONDAY + 18 * HOUR
SUMP = a_sump()
PLANT = a_plant(SUMP)


def recipe_for(volume_l: float, pct: float, sump: Sump = SUMP, **changes: Any) -> Recipe:
    estimate = an_estimate(volume_l, pct, **changes)
    return make_recipe(a_plant(sump), sump, estimate, a_forecast(estimate, sump), EVENING)


def added(recipe: Recipe) -> float:
    return sum(step.volume_l or 0.0 for step in recipe.steps if step.do == "add")


def test_a_sump_low_and_inside_is_filled_to_target() -> None:
    recipe = recipe_for(210.0, 8.6)
    assert recipe.kind is RecipeKind.TOP_UP
    assert recipe.lands.concentration_pct == pytest.approx(8.0, abs=0.1)
    assert recipe.lands.volume_l > 0.95 * SUMP.full_l
    assert recipe.waste_l == recipe.set_aside_l == 0.0
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert add.containers == "9 x 20 L + 5 L"
    assert add.water == "deionised"
    assert add.until_level_mm == round(recipe.lands.volume_l / 1.25)


def test_a_rich_sump_with_room_is_filled_with_weak_mix() -> None:
    recipe = recipe_for(250.0, 11.0)
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert recipe.kind is RecipeKind.TOP_UP
    assert add.mix_pct is not None
    assert 1.0 <= add.mix_pct < 4.0
    assert recipe.lands.concentration_pct == pytest.approx(8.0, abs=0.1)


def test_a_rich_and_full_sump_gives_up_as_little_as_lands_inside_and_the_way_to_target_is_the_second() -> None:
    recipe = recipe_for(390.0, 10.8)
    assert recipe.kind is RecipeKind.TAKE_OUT_AND_REFILL
    assert recipe.instead is not None
    assert recipe.instead.kind is RecipeKind.TAKE_OUT_AND_REFILL
    assert recipe.set_aside_l < recipe.instead.set_aside_l
    assert recipe.waste_l == 0.0
    assert 9.0 < recipe.lands.concentration_pct < 9.8
    assert recipe.instead.lands.concentration_pct == pytest.approx(8.0, abs=0.1)
    assert recipe.lands.in_band_probability >= 0.95
    assert any("labelled" in caution for caution in recipe.cautions)
    assert any("lock it out" in caution for caution in recipe.cautions)


def test_a_lean_sump_with_room_is_enriched_with_premix_never_with_concentrate() -> None:
    recipe = recipe_for(250.0, 5.4)
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert recipe.kind is RecipeKind.ENRICH
    assert add.mix_pct is not None
    assert 8.0 < add.mix_pct <= 15.0


def test_a_lean_and_full_sump_gives_up_lean_fluid_as_waste() -> None:
    recipe = recipe_for(396.0, 5.0)
    assert recipe.kind is RecipeKind.TAKE_OUT_AND_REFILL
    assert recipe.waste_l > 0.0
    assert recipe.set_aside_l == 0.0
    assert any("never the drain" in caution for caution in recipe.cautions)


def test_a_rich_sump_found_far_down_is_filled_in_two_goes_with_a_measurement_between() -> None:
    recipe = recipe_for(150.0, 16.0)
    assert recipe.kind is RecipeKind.TOP_UP_IN_STEPS
    assert [step.do for step in recipe.steps] == ["add", "circulate", "measure", "add", "circulate", "measure"]


def test_a_very_rich_sump_takes_more_than_one_round_above_the_lowest_level() -> None:
    recipe = recipe_for(390.0, 24.0)
    outs = [step for step in recipe.steps if step.do == "take_out"]
    assert len(outs) == 2
    assert recipe.lands.in_band_probability >= 0.95
    assert min(step.until_level_mm or 0.0 for step in outs) >= SUMP.lowest_l / 1.25


def test_where_the_lowest_level_allows_thirty_per_cent_one_round_does_it() -> None:
    """Common practice, no source: from 20 to 30 %, down to 30 % and up with 1 % mix."""
    recipe = recipe_for(390.0, 20.0, a_sump(lowest_l=100.0))
    assert len([step for step in recipe.steps if step.do == "take_out"]) == 1
    assert 6.0 < recipe.lands.concentration_pct < 10.0


def test_a_rich_sump_without_room_runs_down_and_is_filled_before_it_leaves() -> None:
    recipe = recipe_for(392.0, 9.4)
    assert recipe.kind is RecipeKind.RUN_DOWN_THEN_FILL
    assert recipe.steps[0].do == "wait_until"
    assert recipe.steps[0].time_s == recipe.for_s
    assert PLANT.attended.covers(recipe.for_s)
    assert recipe.from_volume_l < 392.0
    assert recipe.waste_l == recipe.set_aside_l == 0.0
    estimate = an_estimate(392.0, 9.4)
    assert recipe.for_s < EVENING + HOUR * a_forecast(estimate).exit_p10_h


def test_a_sump_that_holds_is_left_alone_and_says_until_when() -> None:
    recipe = recipe_for(380.0, 8.0)
    assert recipe.kind is RecipeKind.LEAVE_ALONE
    assert recipe.steps == ()
    assert "at the earliest" in recipe.why
    assert (recipe.lands.volume_l, recipe.lands.concentration_pct) == (380.0, 8.0)


def test_a_sump_that_would_leave_before_somebody_is_back_is_filled_now() -> None:
    estimate = an_estimate(300.0, 9.7)
    recipe = make_recipe(PLANT, SUMP, estimate, a_forecast(estimate, evaporation=30.0, drag_out=3.0), EVENING)
    assert recipe.kind is RecipeKind.TOP_UP
    assert added(recipe) > 80.0


def test_before_a_weekend_the_landing_keeps_to_the_side_the_sump_drifts_away_from() -> None:
    friday = MONDAY + 4 * DAY + 20 * HOUR
    estimate = an_estimate(300.0, 9.7, friday)
    thirsty = a_forecast(estimate, evaporation=75.0, drag_out=0.0)
    recipe = make_recipe(PLANT, SUMP, estimate, thirsty, friday)
    assert recipe.kind in (RecipeKind.TOP_UP, RecipeKind.TAKE_OUT_AND_REFILL)
    assert 6.1 < recipe.lands.concentration_pct < 7.9


def test_an_unsure_estimate_is_checked_first_and_the_tentative_recipe_goes_with_it() -> None:
    recipe = recipe_for(250.0, 5.5, concentration_sd_pct=2.5)
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert [step.do for step in recipe.steps] == ["measure"]
    assert recipe.instead is not None
    assert recipe.instead.kind is RecipeKind.ENRICH
    assert (recipe.lands.volume_l, recipe.lands.concentration_pct) == (250.0, 5.5)


def test_limits_alone_do_not_ask_for_a_check() -> None:
    sump = a_sump(lowest_l=380.0)
    recipe = recipe_for(395.0, 20.0, sump)
    assert recipe.kind is RecipeKind.TAKE_OUT_AND_REFILL
    assert recipe.lands.in_band_probability < 0.95
    assert "limits of level and mix" in recipe.why


def test_a_full_sump_with_nothing_to_take_out_says_so() -> None:
    recipe = recipe_for(398.0, 12.0, a_sump(lowest_l=397.9))
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert "neither room to add nor fluid to take out" in recipe.why


def test_a_level_that_is_unsure_leaves_more_room() -> None:
    sure, unsure = recipe_for(220.0, 8.0), recipe_for(220.0, 8.0, volume_sd_l=12.0)
    assert added(unsure) < added(sure)
    assert unsure.lands.volume_l + 1.6 * 12.0 <= SUMP.full_l


@pytest.mark.parametrize("changes", [{"known": False}, {"volume_l": math.nan}, {"concentration_pct": math.inf}])
def test_an_unknown_sump_says_what_to_do_instead(changes: dict[str, Any]) -> None:
    estimate = replace(an_estimate(250.0, 8.0), **changes)
    for recipe in (
        make_recipe(PLANT, SUMP, estimate, None, EVENING),
        plan_recipe(PLANT, SUMP, estimate, None, EVENING + DAY, EVENING),
    ):
        assert recipe.kind is RecipeKind.CHECK_FIRST
        assert "Read the gauge at rest" in recipe.why
        assert recipe.instead is None


def test_an_estimate_nobody_fed_for_a_day_is_checked_first() -> None:
    heard = EVENING - 26 * HOUR
    recipe = recipe_for(250.0, 8.0, last_heard_s={Signal.LEVEL: heard, Signal.REFRACTOMETER: heard})
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert "Nothing was heard of this sump since Sun 16:00" in recipe.why
    assert recipe.instead is not None


def test_one_signal_silent_for_a_day_is_named() -> None:
    recipe = recipe_for(
        250.0, 8.0, last_heard_s={Signal.LEVEL: EVENING - 60.0, Signal.REFRACTOMETER: EVENING - 2 * DAY}
    )
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert "refractometer signal is silent for 2 days" in recipe.why


def test_a_known_loss_is_looked_for_before_anything_is_filled() -> None:
    jump = Event("e1", "lathe-04", EventKind.LOSS_JUMP, EVENING - HOUR, EVENING, 38.0, None, 0.9, "leak")
    estimate = an_estimate(205.0, 8.0)
    recipe = make_recipe(PLANT, SUMP, estimate, a_forecast(estimate), EVENING, loss_jump=jump)
    assert recipe.kind is RecipeKind.LOOK_FOR_LEAK
    assert [step.do for step in recipe.steps] == ["look", "measure"]
    assert "38 L a day since Mon 17:00" in recipe.why
    assert recipe.instead is not None
    assert recipe.instead.kind is RecipeKind.TOP_UP


def test_a_recipe_for_a_planned_time_starts_from_the_forecast() -> None:
    estimate = an_estimate(330.0, 8.2)
    forecast = a_forecast(estimate)
    at_s = EVENING + 40 * HOUR
    recipe = plan_recipe(PLANT, SUMP, estimate, forecast, at_s, EVENING)
    assert recipe.for_s == at_s
    assert recipe.made_s == EVENING
    assert recipe.from_volume_l == pytest.approx(330.0 - 18.0 * 40 / 24, abs=0.1)
    assert recipe.kind is RecipeKind.TOP_UP


def test_a_planned_time_without_a_forecast_carries_the_rates_on() -> None:
    estimate = an_estimate(330.0, 8.2)
    recipe = plan_recipe(PLANT, SUMP, estimate, None, EVENING + DAY, EVENING)
    assert recipe.from_volume_l == pytest.approx(312.0, abs=0.1)
    assert recipe.from_concentration_pct == pytest.approx(8.2 * (330 / 312) ** (12 / 18), abs=0.01)


def test_the_level_to_stop_at_follows_the_tank() -> None:
    tank = HorizontalCylinder(700.0, 1100.0)
    recipe = recipe_for(250.0, 8.0, a_sump(tank=tank, lowest_l=240.0))
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert add.until_level_mm == round(tank.level_mm(recipe.lands.volume_l))


def test_each_bucket_is_said_in_words() -> None:
    assert "Each 20 L: 18.4 L water, then 1.6 L concentrate into it (8 %)." in recipe_for(210.0, 8.05).why


def test_make_up_water_falls_back_to_the_softest_at_hand() -> None:
    sump = a_sump(make_up_water=None)
    (add,) = (step for step in recipe_for(210.0, 8.0, sump).steps if step.do == "add")
    assert add.water == "deionised"
    dry = replace(a_plant(sump), waters={})
    estimate = an_estimate(210.0, 8.0)
    (add,) = (s for s in make_recipe(dry, sump, estimate, a_forecast(estimate), EVENING).steps if s.do == "add")
    assert add.water is None
    assert "water" not in add.as_json()


def test_narrow_mix_limits_are_kept_though_no_bucket_measures_them() -> None:
    sump = a_sump(fluid=a_fluid(leanest_make_up_pct=5.012, richest_make_up_pct=5.018))
    (add,) = (step for step in recipe_for(210.0, 8.0, sump).steps if step.do == "add")
    assert add.mix_pct == pytest.approx(5.015, abs=0.004)


def test_five_hundred_sumps_are_planned_in_about_a_second_of_processor_time() -> None:
    estimates = [an_estimate(200.0 + 19.0 * (i % 10), 4.0 + 0.9 * (i % 13)) for i in range(500)]
    views: list[tuple[object, Forecast]] = [(estimate, a_forecast(estimate)) for estimate in estimates]
    started = time.process_time()
    for estimate, (_, forecast) in zip(estimates, views, strict=True):
        make_recipe(PLANT, SUMP, estimate, forecast, EVENING)
    assert time.process_time() - started < 4.0


def test_a_forecast_from_before_a_top_up_does_not_decide() -> None:
    before = an_estimate(300.0, 9.9, EVENING - 0.5 * HOUR)
    forecast = a_forecast(before)
    after = an_estimate(392.0, 8.0)
    assert make_recipe(PLANT, SUMP, after, forecast, EVENING).kind is RecipeKind.LEAVE_ALONE


def test_an_unsure_tentative_recipe_blames_the_estimate_not_the_limits() -> None:
    recipe = recipe_for(250.0, 5.5, concentration_sd_pct=2.5)
    assert recipe.instead is not None
    assert "measure before you start" in recipe.instead.why
    assert "limits" not in recipe.instead.why


@pytest.mark.parametrize(
    ("water", "limit", "losses", "used"),
    [
        (MAINS, 400.0, (6.0, 12.0), "mains"),  # ends at 270 ppm
        (MAINS, 400.0, (12.0, 6.0), "deionised"),  # would end at 540 ppm
        (MAINS, 400.0, (12.0, 0.0), "deionised"),  # would never end
        (MAINS, None, (12.0, 6.0), "mains"),  # no limit told
        (DEIONISED, 10.0, (12.0, 3.0), "deionised"),  # there is no softer one
    ],
)
def test_the_water_keeps_to_the_hardness_limit(
    water: Water, limit: float | None, losses: tuple[float, float], used: str
) -> None:
    sump = a_sump(make_up_water=water, fluid=a_fluid(hardness_limit_ppm=limit))
    rates = {"evaporation_l_per_day": losses[0], "drag_out_l_per_day": losses[1]}
    recipe = recipe_for(210.0, 8.0, sump, **rates)
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert add.water == used
    assert ("limit of" in recipe.why) is (used != water.id)


def test_an_empty_sump_is_looked_at_before_it_is_filled() -> None:
    recipe = recipe_for(0.0, 8.0)
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert "where the fluid went" in recipe.why
    assert recipe.instead is not None
    assert recipe.instead.kind is RecipeKind.TOP_UP


def test_no_strength_at_all_is_more_likely_the_instrument() -> None:
    recipe = recipe_for(300.0, 0.2)
    assert recipe.kind is RecipeKind.CHECK_FIRST
    assert "more likely the instrument" in recipe.why


def test_where_the_limits_make_the_landing_unsure_it_is_measured_first() -> None:
    narrow = a_sump(fluid=a_fluid(band_pct=(7.9, 8.1)))
    estimate = an_estimate(300.0, 9.0)
    recipe = make_recipe(a_plant(narrow), narrow, estimate, a_forecast(estimate, narrow), estimate.time_s)
    assert recipe.lands.in_band_probability < 0.95
    assert recipe.steps[0].do == "measure"


def test_what_is_taken_out_is_kept_or_waste_and_says_so() -> None:
    plant = a_plant()
    rich, lean = recipe_for(396.0, 11.5), recipe_for(396.0, 5.0)
    assert "Set it aside in a labelled container." in say_recipe(rich, plant)[0]
    assert "It is waste: local rules." in say_recipe(lean, plant)[0]
