"""The carrying-out of recipes in the benchmark obeys the balance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from alerts.balance import Charge
from alerts.recipes import make_recipe
from tests.benchmarks import recipes
from tests.benchmarks.recording import Recording, stamp
from tests.unit.alerts.hall import DAY, MONDAY, a_forecast, a_plant, a_sump, an_estimate

PLANT, SUMP = a_plant(), a_sump()
NOW = MONDAY + 18 * 3600.0


class Exact(np.random.Generator):
    """Hands that never err."""

    def __init__(self) -> None:
        super().__init__(np.random.PCG64(0))

    def normal(self, loc: float = 0.0, scale: float = 1.0) -> float:  # type: ignore[override]  # noqa: ARG002
        return loc


@pytest.mark.parametrize(("litres", "pct"), [(220.0, 8.3), (230.0, 11.0), (390.0, 11.5), (230.0, 5.0)])
def test_exact_hands_land_where_the_recipe_says(litres: float, pct: float) -> None:
    estimate = an_estimate(litres, pct)
    recipe = make_recipe(PLANT, SUMP, estimate, a_forecast(estimate), NOW)
    assert recipes.adds(recipe)
    end = recipes.carried_out(recipe, Charge(litres, pct), Exact())
    assert end.volume_l == pytest.approx(recipe.lands.volume_l, abs=0.2)
    assert end.concentration_pct == pytest.approx(recipe.lands.concentration_pct, abs=0.02)


def test_losses_come_from_what_was_true_and_only_where_nobody_served(tmp_path: Path) -> None:
    rows, charge = ["time,sump,hours,side,volume_l,concentration_pct"], Charge(300.0, 8.0)
    for i in range(4):
        rows.append(f"{stamp(MONDAY + i * DAY / 4)},lathe-04,,,{charge.volume_l},{charge.concentration_pct}")
        charge = Charge(
            charge.volume_l - 3.0,
            100.0 * (charge.concentrate_l - 0.01 * charge.concentration_pct) / (charge.volume_l - 3.0),
        )
    (tmp_path / "exits.csv").write_text("\n".join(rows))
    (tmp_path / "services.csv").write_text(
        f"time,sump,volume_l,mix_pct,logged\n{stamp(MONDAY + 0.6 * DAY)},lathe-04,9,1,0"
    )
    recording = Recording(tmp_path)
    (only,) = recipes.losses_of(recording, recipes.truth_of(recording))["lathe-04"]
    assert only.from_s == MONDAY
    assert only.fluid_l == pytest.approx(1.0, abs=0.01)
    assert only.water_l == pytest.approx(2.0, abs=0.01)


def test_recipes_waste_less_than_the_habit() -> None:
    losses = {"lathe-04": [recipes.Losses(MONDAY + i * DAY / 4, 4.0, 1.0) for i in range(80)]}
    ours, habit = (recipes.weeks(PLANT, losses, by_recipe=by_recipe) for by_recipe in (True, False))
    assert ours.inside / ours.moments > 0.95
    assert ours.waste_l <= habit.waste_l
    assert ours.moments == habit.moments == 80
