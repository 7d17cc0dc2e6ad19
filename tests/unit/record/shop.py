"""An invented shop for the record's tests: two sumps, metric and US units, loaded from a real plant file."""

from __future__ import annotations

from pathlib import Path

from monitor.plant.file import load_plant
from monitor.plant.types import Plant
from tests.fixtures import plant_text as toml

TEXT = (
    toml.head("Ferry Lane works", 'units = "metric"', zone="Europe/Lisbon")
    + toml.WEEK
    + toml.FLUID
    + toml.broker("port = 1883", 'payload = "json"')
    + toml.sump(
        "lathe-04",
        toml.signal("level", "lathe-04/level", "mm"),
        toml.signal("refractometer", "lathe-04/brix", "degBx"),
        toml.signal("running", "lathe-04/running", "1"),
    )
    + toml.sump(
        "mill-07",
        toml.signal("level", "mill-07/level", "in"),
        toml.signal("coolant_temperature", "mill-07/temperature", "degF"),
        full="105 US gal",
        lowest="50 US gal",
        per_height="8.4 US gal/in",
    )
)


def make_plant(folder: Path) -> Plant:
    """Write the shop's plant file into `folder` and load it."""
    path = folder / "plant.toml"
    path.write_text(TEXT, encoding="utf-8")
    return load_plant(path)
