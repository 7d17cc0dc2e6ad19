"""What changes in a world mid-way: shift plans, jobs, leaks, sick sensors. Each script tells what it did for the truth.

Scripts never touch what the plant file says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.worlds.calendar import STEPS_A_DAY, Bools, Floats, Grid
from tests.worlds.makes import Kind
from tests.worlds.sumps import Sumps

LEAK_DAY: Final = 12
LEAK_PCT_H: Final = 0.4
HOLIDAY: Final = (14, 21)
OTHER_PLAN: Final = {"two-shift": "single-shift", "single-shift": "two-shift", "lights-out": "two-shift"}


@dataclass(frozen=True)
class Change:
    """Something that began at a step (and ended at another, or not)."""

    sump: str
    kind: str
    start: int
    end: int | None = None
    detail: str = ""


def some(sumps: Sumps, share: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Choose a share of the sumps, at least one."""
    count = max(1, round(share * len(sumps)))
    return np.sort(rng.choice(len(sumps), count, replace=False))


def expected_hours(kind: Kind, grid: Grid, sumps: Sumps, rng: np.random.Generator) -> tuple[Bools, list[Change]]:
    """Return when machines are truly expected to run (steps x sumps), changed plans and holidays included."""
    plans = {name: grid.duty(name) for name in kind.machines.duties}
    plans |= {OTHER_PLAN[name]: grid.duty(OTHER_PLAN[name]) for name in kind.machines.duties}
    expected = np.stack([plans[name] for name in sumps.duty], axis=1)
    changes: list[Change] = []
    if "shift_plan" in kind.events:
        for i in some(sumps, 0.25, rng):
            start = int(rng.integers(1, 3)) * 7 * STEPS_A_DAY
            expected[start:, i] = plans[OTHER_PLAN[sumps.duty[i]]][start:]
            changes.append(Change(sumps.ids[i], "shift_plan", start, None, f"now {OTHER_PLAN[sumps.duty[i]]}"))
    if "holiday" in kind.events:
        away = holiday(grid)
        expected[away] = False
        start, end = (int(edge) for edge in np.flatnonzero(away)[[0, -1]])
        changes += [Change(name, "holiday", start, end + 1) for name in sumps.ids]
    return expected, changes


def holiday(grid: Grid) -> Bools:
    """Return the steps of the holiday week."""
    return np.asarray((grid.local_day >= HOLIDAY[0]) & (grid.local_day < HOLIDAY[1]))


def change_jobs(
    kind: Kind, sumps: Sumps, evaporation: Floats, drag_out: Floats, rng: np.random.Generator
) -> list[Change]:
    """Change the rates of some sumps for good, in place."""
    changes = []
    for i in some(sumps, 0.3, rng) if "job" in kind.events else ():
        start = int(rng.integers(8, 17)) * STEPS_A_DAY
        drags = float(rng.choice([rng.uniform(0.3, 0.55), rng.uniform(1.8, 3.0)]))
        dries = float(rng.uniform(0.65, 1.6))
        drag_out[start:, i] *= drags
        evaporation[start:, i] *= dries
        changes.append(Change(sumps.ids[i], "job", start, None, f"drag-out x {drags:.2f} evaporation x {dries:.2f}"))
    return changes


def leaks(kind: Kind, grid: Grid, sumps: Sumps, rng: np.random.Generator) -> tuple[Floats, list[Change]]:
    """Return what leaks (litres an hour, steps x sumps)."""
    leaking = np.zeros((grid.steps, len(sumps)))
    known = [i for i in kind.leaks if i < len(sumps)]
    changes = [_leak(leaking, sumps, i, "leak", (LEAK_DAY * STEPS_A_DAY, None), LEAK_PCT_H) for i in known]
    for i in some(sumps, 0.1, rng) if "slow_leak" in kind.events else ():
        start = int(rng.integers(9, 14)) * STEPS_A_DAY
        changes.append(_leak(leaking, sumps, int(i), "slow_leak", (start, None), float(rng.uniform(0.08, 0.15))))
    for i in some(sumps, 0.1, rng) if "overflow" in kind.events else ():
        start = int(rng.integers(7 * STEPS_A_DAY, 18 * STEPS_A_DAY))
        end = start + int(rng.integers(6, 13)) * 12
        changes.append(_leak(leaking, sumps, int(i), "overflow", (start, end), float(rng.uniform(1.0, 2.0))))
    return leaking, changes


def _leak(leaking: Floats, sumps: Sumps, i: int, kind: str, span: tuple[int, int | None], percent: float) -> Change:
    leaking[span[0] : span[1], i] += percent / 100 * sumps.full_l[i]
    return Change(sumps.ids[i], kind, *span, f"{percent:.2f} % of full an hour")


def sick_sensors(kind: Kind, sumps: Sumps, signals: dict[str, Floats], rng: np.random.Generator) -> list[Change]:
    """Make some signals (steps x sumps, their own unit) sick, in place: each fault hits sumps of its own.

    A fault named `FAULT@SIGNAL` hits that signal, else the draw decides. What `stuck`, `rough` and `told_running` do
    to noise and running signal is done there.
    """
    order = rng.permutation(len(sumps))
    changes: list[Change] = []
    count = max(2, len(sumps) // 12)
    for event in kind.events:
        fault, _, chosen = event.partition("@")
        if fault not in _FAULTS:
            continue
        name = chosen or str(rng.choice(["level", "refractometer"]))
        hit = [int(i) for i in order if name == "running" or sumps.has[name][i]][:count]
        order = order[~np.isin(order, hit)]
        steps = len(signals["level"])
        start = int(rng.integers(round(0.3 * steps), round(0.6 * steps)))
        changes += _FAULTS[fault](sumps, signals, name, hit, start, rng)
    return changes


def stuck(name: str, faults: list[Change], grid: Grid, sumps: Sumps) -> Bools:
    """Return where a signal is stuck (recorded steps x sumps)."""
    mask = np.zeros((grid.recorded, len(sumps)), bool)
    for fault in faults:
        if fault.kind == "stuck" and fault.detail == name:
            mask[fault.start : fault.end, sumps.ids.index(fault.sump)] = True
    return mask


def rough(name: str, faults: list[Change], grid: Grid, sumps: Sumps) -> Floats:
    """Return by how much a signal's noise is multiplied (recorded steps x sumps)."""
    times = np.ones((grid.recorded, len(sumps)))
    for fault in faults:
        if fault.kind == "noisy" and fault.detail.split()[0] == name:
            times[fault.start : fault.end, sumps.ids.index(fault.sump)] = float(fault.detail.split()[-1])
    return times


def told_running(running: Bools, faults: list[Change], sumps: Sumps) -> Bools:
    """Return what the running signals say (recorded steps x sumps)."""
    told = running.copy()
    for fault in faults:
        if fault.kind == "running_stuck":
            told[fault.start : fault.end, sumps.ids.index(fault.sump)] = fault.detail == "running 1"
    return told


def _stick(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    changes = []
    for i in hit:
        begin = start + int(rng.integers(0, len(signals[name]) // 12))
        end = begin + int(rng.integers(2, 8)) * STEPS_A_DAY
        signals[name][begin:end, i] = signals[name][begin - 1, i]
        changes.append(Change(sumps.ids[i], "stuck", begin, end, name))
    return changes


def _drift(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    changes = []
    for i in hit:
        slope = float(rng.choice([-1, 1]) * rng.uniform(0.25, 0.6))
        if name == "level":
            slope *= 20.0
        days = np.arange(len(signals[name]) - start) / STEPS_A_DAY
        signals[name][start:, i] += slope * days
        changes.append(Change(sumps.ids[i], "drift", start, None, f"{name} {slope:+.2f} a day"))
    return changes


def _swap(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    changes = []
    for i, k in zip(hit[::2], hit[1::2], strict=False):
        begin = start + int(rng.integers(0, len(signals[name]) // 8))
        signals[name][begin:, [i, k]] = signals[name][begin:, [k, i]]
        changes += [Change(sumps.ids[j], "swapped", begin, None, name) for j in (i, k)]
    return changes


def _stick_noisily(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    """Stick as `_stick` does, under the signal's ordinary noise."""
    return [replace(change, kind="stuck_noisy") for change in _stick(sumps, signals, name, hit, start, rng)]


def _roughen(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    return [
        Change(sumps.ids[i], "noisy", start, start + int(rng.integers(2, 8)) * STEPS_A_DAY, f"{name} x {times:.1f}")
        for i, times in zip(hit, rng.uniform(4.0, 9.0, len(hit)), strict=True)
    ]


def _swap_both(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    """Exchange level and refractometer of two sumps at the same moment."""
    changes = []
    for i, k in zip(hit[::2], hit[1::2], strict=False):
        for signal in ("level", "refractometer"):
            signals[signal][start:, [i, k]] = signals[signal][start:, [k, i]]
        changes += [Change(sumps.ids[j], "swapped_both", start, None, "level and refractometer") for j in (i, k)]
    return changes


def _scale(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    """Multiply a signal as a technician does who sets another scale or another fluid's factor."""
    changes = []
    for i in hit:
        times = float(rng.choice([rng.uniform(0.6, 0.85), rng.uniform(1.15, 1.5)]))
        signals[name][start:, i] *= times
        changes.append(Change(sumps.ids[i], "scaled", start, None, f"{name} x {times:.2f}"))
    return changes


def _stick_running(
    sumps: Sumps, signals: dict[str, Floats], name: str, hit: list[int], start: int, rng: np.random.Generator
) -> list[Change]:
    spans = [(start + int(rng.integers(0, STEPS_A_DAY)), int(rng.integers(3, 8)) * STEPS_A_DAY) for _ in hit]
    return [
        Change(sumps.ids[i], "running_stuck", begin, begin + days, f"running {n % 2}")
        for n, (i, (begin, days)) in enumerate(zip(hit, spans, strict=True))
    ]


_FAULTS = {
    "stuck": _stick,
    "drift": _drift,
    "swapped": _swap,
    "stuck_noisy": _stick_noisily,
    "noisy": _roughen,
    "swapped_both": _swap_both,
    "scaled": _scale,
    "running_stuck": _stick_running,
}
