"""What the science costs in CPU time: a step of the estimator, all forecasts, and how both grow with the plant.

Beside the step runs the plain NumPy step of a filter of the same size: the covariances of all sumps through F P F' + Q
by matrix products, then two scalars one after the other with dense gradients. It knows nothing of jumps, leaks,
valves, noise to be learnt or accounts; ours does all of that in the same time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

import numpy as np

from monitor.model.engine import Engine
from monitor.model.foresight import Foresight
from monitor.model.layout import BIAS, HOLD_UP, STRENGTH, VOLUME, WIDTH, Floats
from monitor.model.state import State
from monitor.model.step import step
from monitor.pipeline import Pipeline
from tests.benchmarks.pipeline import START_S, minute, works

SIZES: Final = (100, 1_000, 10_000)
WARM_H: Final = 2
BINS: Final = 4
LEAST_S: Final = 1.5
ROUNDS: Final = 3
GROWTH_H: Final = 2
EVERY_MIN: Final = 5


def heard(sumps: int, hours: int = WARM_H) -> Engine:
    """Return an engine that heard a plant for some hours: three signals, each every five minutes."""
    shop, dice = works(sumps), np.random.default_rng(1)
    engine = Engine(shop)
    for number in range(0, 60 * hours, EVERY_MIN):
        for signal in range(3):
            engine.add_readings(minute(shop, number - number % 3 + signal, dice))
    engine.advance(START_S + 3600.0 * hours)
    return engine


def our_step(engine: Engine) -> Callable[[], object]:
    """Return one step over each of the last bins, from the state as it is."""
    k, state = engine.next_bin or 0, engine.at(0.0).copy()
    bins = [(engine._gatherer.bin(k - back), engine.clock.moment(k - back)) for back in range(BINS, 0, -1)]
    nothing = np.full(len(engine.fixed.ids), np.nan)

    def all_bins() -> None:
        for seen, moment in bins:
            step(state, engine.fixed, seen, moment, nothing)

    return all_bins


def plain_step(state: State, factor: Floats) -> Callable[[], object]:
    """Return the same number of plain steps on the same covariances."""
    n = len(factor)
    mean, cov = state.mean.copy(), state.cov.copy()
    carry = np.tile(np.eye(WIDTH), (n, 1, 1))
    carry[:, VOLUME, STRENGTH + 1 : BIAS] = -0.01
    carry[:, STRENGTH, STRENGTH + 1 : BIAS] = 0.001
    noise = np.eye(WIDTH) * 1e-6
    level, brix = np.zeros((n, WIDTH)), np.zeros((n, WIDTH))
    level[:, VOLUME], level[:, HOLD_UP] = 1.0, -0.5
    brix[:, STRENGTH], brix[:, BIAS] = 1.0 / factor, 1.0
    seen = {"level": (level, (level * mean).sum(axis=1), 2.0), "brix": (brix, (brix * mean).sum(axis=1), 0.01)}

    def all_bins() -> None:
        nonlocal mean, cov
        for _ in range(BINS):
            mean = (carry @ mean[:, :, None])[:, :, 0]
            cov = carry @ cov @ carry.transpose(0, 2, 1) + noise
            for rows, value, var in seen.values():
                along = (cov @ rows[:, :, None])[:, :, 0]
                gain = along / ((rows * along).sum(axis=1) + var)[:, None]
                mean = mean + gain * (value - (rows * mean).sum(axis=1))[:, None]
                cov = cov - gain[:, :, None] * along[:, None, :]

    return all_bins


def cpu_s(*works: Callable[[], object], least_s: float = LEAST_S) -> list[float]:
    """Return CPU seconds a call of each, taken in turns so that all meet the same machine; the least of some rounds."""
    for work in works:
        work()
    found = [float("inf")] * len(works)
    for _ in range(ROUNDS):
        for i, work in enumerate(works):
            calls, began = 0, time.process_time()
            while (spent := time.process_time() - began) < least_s / ROUNDS:
                work()
                calls += 1
            found[i] = min(found[i], spent / calls)
    return found


def of_size(sumps: int) -> dict[str, float]:
    """Measure a plant of so many sumps."""
    engine = heard(sumps)
    state = engine.at(0.0)
    ours, plain = (spent / BINS for spent in cpu_s(our_step(engine), plain_step(state, engine.fixed.factor)))
    now_s, foresight = START_S + 3600.0 * WARM_H, Foresight(engine)
    (ahead,) = cpu_s(lambda: foresight.seen_from(state, now_s))
    return {"step_ms": 1e3 * ours, "plain_step_ms": 1e3 * plain, "ratio": ours / plain, "all_forecasts_s": ahead}


def an_hour(sumps: int) -> float:
    """Return the CPU seconds that an hour of the whole pipeline costs, the first one left out."""
    shop, dice = works(sumps), np.random.default_rng(1)
    pipeline, spent = Pipeline(shop), 0.0
    for number in range(60 * GROWTH_H):
        readings = minute(shop, number, dice)
        began = time.process_time()
        pipeline.take(readings)
        for _ in pipeline.run_until(START_S + 60.0 * (number + 1)):
            pass
        spent += time.process_time() - began if number >= 60 else 0.0
    return spent / (GROWTH_H - 1)


def measure(sizes: tuple[int, ...] = SIZES) -> dict[str, float]:
    """Return all figures by name and size; growth is the CPU a sump against the smallest plant's."""
    found: dict[str, float] = {}
    for sumps in sizes:
        found |= {f"{name}_{sumps}": figure for name, figure in of_size(sumps).items()}
    hours = {sumps: an_hour(sumps) for sumps in sizes}
    for sumps, spent in hours.items():
        found[f"pipeline_hour_s_{sumps}"] = spent
        found[f"growth_{sumps}"] = (spent / sumps) / (hours[sizes[0]] / sizes[0])
    return found


def main(arguments: list[str]) -> int:
    """Print the figures; arguments: numbers of sumps (100 1000 10000)."""
    for name, figure in measure(tuple(map(int, arguments)) or SIZES).items():
        print(f"{name:32} {figure:12.4f}")
    return 0
