"""The invented plant file with the demo's own ports filled in, and the gauges that it describes."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Final

from config_demo.instruments import Gauge, Instruments
from config_demo.story import NATURES, QUIRKS
from config_demo.world import World
from monitor.plant.types import Plant

SERIAL_SOURCES: Final = {"boiler-house-line": "/dev/ttyUSB0", "annexe-line": "/dev/ttyUSB1"}
_MQTT_PORT: Final = "port = 1883"
_STATUS: Final = 'listen = "127.0.0.1:8480"'
_SPREAD_S: Final = 60.0


def works_text() -> str:
    """Return the plant file as it is shipped."""
    return files("config_demo").joinpath("works.toml").read_text(encoding="utf-8")


def write_works(folder: Path, *, mqtt_port: int, status_port: int) -> Path:
    """Write the plant file into `folder` with these ports; serial lines are links of their source's name there."""
    text = _swap(works_text(), _MQTT_PORT, f"port = {mqtt_port}")
    text = _swap(text, _STATUS, f'listen = "127.0.0.1:{status_port}"')
    for source, device in SERIAL_SOURCES.items():
        text = _swap(text, f'port = "{device}"', f'port = "{line_port(folder, source)}"')
    path = folder / "works.toml"
    path.write_text(text, encoding="utf-8")
    return path


def line_port(folder: Path, source: str) -> Path:
    """Return where a serial line's pseudo-terminal is linked."""
    return folder / source


def gauges_of(plant: Plant) -> tuple[Gauge, ...]:
    """Return the gauges that the plant file names, spread over the minutes of their period."""
    return tuple(
        Gauge(sump.id, spec.signal, spec.source, spec.address, spec.period_s, (_SPREAD_S * place) % spec.period_s)
        for place, sump in enumerate(plant.sumps.values())
        for spec in sump.signals.values()
    )


def world_of(plant: Plant, *, start_s: float, seed: int) -> World:
    """Return the world that belongs to the plant file; machines are on duty when their calendar says so."""
    duty = {name: sump.duty.calendar.covers for name, sump in plant.sumps.items() if sump.duty is not None}
    return World(NATURES, duty, start_s=start_s, zone=plant.zone, seed=seed)


def instruments_of(plant: Plant, world: World) -> Instruments:
    """Return the instruments of the works."""
    return Instruments(
        world=world,
        gauges=gauges_of(plant),
        height_mm={name: sump.tank.level_mm for name, sump in plant.sumps.items()},
        factor={name: sump.fluid.refractometer_factor for name, sump in plant.sumps.items()},
        quirks=QUIRKS,
    )


def _swap(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise ValueError(f"the invented plant file should say {old!r} once, not {text.count(old)} times")
    return text.replace(old, new)
