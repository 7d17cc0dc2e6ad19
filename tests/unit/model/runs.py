"""Help for tests of the model: an engine fed from the invented shop."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.model.engine import Engine
from monitor.model.layout import Fixed
from monitor.model.state import State
from monitor.plant.reading import Entry, Reading
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of

HOUR_S = 3600.0


def engine_over(shop: list[Machine], hours: float, entries: Sequence[Entry] = (), seed: int = 1) -> Engine:
    """Run a shop for some hours through an engine."""
    engine = Engine(plant_of(shop))
    readings = readings_of(shop, hours, seed=seed)
    return fed(engine, readings, entries, BEGIN_S + hours * HOUR_S)


def fed(engine: Engine, readings: Sequence[Reading], entries: Sequence[Entry], until_s: float) -> Engine:
    """Give an engine all its input at once and let it pass."""
    engine.add_readings(readings)
    engine.add_entries(entries)
    engine.advance(until_s)
    return engine


def idle_state(count: int = 3) -> tuple[State, Fixed]:
    """Return the first state of some sumps of a plant."""
    fixed = Fixed.of(plant_of([Machine(f"lathe-{i:02d}") for i in range(count)]))
    return State.first(fixed), fixed
