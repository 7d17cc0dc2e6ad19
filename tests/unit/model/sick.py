"""Help for tests of sick sensors: invented halls with one kind of fault, run through an engine."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from monitor.model.engine import Engine
from monitor.model.types import Event, EventKind
from monitor.plant.file import load_plant
from monitor.record.csv_in import read_entries, read_readings
from tests.benchmarks.events import SENSOR_KINDS, Happening, changes
from tests.benchmarks.recording import DAY_S, HOUR_S, Recording
from tests.worlds.files import write
from tests.worlds.makes import KINDS
from tests.worlds.world import build


@dataclass(frozen=True)
class Ran:
    """An engine at the end of a hall, the hall's sick sensors and what was said of sensors."""

    engine: Engine
    sick: list[Happening]
    said: list[Event]
    sump_months: float

    def delays_h(self) -> list[float]:
        """Return after how many hours each sick sensor was said, infinity where it never was."""
        return [
            min(((e.detected_s - one.from_s) / HOUR_S for e in self.said if of(e, one)), default=float("inf"))
            for one in self.sick
        ]

    def false(self) -> list[Event]:
        """Return what was said of sumps whose sensors were well."""
        return [event for event in self.said if not any(of(event, one) for one in self.sick)]


def of(event: Event, sick: Happening) -> bool:
    """Tell whether an event speaks of a sick sensor's sump in its time, or within a day after it."""
    return event.sump == sick.sump and sick.from_s <= event.detected_s <= sick.to_s + DAY_S


def hall(folder: Path, kind: str, seed: int, faults: tuple[str, ...] = (), sumps: int = 10, days: int = 16) -> Ran:
    """Build a hall (with `faults` instead of the kind's own), write it into a folder and run it through an engine."""
    made = KINDS[kind] if not faults else replace(KINDS[kind], events=faults)
    write(build(made, seed, sumps, days), folder)
    recording = Recording(folder)
    plant = load_plant(recording.plant_file)
    engine = Engine(plant)
    rejects: list[object] = []
    readings = list(read_readings(recording.readings_file, plant, rejects.append))
    engine.add_readings(readings)
    engine.add_entries(list(read_entries(recording.entries_file, plant, rejects.append)))
    engine.advance(readings[-1].time_s)
    assert not rejects
    said = [event for event in engine.events() if event.kind is EventKind.DOUBTFUL_SIGNAL]
    return Ran(engine, changes(recording, SENSOR_KINDS), said, sumps * days / 30.0)
