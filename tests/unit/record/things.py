"""Values to put on record."""

from __future__ import annotations

from dataclasses import replace

from alerts.types import (
    Alert,
    AlertKind,
    AlertState,
    Landing,
    Priority,
    Recipe,
    RecipeKind,
    Step,
    Transition,
)
from monitor.model.types import Estimate, Event, EventKind, Forecast, Path, Side
from monitor.plant.reading import Entry, EntryKind, Reading, Signal

T0 = 1_930_339_800.0


def reading(minute: float, value: float = 250.0, signal: Signal = Signal.LEVEL, sump: str = "lathe-04") -> Reading:
    """Return a reading some minutes after T0 that arrived half a second later."""
    time_s = T0 + 60.0 * minute
    return Reading(sump, signal, value, time_s, time_s + 0.5)


def entry(number: int, minute: float = 0.0) -> Entry:
    """Return a top-up with an id of its own, logged an hour later."""
    time_s = T0 + 60.0 * minute
    return Entry(f"e-{number}", "lathe-04", EntryKind.TOP_UP, time_s, time_s + 3600.0, 60.0, 4.5, None, "", "night")


def estimate(minute: float, volume_l: float = 320.0, sump: str = "lathe-04") -> Estimate:
    """Return an estimate some minutes after T0."""
    return Estimate(
        sump=sump,
        time_s=T0 + 60.0 * minute,
        known=True,
        volume_l=volume_l,
        volume_sd_l=3.0,
        concentration_pct=8.1,
        concentration_sd_pct=0.2,
        correlation=0.0,
        evaporation_l_per_day=20.0,
        evaporation_sd_l_per_day=2.0,
        drag_out_l_per_day=5.0,
        drag_out_sd_l_per_day=1.0,
        evaporation_idle_l_per_h=0.2,
        evaporation_running_l_per_h=1.1,
        drag_out_running_l_per_h=0.3,
        refractometer_bias_degbx=0.0,
        refractometer_bias_sd_degbx=0.1,
        hold_up_l=16.0,
        hold_up_sd_l=2.0,
        running=None,
        last_heard_s={},
        silent=(),
        doubtful=(),
    )


def forecast(minute: float, exit_h: float = 30.0) -> Forecast:
    """Return a forecast made some minutes after T0."""
    dots = tuple(exit_h + number / 3 for number in range(20))
    course = Path.of((0.0,), (1.0,), (2.0,), (3.0,), (4.0,), (5.0,), (6.0,))
    shares = {Side.RICH: 0.75, Side.NONE: 0.25}
    return Forecast(
        "lathe-04", T0 + 60 * minute, 240.0, exit_h, exit_h + 3, exit_h + 6, Side.RICH, shares, dots, course
    )


def event(number: int, volume_l: float = 40.0) -> Event:
    """Return an unlogged top-up with an id of its own."""
    kind = EventKind.UNLOGGED_TOP_UP
    return Event(f"v-{number}", "lathe-04", kind, T0 + number, T0 + number + 600, volume_l, 4.0, 0.9, "level and Brix")


def recipe() -> Recipe:
    """Return a recipe with another one instead."""
    steps = (
        Step("take_out", volume_l=95.0, until_level_mm=172.0),
        Step("add", volume_l=165.0, mix_pct=1.0),
        Step("look"),
    )
    lands = Landing(380.2, 7.85, 7.6, 8.1, 0.99)
    kind = RecipeKind.TAKE_OUT_AND_REFILL
    made = Recipe(
        "lathe-04", kind, T0, T0 + 60, 310.2, 13.1, steps, lands, 1.65, 163.35, 0.0, 95.0, "rich", ("gloves",)
    )
    return replace(made, instead=replace(made, kind=RecipeKind.CHECK_FIRST, steps=()))


def alert(number: int, *, cleared_s: float | None = None) -> Alert:
    """Return an alert that carries a recipe."""
    return Alert(
        f"a-{number}",
        "lathe-04",
        AlertKind.LEAVES_BAND_UNATTENDED,
        AlertState.UNACKNOWLEDGED,
        Priority.HIGH,
        T0 + number,
        T0 + number,
        "lathe-04 gets too rich at about 03:00",
        Side.RICH,
        exit_p50_h=5.5,
        cleared_s=cleared_s,
        recipe=recipe(),
    )


def transition(number: int, of: Alert, after: AlertState = AlertState.UNACKNOWLEDGED) -> Transition:
    """Return a change of an alert's state."""
    moved = replace(of, state=after)
    return Transition(f"t-{number}", of.id, T0 + number, of.state, after, "will leave the band", moved)
