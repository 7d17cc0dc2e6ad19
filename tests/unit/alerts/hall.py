"""An invented sump, its plant and what is believed of it: the parts the tests of this folder are built from."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from monitor.model.types import Estimate, Forecast, Path, Side
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
from monitor.plant.quantity import L_PER_US_GAL, UNITS
from monitor.plant.reading import Signal
from monitor.plant.tank import PerHeight
from monitor.plant.types import Fluid, Plant, SignalSpec, Sump, UnitSystem, Water

MONDAY = 1930262400.0  # 2031-03-03T00:00:00+00:00, a Monday
HOUR = 3600.0
DAY = 24 * HOUR
WEEKDAYS = (0, 1, 2, 3, 4)
TWO_SHIFT = WeeklyCalendar("Europe/Lisbon", (WeeklySpan(WEEKDAYS, 360, 1320),))
DEIONISED, MAINS = Water("deionised", 5.0), Water("mains", 180.0)


def a_fluid(**changes: Any) -> Fluid:
    fluid = Fluid("semi-synthetic", 1.5, (6.0, 10.0), 8.0, 1.0, 15.0, 400.0)
    return replace(fluid, **changes)


def a_sump(**changes: Any) -> Sump:
    signals = {
        signal: SignalSpec(signal, "hall-mqtt", f"hall-1/lathe-04/{signal.value}", UNITS[unit], 300.0)
        for signal, unit in ((Signal.LEVEL, "mm"), (Signal.REFRACTOMETER, "degBx"))
    }
    sump = Sump("lathe-04", a_fluid(), "hall-1", 400.0, 200.0, PerHeight(1.25), 16.0, None, DEIONISED, 1.25, signals)
    return replace(sump, **changes)


def a_plant(*sumps: Sump, units: UnitSystem = "metric", **changes: Any) -> Plant:
    sumps = sumps or (a_sump(),)
    plant = Plant(
        file=FilePath("plant.toml"),
        name="Ferry Lane works",
        id="ferry-lane",
        zone="Europe/Lisbon",
        units=units,
        database=FilePath("bandkeeper.db"),
        attended=TWO_SHIFT,
        bucket_l=5 * L_PER_US_GAL if units == "us" else 20.0,
        fluids={sump.fluid.id: sump.fluid for sump in sumps},
        waters={"deionised": DEIONISED, "mains": MAINS},
        duties={},
        sumps={sump.id: sump for sump in sumps},
        sources={},
        publish_source=None,
        status=None,
    )
    return replace(plant, **changes)


def an_estimate(volume_l: float, pct: float, now_s: float = MONDAY + 18 * HOUR, **changes: Any) -> Estimate:
    estimate = Estimate(
        sump="lathe-04",
        time_s=now_s,
        known=True,
        volume_l=volume_l,
        volume_sd_l=2.0,
        concentration_pct=pct,
        concentration_sd_pct=0.1,
        correlation=-0.2,
        evaporation_l_per_day=12.0,
        evaporation_sd_l_per_day=1.0,
        drag_out_l_per_day=6.0,
        drag_out_sd_l_per_day=1.0,
        evaporation_idle_l_per_h=0.2,
        evaporation_running_l_per_h=0.7,
        drag_out_running_l_per_h=0.4,
        refractometer_bias_degbx=0.0,
        refractometer_bias_sd_degbx=0.1,
        hold_up_l=16.0,
        hold_up_sd_l=2.0,
        running=True,
        last_heard_s={Signal.LEVEL: now_s - 60.0, Signal.REFRACTOMETER: now_s - 60.0},
        silent=(),
        doubtful=(),
    )
    return replace(estimate, **changes)


def a_forecast(
    estimate: Estimate, sump: Sump | None = None, *, evaporation: float = 12.0, drag_out: float = 6.0
) -> Forecast:
    """Forecast at steady losses (litres a day): the exact course of the balance, with a spread that grows with time."""
    sump = sump or a_sump()
    hours = tuple(float(hour) for hour in range(0, 241, 2))
    loss = evaporation + drag_out
    volumes = [max(estimate.volume_l - loss * hour / 24.0, 1.0) for hour in hours]
    strengths = [
        estimate.concentration_pct * (estimate.volume_l / volume) ** (evaporation / loss if loss else 0.0)
        for volume in volumes
    ]
    exit_h, side = _exit(sump, hours, volumes, strengths)
    dots = tuple(min(exit_h * (0.7 + 0.6 * (i + 0.5) / 20), 240.0) for i in range(20))
    spread = [0.0005 * hour * pct for hour, pct in zip(hours, strengths, strict=True)]
    sd = estimate.concentration_sd_pct
    bounds = [1.2816 * math.hypot(sd, s) for s in spread]
    path = Path.of(
        hours,
        tuple(v * 0.98 for v in volumes),
        tuple(volumes),
        tuple(v * 1.02 for v in volumes),
        tuple(c - b for c, b in zip(strengths, bounds, strict=True)),
        tuple(strengths),
        tuple(c + b for c, b in zip(strengths, bounds, strict=True)),
    )
    return Forecast(estimate.sump, estimate.time_s, 240.0, dots[2], exit_h, dots[17], side, {side: 1.0}, dots, path)


def _exit(sump: Sump, hours: tuple[float, ...], volumes: list[float], strengths: list[float]) -> tuple[float, Side]:
    low, high = sump.fluid.band_pct
    for hour, volume, pct in zip(hours, volumes, strengths, strict=True):
        if pct > high:
            return hour, Side.RICH
        if pct < low:
            return hour, Side.LEAN
        if volume < sump.lowest_l:
            return hour, Side.LOW
    return 240.0, Side.NONE
