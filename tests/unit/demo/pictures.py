"""Pictures of a plant for tests, made by hand."""

from __future__ import annotations

from typing import Any

from alerts.types import Alert, AlertKind, AlertState, Landing, Priority, Recipe, RecipeKind, Step
from config_demo.story import START_S
from monitor.model.types import Estimate, Event, EventKind, Forecast, Path, Side
from monitor.snapshot import Snapshot, SumpView

NOW_S = START_S + 12 * 3600.0


def estimate(sump: str, **more: Any) -> Estimate:
    values: dict[str, Any] = {
        "sump": sump,
        "time_s": NOW_S,
        "known": True,
        "volume_l": 321.0,
        "volume_sd_l": 1.5,
        "concentration_pct": 9.31,
        "concentration_sd_pct": 0.08,
        "correlation": 0.0,
        "evaporation_l_per_day": 25.2,
        "evaporation_sd_l_per_day": 2.0,
        "drag_out_l_per_day": 6.4,
        "drag_out_sd_l_per_day": 1.5,
        "evaporation_idle_l_per_h": 0.4,
        "evaporation_running_l_per_h": 1.6,
        "drag_out_running_l_per_h": 0.45,
        "refractometer_bias_degbx": 0.0,
        "refractometer_bias_sd_degbx": 0.05,
        "hold_up_l": 16.0,
        "hold_up_sd_l": 1.0,
        "running": True,
        "last_heard_s": {},
        "silent": (),
        "doubtful": (),
    }
    return Estimate(**(values | more))


def forecast(sump: str, p50_h: float = 11.0, side: Side = Side.RICH) -> Forecast:
    dots = tuple(p50_h + 0.1 * dot for dot in range(20))
    empty: tuple[float, ...] = ()
    path = Path.of(empty, empty, empty, empty, empty, empty, empty)
    return Forecast(sump, NOW_S, 240.0, p50_h - 2.0, p50_h, p50_h + 3.0, side, {side: 1.0}, dots, path)


def recipe(sump: str) -> Recipe:
    return Recipe(
        sump=sump,
        kind=RecipeKind.TOP_UP,
        made_s=NOW_S,
        for_s=NOW_S,
        from_volume_l=321.0,
        from_concentration_pct=9.31,
        steps=(Step("add", volume_l=70.0, mix_pct=2.0, water="deionised"), Step("measure")),
        lands=Landing(391.0, 8.0, 7.8, 8.2, 0.99),
        concentrate_l=1.4,
        water_l=68.6,
        waste_l=0.0,
        set_aside_l=0.0,
        why="",
        cautions=(),
    )


def alert(sump: str, kind: AlertKind = AlertKind.LEAVES_BAND_UNATTENDED, **more: Any) -> Alert:
    values: dict[str, Any] = {
        "id": f"{sump}-{kind.value}",
        "sump": sump,
        "kind": kind,
        "state": AlertState.UNACKNOWLEDGED,
        "priority": Priority.MEDIUM,
        "raised_s": NOW_S,
        "updated_s": NOW_S,
        "text": f"{sump} will leave its band tonight.",
        "recipe": recipe(sump),
    }
    return Alert(**(values | more))


def event(sump: str, time_s: float, kind: EventKind = EventKind.UNLOGGED_TOP_UP, **more: Any) -> Event:
    values: dict[str, Any] = {
        "id": f"{sump}-{time_s}",
        "sump": sump,
        "kind": kind,
        "time_s": time_s,
        "detected_s": time_s + 1800.0,
        "volume_l": 44.0,
        "mix_pct": 12.6,
        "confidence": 0.97,
        "detail": "",
    }
    return Event(**(values | more))


def snapshot(*sumps: str, alerts: tuple[Alert, ...] = (), events: tuple[Event, ...] = ()) -> Snapshot:
    views = {name: SumpView(name, estimate(name), forecast(name), recipe(name)) for name in sumps}
    return Snapshot(NOW_S, views, alerts, {}, events)
