"""An invented shop with physics of its own: readings and entries as they would come, for tests of the whole way.

Volumes fall by evaporation and drag-out, the gauge and the refractometer add noise and, while the machine runs, the
hold-up. Everything hangs on the seed alone.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace
from pathlib import Path

from monitor.plant.file import check_text
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.plant.types import Plant
from tests.fixtures import plant_text as toml

DAY_S = 86_400.0
BEGIN_S = 1_930_262_400.0  # Mon 2031-03-03 00:00 UTC

DUTY = """[duty.two-shift]
expected = 0.8
[[duty.two-shift.spans]]
days = ["mon", "tue", "wed", "thu", "fri"]
from = "06:00"
to = "22:00"
"""
HEAD = toml.head("Tidewater fittings") + toml.AT_ONCE + toml.WEEK + toml.FLUID + toml.WATER + DUTY + toml.broker()
UNITS = {Signal.LEVEL: "mm", Signal.REFRACTOMETER: "degBx", Signal.RUNNING: "1", Signal.COOLANT_TEMPERATURE: "degC"}
ALL = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
WARM = (*ALL, Signal.COOLANT_TEMPERATURE)


@dataclass
class Machine:
    """A sump and what happens to it. Rates are litres an hour; `acts` are (hour, litres, mix %)."""

    name: str
    full_l: float = 400.0
    volume_l: float = 360.0
    concentration_pct: float = 8.0
    evaporation_l_per_h: float = 1.2
    drag_out_l_per_h: float = 0.6
    hold_up_l: float = 12.0
    signals: tuple[Signal, ...] = ALL
    acts: list[tuple[float, float, float]] = field(default_factory=list)
    leak_from_h: float = 1e9
    leak_l_per_h: float = 0.0

    def text(self) -> str:
        """Give its part of a plant file."""
        keys = [f'hold_up = "{self.hold_up_l:g} L"', 'duty = "two-shift"', toml.MAKE_UP]
        keys += [toml.signal(s.value, f"hall/{self.name}/{s.value}", UNITS[s]) for s in self.signals]
        return toml.sump(self.name, *keys, full=f"{self.full_l:g} L", lowest=f"{0.4 * self.full_l:g} L")

    def runs(self, hour: float) -> bool:
        """Tell whether it runs at an hour since Monday 00:00."""
        return (hour // 24) % 7 < 5 and 6.0 <= hour % 24 < 22.0

    def pass_hours(self, hour: float, hours: float) -> None:
        """Let time pass; act where something is due."""
        running = self.runs(hour)
        lost = self.evaporation_l_per_h * (1.0 if running else 0.4) * hours
        dragged = self.drag_out_l_per_h * running * hours
        dragged += self.leak_l_per_h * hours if hour >= self.leak_from_h else 0.0
        concentrate = self.volume_l * self.concentration_pct - dragged * self.concentration_pct
        volume_l = self.volume_l - lost - dragged
        for _, litres, mix in [act for act in self.acts if hour < act[0] - 1e-6 <= hour + hours]:
            concentrate += litres * (mix if litres > 0 else concentrate / volume_l)
            volume_l += litres
        self.volume_l, self.concentration_pct = volume_l, concentrate / volume_l

    def says(self, hour: float, dice: random.Random) -> dict[Signal, float]:
        """Give what its sensors say now, in canonical units."""
        running = self.runs(hour)
        gauge_l = self.volume_l - (self.hold_up_l if running else 0.0) + dice.gauss(0.0, 2.0 if running else 0.6)
        said = {
            Signal.LEVEL: round(gauge_l / 1.25, 1),
            Signal.REFRACTOMETER: round(self.concentration_pct / 1.5 + dice.gauss(0.0, 0.05), 2),
            Signal.RUNNING: float(running),
            Signal.COOLANT_TEMPERATURE: 20.0 + 2.0 * math.sin((hour - 10.0) * math.pi / 12.0) + 4.0 * running,
        }
        return {signal: said[signal] for signal in self.signals}


def machines() -> list[Machine]:
    """Give four different ones: topped up, leaking, level only, refractometer only."""
    return [
        Machine("lathe-04", acts=[(7.5, 45.0, 3.0), (11.25, 48.0, 2.0)]),
        Machine("mill-07", full_l=250.0, volume_l=210.0, leak_from_h=20.0, leak_l_per_h=3.0, hold_up_l=8.0),
        Machine("saw-01", full_l=150.0, volume_l=130.0, signals=(Signal.LEVEL,), acts=[(15.0, -20.0, 0.0)]),
        Machine("hone-02", volume_l=300.0, concentration_pct=9.4, signals=(Signal.REFRACTOMETER,)),
    ]


def plant_of(shop: list[Machine], head: str = HEAD, tail: str = "") -> Plant:
    """Load the plant file of a shop."""
    plant, faults = check_text(head + "".join(machine.text() for machine in shop) + tail, Path("plant.toml"))
    assert plant is not None, faults
    return plant


def readings_of(
    shop: list[Machine], hours: float, *, seed: int = 1, every_s: float = 300.0, begin_s: float = BEGIN_S
) -> list[Reading]:
    """Run a shop and give its readings in order of time; each arrives two seconds after its time.

    No reading lies on a full quarter of an hour or within two seconds before it.
    """
    dice = random.Random(seed)
    found = []
    for number in range(int(hours * 3600.0 / every_s)):
        for offset, machine in enumerate(shop):
            hour = number * every_s / 3600.0
            machine.pass_hours(hour, every_s / 3600.0)
            time_s = begin_s + (number + 0.5) * every_s + 7.0 * offset
            said = machine.says(hour, dice)
            found += [Reading(machine.name, signal, value, time_s, time_s + 2.0) for signal, value in said.items()]
    return sorted(found, key=lambda reading: reading.time_s)


def entries_for() -> list[Entry]:
    """Give a log book that fits `machines`: one top-up logged at once, one removal, a check."""
    return [
        _entry("e-1", "lathe-04", EntryKind.TOP_UP, 7.6, volume_l=42.0, mix_pct=3.0),
        _entry("e-2", "saw-01", EntryKind.REMOVAL, 15.1, volume_l=20.0),
        _entry("e-3", "lathe-04", EntryKind.CHECK, 13.3, value=8.1, unit="%"),
        _entry("e-4", "hone-02", EntryKind.TOP_UP, 15.2, volume_l=40.0, mix_pct=2.0),
    ]


def _entry(name: str, sump: str, kind: EntryKind, hour: float, **said: float | str) -> Entry:
    time_s = BEGIN_S + 3600.0 * hour
    entry = Entry(name, sump, kind, time_s, time_s)
    return replace(entry, **said)  # type: ignore[arg-type]
