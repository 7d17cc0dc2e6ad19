"""Gauges tell the truth with noise, and the same noise for the same seed whatever else happens."""

from __future__ import annotations

from statistics import fmean

import pytest

from config_demo.instruments import Gauge, Instruments, Quirks
from config_demo.story import START_S
from config_demo.world import Nature, World
from monitor.plant.reading import Signal


def make(*, quirks: Quirks | None = None, on_duty: bool = False, seed: int = 4) -> Instruments:
    nature = Nature("x", 400.0, 320.0, 9.0, 0.0, 0.0, 0.0, 16.0, 0.999999)
    world = World({"x": nature}, {"x": lambda _: on_duty}, start_s=START_S, zone="UTC", seed=seed)
    signals = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
    gauges = tuple(Gauge("x", signal, "s", signal.value, 300.0, 0.0) for signal in signals)
    return Instruments(world, gauges, {"x": lambda litres: litres / 1.25}, {"x": 1.5}, {"x": quirks or Quirks()})


def run(instruments: Instruments, minutes: int) -> dict[Signal, list[float]]:
    said: dict[Signal, list[float]] = {}
    for _ in range(minutes):
        instruments.world.step()
        for one in instruments.read():
            said.setdefault(one.gauge.signal, []).append(one.value)
    return said


def test_at_rest_the_mean_is_the_truth() -> None:
    said = run(make(quirks=Quirks(drift_brix_per_day=0.0)), 3000)
    assert len(said[Signal.LEVEL]) == 600
    assert fmean(said[Signal.LEVEL]) == pytest.approx(256.0, abs=0.15)
    assert fmean(said[Signal.REFRACTOMETER]) == pytest.approx(6.0, abs=0.01)
    assert set(said[Signal.RUNNING]) == {0.0}


def test_running_hides_the_hold_up_and_adds_noise_and_chips() -> None:
    said = run(make(quirks=Quirks(chips=0.05), on_duty=True), 3000)
    assert fmean(said[Signal.LEVEL]) == pytest.approx(256.0 - 16.0 / 1.25, abs=0.5)
    assert max(said[Signal.REFRACTOMETER]) > 7.0
    assert set(said[Signal.RUNNING]) == {1.0}


def test_bias_and_drift_are_in_degrees_brix() -> None:
    said = run(make(quirks=Quirks(bias_brix=0.3, drift_brix_per_day=0.1, brix_noise=0.0)), 1440)
    assert said[Signal.REFRACTOMETER][0] == pytest.approx(6.3, abs=0.01)
    assert said[Signal.REFRACTOMETER][-1] == pytest.approx(6.4, abs=0.01)


def test_same_seed_same_noise() -> None:
    assert run(make(), 60) == run(make(), 60)
    assert run(make(), 60) != run(make(seed=5), 60)


def test_a_dead_gateway_says_nothing() -> None:
    instruments = make()
    instruments.dead.add("x")
    assert run(instruments, 60) == {}
