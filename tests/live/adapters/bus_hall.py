"""Halls behind a Modbus bus: signals by unit, and inlets for them."""

from __future__ import annotations

from collections.abc import Callable

from adapters.modbus import ModbusInlet
from monitor.plant.quantity import parse_unit
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, SignalSpec
from tests.fixtures.bus import Bus, Unit
from tests.fixtures.plants import plant, source, sump
from tests.live.adapters.sink import Sink

FLOAT = [0x47F1, 0x2000]
LEVEL, BRIX, WARMTH, RUNNING, PH = (
    Signal.LEVEL,
    Signal.REFRACTOMETER,
    Signal.COOLANT_TEMPERATURE,
    Signal.RUNNING,
    Signal.PH,
)
Signals = dict[str, list[SignalSpec]]
MakeBusInlet = Callable[..., ModbusInlet]
Way = Callable[[dict[int, Unit]], Bus]


def spec(kind: Signal, address: str, unit: str, period_s: float = 0.05, **more: object) -> SignalSpec:
    return SignalSpec(kind, "bus", address, parse_unit(unit), period_s, **more)  # type: ignore[arg-type]


def hall(units: range, period_s: float = 0.05) -> Signals:
    """Give a sump a unit, with a level and a strength side by side."""
    return {
        f"m-{unit}": [
            spec(LEVEL, f"{unit}/0/uint16", "mm", period_s),
            spec(BRIX, f"{unit}/1/uint16", "degBx", period_s, scale=0.1),
        ]
        for unit in units
    }


def works(bus: Bus, signals: Signals, **options: object) -> Plant:
    where = {"port": str(bus.path)} if bus.path is not None else {"host": "127.0.0.1", "tcp_port": bus.port}
    settings = {"baud": 115_200, "timeout": 0.2, **where, **options}
    return plant(
        [source("bus", "modbus", "register", settings)], *(sump(name, *some) for name, some in signals.items())
    )


def latest(sink: Sink) -> dict[tuple[str, Signal], float | None]:
    return {(reading.sump, reading.signal): reading.value for reading in sink.readings}
