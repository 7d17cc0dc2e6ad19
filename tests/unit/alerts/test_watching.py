"""After a filling: what is under way, where it landed, how strong the mix was."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from alerts.care import Care, state_of
from alerts.codec import landing_from_json, landing_to_json
from alerts.landed import Verdict
from alerts.landing import State
from alerts.recipes import plan_recipe
from alerts.types import Recipe, RecipeKind
from alerts.watching import LandingRecord, MixBias, in_force, say_bias
from monitor.model.types import Estimate
from monitor.plant.reading import Entry, EntryKind
from tests.unit.alerts.hall import HOUR, MONDAY, a_plant, a_sump, an_estimate

PLANT, SUMP = a_plant(), a_sump()
STEP = 900.0
EVENING = MONDAY + 18 * HOUR


def a_recipe(volume_l: float = 220.0, pct: float = 8.3) -> Recipe:
    return plan_recipe(PLANT, SUMP, an_estimate(volume_l, pct), None, EVENING, EVENING)


def added(recipe: Recipe) -> tuple[float, float]:
    (step,) = (step for step in recipe.steps if step.do == "add")
    return step.volume_l or 0.0, step.mix_pct or 0.0


class Shift:
    """A sump watched step by step."""

    def __init__(self, recipe: Recipe | None) -> None:
        self.care = Care()
        self.now_s = EVENING
        self.fill = State(220.0, 8.3, 1.0, 0.06)
        self.recipes = {} if recipe is None else {"lathe-04": recipe}
        self.step()

    def estimate(self) -> Estimate:
        now = an_estimate(self.fill.volume_l, self.fill.concentration_pct, self.now_s)
        return replace(now, volume_sd_l=1.0, concentration_sd_pct=0.06)

    def step(self, *entries: Entry) -> tuple[LandingRecord, ...]:
        self.now_s += STEP
        self.care.add(entries)
        return self.care.step(PLANT, {"lathe-04": self.estimate()}, self.recipes, self.now_s)

    def pour(self, litres: float, mix_pct: float) -> None:
        end = self.fill.charge.plus(litres, mix_pct)
        self.fill = State(end.volume_l, end.concentration_pct, 1.0, 0.06)

    def wait(self, steps: int = 20) -> list[LandingRecord]:
        return [landing for _ in range(steps) for landing in self.step()]

    def logged(self, litres: float, mix_pct: float, who: str = "") -> Entry:
        at = self.now_s + 60.0
        return Entry(f"e-{at}", "lathe-04", EntryKind.TOP_UP, at, at, litres, mix_pct, who=who)


def test_a_filling_that_nobody_logs_is_seen_and_said_once() -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    shift.pour(*added(recipe))
    (landing,) = shift.wait()
    assert landing.verdict is Verdict.LANDED
    assert landing.said_volume_l == recipe.lands.volume_l
    assert landing.found_volume_l == pytest.approx(recipe.lands.volume_l, abs=0.1)
    assert shift.wait() == []
    assert shift.care.landings["lathe-04"] == [landing]


@pytest.mark.parametrize(
    ("litres", "strength", "verdict"), [(0.7, 1.0, Verdict.SHORT), (1.0, 0.5, Verdict.LEAN), (1.0, 1.5, Verdict.RICH)]
)
def test_one_that_goes_wrong_is_said(litres: float, strength: float, verdict: Verdict) -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    volume, mix = added(recipe)
    shift.pour(volume * litres, mix * strength)
    assert [landing.verdict for landing in shift.wait()] == [verdict]


def test_one_that_is_logged_and_never_poured_is_no_change() -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    shift.step(shift.logged(*added(recipe), who="Bruno"))
    (landing,) = shift.wait()
    assert (landing.verdict, landing.who) == (Verdict.NO_CHANGE, "Bruno")


def test_a_filling_in_two_goes_is_judged_at_its_end() -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    volume, mix = added(recipe)
    shift.pour(0.6 * volume, mix)
    assert shift.wait(2) == []
    shift.pour(0.4 * volume, mix)
    assert [landing.verdict for landing in shift.wait()] == [Verdict.LANDED]


def test_without_a_recipe_nothing_is_judged() -> None:
    shift = Shift(None)
    shift.pour(100.0, 5.0)
    assert shift.wait() == []
    assert shift.care.watches == {}


def test_what_nothing_measures_is_not_judged() -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    shift.pour(*added(recipe))
    blind = [replace(shift.estimate(), last_heard_s={}) for _ in range(10)]
    found: list[LandingRecord] = []
    for estimate in blind:
        shift.now_s += STEP
        found += shift.care.step(PLANT, {"lathe-04": estimate}, shift.recipes, shift.now_s)
    assert found == []


def test_one_who_mixes_lean_is_found_out_and_allowed_for() -> None:
    care = Care()
    for _ in range(8):
        shift = Shift(a_recipe())
        shift.care.mixers, shift.care.usual = care.mixers, care.usual
        volume, mix = added(a_recipe())
        shift.step(shift.logged(volume, mix, "the station"))
        shift.pour(volume, 0.9 * mix)
        shift.wait()
        care = shift.care
    found = care.mixer_of("lathe-04")
    assert found is not None
    who, bias = found
    assert who == "the station"
    assert bias.mean == pytest.approx(-0.1, abs=0.04)
    assert bias.mean - 2.6 * bias.sd < -0.1 < bias.mean + 2.6 * bias.sd
    assert "lean" in say_bias(who, bias)
    assert bias.setting_pct(4.5) == pytest.approx(4.5 / (1 + bias.mean))


def test_one_filling_proves_nothing() -> None:
    assert not MixBias().learnt(-0.3, 0.02).matters
    assert abs(MixBias().learnt(-0.1, 0.3).mean) < 0.01


def test_the_state_survives_a_checkpoint() -> None:
    recipe = a_recipe()
    shift = Shift(recipe)
    volume, mix = added(recipe)
    shift.step(shift.logged(volume, mix, "Bruno"))
    shift.pour(volume, mix)
    shift.step()
    again = Care.from_json(json.loads(shift.care.to_json()), PLANT.sumps)
    assert again == shift.care
    assert Care.from_json(json.loads(shift.care.to_json()), ()).watches == {}
    shift.care = again
    (landing,) = shift.wait()
    assert landing_from_json(landing_to_json(landing)) == landing


def test_a_recipe_that_waits_is_not_in_force_before_its_moment() -> None:
    recipe = replace(a_recipe(), kind=RecipeKind.RUN_DOWN_THEN_FILL)
    wait = replace(recipe.steps[0], do="wait_until", time_s=EVENING + 5 * HOUR)
    waiting = replace(recipe, steps=(wait, *recipe.steps))
    assert in_force(waiting, EVENING) is None
    assert in_force(waiting, EVENING + 4.5 * HOUR) is waiting
    assert in_force(replace(waiting, instead=recipe), EVENING) is recipe
    assert in_force(replace(recipe, kind=RecipeKind.LEAVE_ALONE), EVENING) is None


def test_the_estimate_as_a_state() -> None:
    state = state_of(an_estimate(300.0, 8.0))
    assert (state.volume_l, state.concentration_pct) == (300.0, 8.0)
