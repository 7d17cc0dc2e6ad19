"""Put a hall together: the same kind, seed and size always give the same folder, byte for byte."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.worlds import scripts, sensors, weather
from tests.worlds.calendar import STEP_MIN, STEPS_A_DAY, WORKDAYS, Bools, Floats, Grid
from tests.worlds.course import Course, Flows, run
from tests.worlds.makes import Kind
from tests.worlds.people import Crew, LogLine
from tests.worlds.scripts import Change
from tests.worlds.sensors import Arrivals
from tests.worlds.sumps import Sumps, draw, jobs, runs

DRUM_EMPTY_PCT: Final = 0.1
PROPORTIONER_PCT: Final = (3.2, 5.0)
PROPORTIONER_SD: Final = 0.12
PARTS: Final = (
    "sumps",
    "plans",
    "running",
    "weather",
    "jobs",
    "leaks",
    "valves",
    "people",
    "gauges",
    "faults",
    "checks",
)


@dataclass(frozen=True)
class World:
    """A finished hall."""

    kind: Kind
    grid: Grid
    sumps: Sumps
    course: Course
    crew: Crew
    checks: list[LogLine]
    changes: list[Change]
    arrivals: Arrivals


def build(kind: Kind, seed: int, count: int, days: int) -> World:
    """Build a hall of `count` sumps recorded over `days`."""
    grid = Grid(days, kind.zone)
    streams = np.random.SeedSequence([seed, *kind.name.encode()]).spawn(len(PARTS))
    rng = {name: np.random.default_rng(stream) for name, stream in zip(PARTS, streams, strict=True)}
    sumps = draw(kind, count, rng["sumps"])
    expected, changes = scripts.expected_hours(kind, grid, sumps, rng["plans"])
    running = runs(grid, expected, sumps, kind.machines.run_min, rng["running"])
    coolant, flows, more = _flows(kind, grid, sumps, running, rng)
    crew = Crew(kind, grid, sumps, rng["people"])
    course = run(grid, sumps, flows, crew, _start(sumps, rng["sumps"]))
    arrivals, faults = _readings(kind, grid, sumps, course, running, coolant, rng)
    checks = _checks(kind, grid, sumps, course, rng["checks"])
    return World(kind, grid, sumps, course, crew, checks, changes + more + faults, arrivals)


def _start(sumps: Sumps, rng: np.random.Generator) -> tuple[Floats, Floats]:
    filled = rng.uniform(0.78, 0.97, len(sumps))
    strength = sumps.target_pct + rng.uniform(-0.5, 0.6, len(sumps)) * (sumps.high_pct - sumps.target_pct)
    return filled * sumps.full_l, strength


def _flows(
    kind: Kind, grid: Grid, sumps: Sumps, running: Bools, rng: dict[str, np.random.Generator]
) -> tuple[Floats | None, Flows, list[Change]]:
    coolant: Floats | None = None
    if kind.sites:
        coolant, relative = weather.vapour(grid, running, kind.sites, rng["weather"])
        evaporation = sumps.idle * relative
    else:
        factor = weather.factor(grid, kind.losses, rng["weather"])
        evaporation = sumps.idle * np.where(running, sumps.running_ratio, 1.0) * factor[:, None]
    drag_out = np.where(running, sumps.drag_out, 0.0) * jobs(grid, sumps, kind.losses.job_memory, rng["jobs"])
    changes = scripts.change_jobs(kind, sumps, evaporation, drag_out, rng["plans"])
    leak, leaking = scripts.leaks(kind, grid, sumps, rng["leaks"])
    mix, valves = _valve_mix(grid, sumps, rng["valves"])
    return coolant, Flows(running, evaporation, drag_out, leak, mix), changes + leaking + valves


def _valve_mix(grid: Grid, sumps: Sumps, rng: np.random.Generator) -> tuple[Floats, list[Change]]:
    """Return what float valves let in (percent): mains water, or a proportioner that drifts and runs its drum empty."""
    mix = np.zeros((grid.steps, len(sumps)))
    changes = []
    for i in np.flatnonzero(sumps.valve > 0):
        name, proportioner = sumps.ids[i], sumps.valve[i] == 2
        kind = "valve_proportioner" if proportioner else "valve_mains"
        changes.append(Change(name, kind, 0, None, f"set {sumps.valve_set_l[i] / sumps.full_l[i]:.3f} of full"))
        if proportioner:
            walk = np.cumsum(rng.normal(size=grid.steps) * PROPORTIONER_SD / np.sqrt(STEPS_A_DAY))
            mix[:, i] = np.clip(rng.uniform(*PROPORTIONER_PCT) + walk, 1.0, 8.0)
            if rng.random() < 0.25:
                start = int(rng.integers(6, 18)) * STEPS_A_DAY
                end = start + int(rng.integers(2 * STEPS_A_DAY, 5 * STEPS_A_DAY))
                mix[start:end, i] = DRUM_EMPTY_PCT
                changes.append(Change(name, "drum_empty", start, end))
    return mix, changes


def _readings(
    kind: Kind,
    grid: Grid,
    sumps: Sumps,
    course: Course,
    running: Bools,
    coolant: Floats | None,
    rng: dict[str, np.random.Generator],
) -> tuple[Arrivals, list[Change]]:
    shown = sensors.ideal(grid, sumps, course, running)
    shown["refractometer"] += sensors.drifts(grid, kind.sensors, len(sumps), rng["gauges"])
    faults = scripts.sick_sensors(kind, sumps, shown, rng["faults"])
    stuck = {name: scripts.stuck(name, faults, grid, sumps) for name in shown}
    rough = {name: scripts.rough(name, faults, grid, sumps) for name in shown}
    recorded = running[: grid.recorded]
    samples = sensors.gauge(kind, grid, sumps, shown, recorded, stuck, rough, rng["gauges"])
    if kind.running_signal:
        samples.append(sensors.running_signal(grid, scripts.told_running(recorded, faults, sumps)))
    if coolant is not None:
        samples.append(sensors.temperature_signal(grid, coolant, kind.measured_every, rng["gauges"]))
    return sensors.in_order(samples, rng["gauges"], gateway=kind.gateway), faults


def _checks(kind: Kind, grid: Grid, sumps: Sumps, course: Course, rng: np.random.Generator) -> list[LogLine]:
    """Return a check a sump and week, on its own weekday in the morning."""
    morning = np.flatnonzero(grid.at_clock(("09:30",))[: grid.recorded])
    weekday = rng.integers(0, len(WORKDAYS), len(sumps))
    lines = []
    for step in morning:
        for i in np.flatnonzero(weekday == grid.local_day[step] % 7):
            true = 100 * course.concentrate[step, i] / course.volume[step, i]
            said = true + kind.sensors.check_sd * rng.normal()
            at = grid.start_s + step * STEP_MIN * 60.0 + 120.0
            lines.append(LogLine(at, sumps.ids[i], "check", value=f"{said:.2f}", unit="%"))
    return lines
