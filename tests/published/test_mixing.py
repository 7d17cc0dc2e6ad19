"""Mixing arithmetic against published and derived values.

Sources are named beside each value. "derived" is the arithmetic of the formula named; "common practice, no source"
marks rules of thumb of the trade.
"""

from __future__ import annotations

import pytest

from alerts.balance import (
    Charge,
    blend,
    finished_pct,
    litres_to_add,
    litres_to_exchange,
    litres_to_keep,
    make_up_that_holds,
    mix_to_fill,
    pearson_parts,
    run_down,
    steady_pct,
    water_for_premix,
)
from alerts.recipes import make_recipe
from alerts.types import RecipeKind
from monitor.plant.quantity import L_PER_US_FL_OZ, L_PER_US_GAL
from tests.unit.alerts.hall import a_fluid, a_plant, a_sump, an_estimate


@pytest.mark.parametrize(
    ("strong", "weak", "target", "total", "of_strong"),
    [
        (15.0, 11.0, 12.0, 5000.0, 1250.0),  # Pearson square, question-and-answer page: 1250 of 15 %, 3750 of 11 %
        (40.0, 0.5, 3.5, 500.0, 37.974684),  # cream standardisation example: 3 / 39.5 of 500 kg (the page rounds to 38)
        (30.0, 15.0, 20.0, 15.0, 5.0),  # how-to page: 5 parts to 10 parts
        (100.0, 0.0, 6.0, 100.0, 6.0),  # derived: 6 L of concentrate and 94 L of water
    ],
)
def test_pearson_square(strong: float, weak: float, target: float, total: float, of_strong: float) -> None:
    parts_strong, parts_weak = pearson_parts(strong, weak, target)
    share = parts_strong / (parts_strong + parts_weak)
    assert share * total == pytest.approx(of_strong, abs=1e-4)
    mixed = blend(Charge(share * total, strong), Charge((1 - share) * total, weak))
    assert mixed.concentration_pct == pytest.approx(target)


@pytest.mark.parametrize(
    ("volume", "start", "mix", "target", "litres"),
    [
        (10.0, 40.0, 100.0, 60.0, 5.0),  # exam-preparation page: 10 L at 40 % to 60 % takes 5 L of 100 %
        (300.0, 6.0, 100.0, 8.0, 6.521739),  # derived: x = V (t - c) / (a - t)
        (300.0, 6.0, 10.0, 8.0, 300.0),  # derived: it doubles
        (300.0, 11.0, 0.0, 8.0, 112.5),  # derived: x = V (c / t - 1)
    ],
)
def test_adding_until_the_target(volume: float, start: float, mix: float, target: float, litres: float) -> None:
    added = litres_to_add(Charge(volume, start), mix, target)
    assert added == pytest.approx(litres, abs=1e-6)
    assert Charge(volume, start).plus(added, mix).concentration_pct == pytest.approx(target)


@pytest.mark.parametrize(
    ("volume", "start", "mix", "target", "litres"),
    [  # derived: x = V (t - c) / (a - c)
        (300.0, 6.0, 100.0, 8.0, 6.382979),
        (300.0, 6.0, 20.0, 8.0, 42.857143),
        (300.0, 11.0, 0.0, 8.0, 81.818182),
        (300.0, 11.0, 4.0, 8.0, 128.571429),
    ],
)
def test_exchanging_at_constant_volume(volume: float, start: float, mix: float, target: float, litres: float) -> None:
    moved = litres_to_exchange(Charge(volume, start), mix, target)
    assert moved == pytest.approx(litres, abs=1e-6)
    after = Charge(volume, start).minus(moved).plus(moved, mix)
    assert (after.volume_l, after.concentration_pct) == pytest.approx((volume, target))


def test_filling_to_a_level_at_the_target() -> None:
    # derived: a = (F t - V c) / (F - V): 300 L at 6 % filled to 360 L at 8 % needs 60 L at 18 % (10.8 L concentrate)
    mix = mix_to_fill(Charge(300.0, 6.0), 360.0, 8.0)
    assert mix == pytest.approx(18.0)
    assert Charge(60.0, mix).concentrate_l == pytest.approx(10.8)


def test_reusing_rich_fluid_as_premix() -> None:
    # derived: R (r / p - 1): 50 L of 12 % become 150 L of 4 % with 100 L of water
    assert water_for_premix(Charge(50.0, 12.0), 4.0) == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("evaporation_share", "landed"),
    [(0.75, 7.093062), (1.0, 7.5), (0.0, 6.0)],  # derived: c = c0 (V0 / V) ^ (E / (E + D)), 300 L to 240 L from 6 %
)
def test_running_down(evaporation_share: float, landed: float) -> None:
    assert run_down(Charge(300.0, 6.0), 240.0, evaporation_share).concentration_pct == pytest.approx(landed, abs=1e-6)


def test_make_up_that_holds_a_steady_sump() -> None:
    # derived: c_m = t D / (E + D) = 2.285714 % for E 5 %/d, D 2 %/d, t 8 %; the steady state of it is the target again
    make_up = make_up_that_holds(8.0, 5.0, 2.0)
    assert make_up == pytest.approx(2.285714, abs=1e-6)
    assert steady_pct(make_up, 5.0, 2.0) == pytest.approx(8.0)


@pytest.mark.parametrize(
    ("cycles", "blowdown", "make_up"),
    [  # University of Illinois campus sustainability office (2017), cooling-tower table for E = 5000 gal
        (1.5, 10000.0, 15000.0),
        (2.0, 5000.0, 10000.0),
        (3.0, 2500.0, 7500.0),
        (4.0, 1667.0, 6667.0),
        (5.0, 1250.0, 6250.0),
        (6.0, 1000.0, 6000.0),
        (7.0, 833.0, 5833.0),
        (8.0, 714.0, 5714.0),
    ],
)
def test_cycles_of_concentration(cycles: float, blowdown: float, make_up: float) -> None:
    """A sump held at its level is a cooling tower: drag-out is its blowdown, make-up is concentrated by the cycles."""
    assert 5000.0 + blowdown == pytest.approx(make_up, abs=1.0)
    assert steady_pct(1.0, 5000.0, blowdown) == pytest.approx(cycles, rel=1e-3)


@pytest.mark.parametrize(
    ("start", "kept_share", "landed"),
    [  # common practice, no source; the numbers are derived
        (16.0, 0.5, 8.5),
        (20.0, 0.3, 6.7),
        (30.0, 0.3, 9.7),
    ],
)
def test_rules_of_thumb_for_rich_sumps(start: float, kept_share: float, landed: float) -> None:
    """Bring it to half (from 20 to 30 %: to 30 %), fill up with 1 % mix: it lands inside 6 to 10 %."""
    full = 400.0
    after = Charge(kept_share * full, start).plus((1 - kept_share) * full, 1.0)
    assert after.concentration_pct == pytest.approx(landed)
    assert litres_to_keep(start, full, 1.0, landed) == pytest.approx(kept_share * full)


def test_seven_ounces_in_five_gallons() -> None:
    # common practice, no source: "1 %"; exactly 7 / 647 = 1.082 % of the finished mix (derived)
    strength = finished_pct(7 * L_PER_US_FL_OZ, 5 * L_PER_US_GAL)
    assert strength == pytest.approx(1.082, abs=5e-4)
    assert strength == pytest.approx(100 * 7 / 647)


@pytest.mark.parametrize(
    ("ounces", "gallons_of_water", "strength"),
    [(1.0, 1.0, 0.77519), (8.1702, 1.0, 6.0)],  # derived: 1 / 129; 6 % is 8.1702 fl oz added per gallon of water
)
def test_ounces_added_to_gallons(ounces: float, gallons_of_water: float, strength: float) -> None:
    added = finished_pct(ounces * L_PER_US_FL_OZ, gallons_of_water * L_PER_US_GAL)
    assert added == pytest.approx(strength, abs=1e-4)


@pytest.mark.parametrize(
    ("parts_water", "one_and_parts", "one_in_parts"),
    [(20, 4.7619, 5.0), (15, 6.25, 6.6667), (19, 5.0, 5.2632)],  # derived: the two readings of a ratio
)
def test_why_a_ratio_is_never_printed_alone(parts_water: int, one_and_parts: float, one_in_parts: float) -> None:
    assert finished_pct(1.0, parts_water) == pytest.approx(one_and_parts, abs=1e-4)
    assert finished_pct(1.0, parts_water - 1) == pytest.approx(one_in_parts, abs=1e-4)


def test_the_recipe_follows_the_rule_for_a_sump_at_sixteen_per_cent() -> None:
    """Common practice, no source: below 20 %, down to half and up with 1 % mix lands at about half the old strength."""
    sump = a_sump(fluid=a_fluid(target_pct=8.5))
    recipe = make_recipe(a_plant(sump), sump, an_estimate(400.0, 16.0), None, an_estimate(400.0, 16.0).time_s)
    to_target = recipe if recipe.instead is None else recipe.instead
    assert to_target.kind is RecipeKind.TAKE_OUT_AND_REFILL
    (out, add), landed = [step for step in to_target.steps if step.volume_l], to_target.lands
    assert 400.0 - (out.volume_l or 0.0) == pytest.approx(200.0, abs=10.0)
    assert add.mix_pct == pytest.approx(1.0, abs=0.1)
    assert landed.concentration_pct == pytest.approx(8.5, abs=0.15)  # the headroom and whole buckets cost a tenth


@pytest.mark.parametrize(
    ("call", "reason"),
    [
        (lambda: pearson_parts(10.0, 5.0, 12.0), "does not lie between"),
        (lambda: litres_to_add(Charge(300.0, 6.0), 5.0, 8.0), "leads away"),
        (lambda: litres_to_add(Charge(300.0, 6.0), 8.0, 8.0), "never brings"),
        (lambda: litres_to_exchange(Charge(300.0, 11.0), 9.0, 8.0), "cannot bring"),
        (lambda: mix_to_fill(Charge(300.0, 6.0), 300.0, 8.0), "no room"),
        (lambda: Charge(10.0, 6.0).minus(11.0), "cannot take"),
        (lambda: run_down(Charge(300.0, 6.0), 310.0, 0.5), "cannot run down"),
        (lambda: steady_pct(1.0, 5.0, 0.0), "never settles"),
        (lambda: water_for_premix(Charge(50.0, 3.0), 4.0), "cannot be thinned"),
    ],
)
def test_the_impossible_says_why(call: object, reason: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=reason):
        call()
