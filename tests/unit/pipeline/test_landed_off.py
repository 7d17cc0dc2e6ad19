"""Carried out by the book and landed elsewhere, through the whole pipeline: the alert, and the check that ends it."""

from __future__ import annotations

from alerts.landed import Verdict
from alerts.lifecycle import acknowledge
from alerts.types import Alert, AlertKind, Recipe
from tests.unit.pipeline.shop import Machine
from tests.unit.pipeline.test_care import Shift


def filled(shift: Shift, recipe: Recipe, *, strength: float) -> None:
    """Fill as the recipe says, log it so, and let the mix be `strength` times as strong."""
    adds = [(step.volume_l, step.mix_pct) for step in recipe.steps if step.do == "add"]
    shift.pour("lathe-04", recipe, strength=strength)
    for litres, mix in adds:
        shift.log("lathe-04", "top_up", volume_l=litres, mix_pct=mix, who="Rui")


def alerts(shift: Shift) -> dict[AlertKind, Alert]:
    return {alert.kind: alert for alert in shift.pipeline.snapshot.alerts}


def rich() -> Shift:
    """Return a shop whose sump is outside its band, and told so."""
    shift = Shift(Machine("lathe-04", volume_l=260.0, concentration_pct=10.6, evaporation_l_per_h=1.0))
    shift.until(9.0)
    assert AlertKind.OUTSIDE_BAND in alerts(shift)
    return shift


def test_it_calls_says_what_to_do_and_ends_with_a_check_by_hand() -> None:
    shift = rich()
    filled(shift, shift.recipe("lathe-04"), strength=2.0)
    shift.until(12.0)
    (landing,) = shift.pipeline.snapshot.sumps["lathe-04"].landings
    assert (landing.verdict, landing.followed, landing.who) == (Verdict.RICH, True, "Rui")
    told = alerts(shift)
    assert set(told) == {AlertKind.LANDED_OFF}, "the sump is inside its band again"
    alert = told[AlertKind.LANDED_OFF]
    assert alert.text.startswith("lathe-04 landed rich, at ")
    assert "Measure again before correcting." in alert.text
    assert alert.recipe is not None
    now_pct = shift.machines["lathe-04"].concentration_pct
    shift.log("lathe-04", "check", value=round(now_pct, 1), unit="%")
    shift.until(15.0)
    assert AlertKind.LANDED_OFF not in alerts(shift)


def test_a_filling_that_lands_is_no_alert_and_ends_the_one_before() -> None:
    shift = rich()
    filled(shift, shift.recipe("lathe-04"), strength=1.0)
    shift.until(13.0)
    assert shift.landings[0].followed
    assert alerts(shift) == {}


def test_whoever_fills_by_habit_is_not_called_for_landing_elsewhere() -> None:
    shift = rich()
    machine = shift.machines["lathe-04"]
    strong = machine.volume_l * machine.concentration_pct + 60.0 * 9.0
    machine.volume_l += 60.0
    machine.concentration_pct = strong / machine.volume_l
    shift.log("lathe-04", "top_up", volume_l=60.0, mix_pct=9.0)
    shift.until(13.0)
    assert shift.landings
    assert not shift.landings[0].followed
    assert AlertKind.LANDED_OFF not in alerts(shift)


def test_a_sump_that_landed_outside_its_band_has_one_alert_that_says_both() -> None:
    shift = rich()
    filled(shift, shift.recipe("lathe-04"), strength=4.0)
    shift.until(12.0)
    told = alerts(shift)
    assert set(told) == {AlertKind.OUTSIDE_BAND}
    assert "measure by hand before you correct it again." in told[AlertKind.OUTSIDE_BAND].text


def test_each_change_of_an_alert_says_what_it_rested_on() -> None:
    shift = Shift(Machine("lathe-04", volume_l=260.0, concentration_pct=10.6, evaporation_l_per_h=1.0))
    shift.until(9.0)
    alert = alerts(shift)[AlertKind.OUTSIDE_BAND]
    acted = shift.pipeline.act(alert.id, lambda one: acknowledge(one, "Ida", shift.now_s))
    assert acted is not None
    (move,) = acted[1]
    assert move.basis is not None
    believed = shift.pipeline.snapshot.sumps["lathe-04"].estimate
    assert (move.basis.volume_l, move.basis.concentration_pct) == (believed.volume_l, believed.concentration_pct)
    assert move.basis.forecast_made_s is not None
