"""The mixing station's demand: who, how much, of what, by when, and never more than fits."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.codec import demand_from_json, demand_to_json
from alerts.mixing import Known, Windows, make_demand
from alerts.setaside import Container
from alerts.station import PastPlans
from alerts.types import MixingDemand
from monitor.model.types import Estimate, Forecast
from monitor.plant.calendar import always
from monitor.plant.types import Sump
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, a_fluid, a_forecast, a_plant, a_sump, an_estimate

MORNING = MONDAY + 5 * HOUR
View = tuple[Sump, Estimate, Forecast | None]


def a_view(name: str, volume_l: float, pct: float, losses: tuple[float, float] = (12.0, 6.0), **sump: Any) -> View:
    one = a_sump(id=name, **sump)
    estimate = an_estimate(volume_l, pct, MORNING, sump=name)
    return one, estimate, a_forecast(estimate, one, evaporation=losses[0], drag_out=losses[1])


def demand_of(*views: View, now_s: float = MORNING) -> MixingDemand:
    plant = a_plant(*(view[0] for view in views))
    return make_demand(plant, views, now_s, 7)["semi-synthetic"]


def test_sumps_that_leave_before_the_window_after_cannot_wait() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0), a_view("mill-02", 245.0, 8.0), a_view("saw-01", 380.0, 8.0))
    assert [(need.sump, need.can_wait) for need in demand.sumps] == [("lathe-04", False), ("mill-02", True)]


def test_the_window_is_the_coming_one_and_the_demand_expires_with_it() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0))
    assert demand.window_from_s == MONDAY + 6 * HOUR
    assert demand.window_to_s == demand.valid_until_s == MONDAY + 22 * HOUR
    assert (demand.sequence, demand.made_s) == (7, MORNING)


def test_by_when_is_before_the_early_exit_or_the_windows_end() -> None:
    demand = demand_of(a_view("lathe-04", 206.0, 8.0), a_view("mill-02", 250.0, 8.0))
    first, second = demand.sumps
    assert MONDAY + 6 * HOUR <= first.by_s < MONDAY + 12 * HOUR
    assert second.by_s == MONDAY + 21.5 * HOUR


def test_the_quantity_is_tomorrows_not_todays() -> None:
    (need,) = demand_of(a_view("lathe-04", 225.0, 8.0, (40.0, 20.0))).sumps
    today = 0.99 * 400.0 - 225.0
    assert need.volume_l > today + 5.0
    assert need.volume_p90_l > need.volume_l


def test_totals_add_up_and_are_kept_a_mix() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0), a_view("mill-02", 215.0, 9.5), a_view("saw-01", 210.0, 6.5))
    totals = demand.totals
    assert totals["volume_l"] == pytest.approx(sum(need.volume_l for need in demand.sumps))
    assert totals["volume_p90_l"] == pytest.approx(sum(need.volume_p90_l for need in demand.sumps))
    assert totals["concentrate_l"] + totals["water_l"] == pytest.approx(totals["volume_l"], abs=0.01)
    by_mix = [litres for name, litres in totals.items() if name.startswith("mix_")]
    assert len(by_mix) == 3
    assert sum(by_mix) == pytest.approx(totals["volume_l"], abs=0.1)
    assert totals["cannot_wait_l"] == pytest.approx(totals["volume_l"])


def test_every_fluid_has_its_demand_even_an_empty_one() -> None:
    other = a_view("saw-01", 390.0, 8.0, fluid=a_fluid(id="synthetic"))
    views = (a_view("lathe-04", 215.0, 8.0), other)
    demands = make_demand(a_plant(*(view[0] for view in views)), views, MORNING, 1)
    assert set(demands) == {"semi-synthetic", "synthetic"}
    assert demands["synthetic"].sumps == ()
    assert demands["synthetic"].totals["volume_l"] == 0.0


def test_an_unknown_sump_asks_for_nothing() -> None:
    sump, estimate, _ = a_view("lathe-04", 215.0, 8.0)
    unknown = an_estimate(0.0, 0.0, MORNING, known=False)
    assert estimate.known
    assert demand_of((sump, unknown, None)).sumps == ()


def test_without_a_forecast_a_quarter_free_is_a_need() -> None:
    sump, estimate, _ = a_view("lathe-04", 250.0, 8.0)
    (need,) = demand_of((sump, estimate, None)).sumps
    assert need.can_wait


def test_the_last_hour_of_a_window_counts_no_more() -> None:
    assert Windows.of(a_plant(), MONDAY + 21.5 * HOUR).from_s == MONDAY + DAY + 6 * HOUR
    assert Windows.of(a_plant(), MONDAY + 10 * HOUR).from_s == MONDAY + 10 * HOUR


def test_where_somebody_is_always_there_days_stand_in() -> None:
    windows = Windows.of(a_plant(attended=always("UTC")), MORNING)
    assert (windows.to_s, windows.after_next_s) == (MORNING + DAY, MORNING + 2 * DAY)


def test_a_demand_survives_the_record_exactly_and_says_that_it_is_advice() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0))
    assert demand_from_json(demand_to_json(demand)) == demand
    assert "interlocks decide" in demand.as_json()["note"]


@settings(max_examples=150, deadline=None)
@given(st.floats(100.0, 410.0), st.floats(2.0, 20.0), st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.floats(0.0, 168.0))
def test_a_demand_never_exceeds_the_free_volume(
    volume: float, pct: float, evaporation: float, drag_out: float, hour: float
) -> None:
    sump = a_sump()
    now = MONDAY + hour * HOUR
    estimate = an_estimate(volume, pct, now)
    forecast = a_forecast(estimate, sump, evaporation=evaporation, drag_out=drag_out)
    for need in make_demand(a_plant(sump), [(sump, estimate, forecast)], now, 1)["semi-synthetic"].sumps:
        lost = (evaporation + drag_out) * (need.by_s - now) / DAY
        free = sump.full_l - max(volume - lost, 1.0)
        assert 0.0 < need.volume_l <= free + 0.2
        assert need.volume_l <= need.volume_p90_l <= sump.full_l
        assert sump.fluid.leanest_make_up_pct - 0.01 <= need.mix_pct <= sump.fluid.richest_make_up_pct + 0.01
        assert math.isclose(need.concentrate_l, need.volume_l * need.mix_pct / 100, abs_tol=0.001)
        assert need.by_s >= now


def test_each_sump_accepts_mixes_that_land_within_tolerance() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0), a_view("mill-02", 245.0, 8.0))
    for need in demand.sumps:
        assert need.mix_low_pct is not None
        assert need.mix_high_pct is not None
        assert 1.0 <= need.mix_low_pct <= need.mix_pct <= need.mix_high_pct <= 15.0
        assert need.mix_high_pct - need.mix_low_pct > 0.5


def test_the_plan_serves_every_sump_with_fewer_mixes() -> None:
    views = [a_view(f"lathe-{i:02}", 212.0 + 3.0 * i, 7.6 + 0.15 * i) for i in range(8)]
    demand = demand_of(*views)
    assert demand.plan is not None
    assert len(demand.plan.mixes) < len({need.mix_pct for need in demand.sumps})
    served = [portion.sump for mix in demand.plan.mixes for portion in mix.portions]
    assert sorted(served) == sorted(need.sump for need in demand.sumps)
    for mix in demand.plan.mixes:
        for portion in mix.portions:
            need = next(need for need in demand.sumps if need.sump == portion.sump)
            assert (need.mix_low_pct or 0.0) - 0.05 <= mix.mix_pct <= (need.mix_high_pct or 0.0) + 0.05


def test_the_window_after_is_told_too() -> None:
    demand = demand_of(a_view("lathe-04", 215.0, 8.0), a_view("mill-02", 330.0, 7.2), a_view("saw-01", 395.0, 8.0))
    assert demand.later is not None
    assert demand.later.window_from_s == MONDAY + DAY + 6 * HOUR
    assert "lathe-04" not in [need.sump for need in demand.later.sumps]
    thirsty = demand_of(a_view("lathe-04", 215.0, 8.0, (70.0, 40.0)))
    assert thirsty.later is not None
    (again,) = thirsty.later.sumps
    assert again.volume_l > 100.0
    assert again.mix_pct == pytest.approx(8.0 * 6.0 / 18.0, abs=0.01)  # t D / (E + D) at the rates of now


def test_set_aside_fluid_goes_into_the_plan_first_and_never_across_products() -> None:
    views = [a_view("lathe-04", 215.0, 8.0)]
    cans = [
        Container(f"can-{fluid}", fluid, 30.0, 11.0, MONDAY, MONDAY + 10 * DAY, ("mill-02",))
        for fluid in ("semi-synthetic", "synthetic")
    ]
    plant = a_plant(views[0][0])
    demand = make_demand(plant, views, MORNING, 7, Known(tuple(cans)))["semi-synthetic"]
    assert demand.plan is not None
    used = [part.container for mix in demand.plan.mixes for part in mix.set_aside]
    assert used == ["can-semi-synthetic"]


def test_the_json_holds_the_plan_the_window_after_and_the_past() -> None:
    views = [a_view("lathe-04", 215.0, 8.0)]
    known = Known(past={"semi-synthetic": PastPlans(3, 300.0, 250.0, 280.0, 0.1)})
    told = make_demand(a_plant(views[0][0]), views, MORNING, 7, known)["semi-synthetic"].as_json()
    assert told["plan"]["mixes"][0]["sumps"][0]["sump"] == "lathe-04"
    assert told["later"]["totals"]["volume_l"] == 0.0
    assert told["past"] == {"windows": 3, "asked_l": 300.0, "cannot_wait_l": 250.0, "used_l": 280.0, "off_share": 0.1}
