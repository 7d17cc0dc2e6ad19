"""Where a sump's minerals are going."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from alerts.care import Care, told_minerals
from alerts.outlook import Measured, MineralFacts, Outlook, outlooks
from monitor.plant.quantity import PPM_PER_DH
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.plant.types import Water
from tests.unit.alerts.hall import DAY, DEIONISED, MAINS, MONDAY, a_fluid, a_forecast, a_plant, a_sump, an_estimate

NOW = MONDAY + 18 * 3600.0


def hardness(
    measured: Measured | None = None,
    filled_s: float | None = None,
    limit: float | None = 400.0,
    losses: tuple[float, float] = (12.0, 6.0),
    **sump: Any,
) -> Outlook:
    one = a_sump(fluid=a_fluid(hardness_limit_ppm=limit), **{"make_up_water": MAINS, **sump})
    estimate = an_estimate(300.0, 8.0, evaporation_l_per_day=losses[0], drag_out_l_per_day=losses[1])
    (found,) = outlooks(a_plant(one), one, estimate, None, MineralFacts(measured, None, filled_s), NOW)
    return found


def test_it_ends_at_the_cycles_of_concentration_and_says_what_helps() -> None:
    found = hardness()
    assert found.now is None
    assert found.steady == pytest.approx(540.0)
    assert found.soft_water == "deionised"
    share = found.soft_share
    assert share is not None
    assert 3.0 * (share * 5.0 + (1 - share) * 180.0) == pytest.approx(400.0)
    assert "At least 27 % deionised water" in found.text


def test_what_was_measured_is_carried_on_and_passes_the_limit_some_day() -> None:
    found = hardness(Measured(300.0, NOW - 2 * DAY))
    assert found.now == pytest.approx(540.0 - 240.0 * math.exp(-0.04), abs=0.01)
    assert found.passes_s is not None
    assert found.early_s is not None
    assert found.late_s is not None
    days = (found.passes_s - NOW) / DAY
    assert 540.0 - (540.0 - (found.now or 0.0)) * math.exp(-0.02 * days) == pytest.approx(400.0)
    assert found.early_s < found.passes_s < found.late_s
    assert "It likely passes the limit" in found.text


def test_a_fresh_fill_begins_at_the_waters_hardness() -> None:
    assert hardness(filled_s=NOW).now == pytest.approx(180.0)
    assert hardness(Measured(300.0, NOW - DAY), filled_s=NOW).now == pytest.approx(180.0)
    assert hardness(Measured(300.0, NOW), filled_s=NOW - DAY).now == pytest.approx(300.0)


def test_above_the_limit_and_without_end() -> None:
    assert "above the limit" in hardness(Measured(450.0, NOW)).text
    endless = hardness(losses=(12.0, 0.0))
    assert math.isinf(endless.steady)
    assert "rises without end" in endless.text
    assert "Even deionised water alone does not" in endless.text


def test_soft_water_and_no_limit_need_no_remedy() -> None:
    assert "At least" not in hardness(make_up_water=DEIONISED).text
    assert hardness(limit=None).passes_s is None


def test_what_would_take_years_is_no_trouble() -> None:
    slow = hardness(make_up_water=DEIONISED, losses=(12.0, 0.01))
    assert slow.steady > 400.0
    assert slow.slow
    assert "stays below the limit" in slow.text
    assert "At least" not in slow.text


def test_nothing_is_said_without_a_water_or_without_losses() -> None:
    dry = a_sump(make_up_water=None)
    assert outlooks(a_plant(dry), dry, an_estimate(300.0, 8.0), None, MineralFacts(), NOW) == ()
    still = an_estimate(300.0, 8.0, evaporation_l_per_day=0.0, drag_out_l_per_day=0.0)
    assert outlooks(a_plant(), a_sump(), still, None, MineralFacts(), NOW) == ()


def test_the_week_ahead_counts_more_than_the_last_day() -> None:
    sump = a_sump(make_up_water=MAINS)
    sunday = an_estimate(300.0, 8.0, evaporation_l_per_day=2.0, drag_out_l_per_day=1.0)
    ahead = a_forecast(sunday, sump, evaporation=12.0, drag_out=6.0)
    facts = MineralFacts(Measured(300.0, NOW))
    (calm,) = outlooks(a_plant(sump), sump, sunday, None, facts, NOW)
    (busy,) = outlooks(a_plant(sump), sump, sunday, ahead, facts, NOW)
    assert (busy.passes_s or 0.0) < (calm.passes_s or 0.0)


def test_conductivity_follows_the_same_balance_where_it_is_measured() -> None:
    mains = Water("mains", 180.0, 400.0)
    sump = a_sump(make_up_water=mains, fluid=a_fluid(conductivity_limit_us_cm=3000.0))
    plant = replace(a_plant(sump), waters={"mains": mains, "deionised": Water("deionised", 5.0, 10.0)})
    care = Care()
    care.hear(
        [Reading("lathe-04", Signal.CONDUCTIVITY, value, NOW + t, NOW) for value, t in ((2000.0, 0.0), (9.0, -9))]
    )
    estimate = an_estimate(300.0, 8.0)
    _, found = care.outlooks(plant, estimate, None, NOW)
    assert (found.what, found.unit, found.now) == ("conductivity", "uS/cm", 2000.0)
    assert found.steady == pytest.approx(1200.0)
    assert found.passes_s == math.inf


def test_entries_in_any_order_tell_the_same() -> None:
    told = [
        Entry("a", "lathe-04", EntryKind.HARDNESS, MONDAY, MONDAY, value=10 * PPM_PER_DH),
        Entry("b", "lathe-04", EntryKind.HARDNESS, MONDAY + DAY, MONDAY, value=250.0),
        Entry("c", "lathe-04", EntryKind.CHARGE, MONDAY - DAY, MONDAY, 300.0, 8.0),
    ]
    forward, backward = MineralFacts(), MineralFacts()
    for entry in told:
        forward = told_minerals(forward, entry)
    for entry in reversed(told):
        backward = told_minerals(backward, entry)
    assert forward == backward == MineralFacts(Measured(250.0, MONDAY + DAY), None, MONDAY - DAY)
