"""The plant as the rest of the house sees it: plain frozen values, all units converted.

Volumes are litres of the whole circuit at rest, heights millimetres, strengths percent by volume of concentrate,
hardness ppm as CaCO3, periods seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Literal

import numpy as np

from monitor.plant.calendar import WeeklyCalendar
from monitor.plant.people import Alerting
from monitor.plant.quantity import Unit
from monitor.plant.reading import Signal
from monitor.plant.tank import Tank

UnitSystem = Literal["metric", "us"]
SourceKind = str
"""A key of the table of kinds in `sources.py`."""
_TELLING = (Signal.LEVEL, Signal.REFRACTOMETER)
_GRID_MM = np.arange(0.0, 4000.0, 5.0)


@dataclass(frozen=True, slots=True)
class Fluid:
    """A fluid product: what a degree Brix means, the band to keep, the mixes that may be made."""

    id: str
    refractometer_factor: float
    band_pct: tuple[float, float]
    target_pct: float
    leanest_make_up_pct: float
    richest_make_up_pct: float
    hardness_limit_ppm: float | None = None
    conductivity_limit_us_cm: float | None = None
    lowest_ph: float = 8.5
    check_every_s: float = 8 * 86400.0
    shelf_life_s: float = 14 * 86400.0


@dataclass(frozen=True, slots=True)
class Water:
    """A water at hand for mixing."""

    id: str
    hardness_ppm: float
    conductivity_us_cm: float | None = None


@dataclass(frozen=True, slots=True)
class Duty:
    """When a machine is expected to run (calendar) and how much of that time (share 0..1)."""

    id: str
    calendar: WeeklyCalendar
    expected: float


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """A transmitter's 4-20 mA loop: the signal's canonical values at its ends.

    `counts` are what the input card says at 4 and at 20 mA; None where it tells milliamperes itself.
    """

    at_4_ma: float
    at_20_ma: float
    counts: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """Where a signal of a sump comes from, in which unit, how often.

    What the device says becomes a value in `unit` by `scale` and `offset` (said * scale + offset), or a canonical
    value by `loop`.
    """

    signal: Signal
    source: str
    address: str
    unit: Unit
    period_s: float
    scale: float = 1.0
    offset: float = 0.0
    loop: CurrentLoop | None = None


@dataclass(frozen=True, slots=True)
class Sump:
    """One machine sump. `full_l` and `lowest_l` are volumes of the whole circuit at rest.

    What was told of it before `since_s` (Unix seconds) was told of another tank or another fluid and counts no longer.
    """

    id: str
    fluid: Fluid
    area: str
    full_l: float
    lowest_l: float
    tank: Tank
    hold_up_l: float | None
    duty: Duty | None
    make_up_water: Water | None
    surface_m2: float | None
    signals: Mapping[Signal, SignalSpec]
    since_s: float = -math.inf

    @property
    def shape(self) -> str:
        """What gives the numbers of its state their meaning, as text; with another one it is another sump."""
        litres = ",".join(f"{volume_l:.2f}" for volume_l in self.tank.volumes_l(_GRID_MM))
        units = " ".join(f"{name} in {self.signals[name].unit.canonical}" for name in _TELLING if name in self.signals)
        tank, fluid = sha256(litres.encode()).hexdigest()[:16], self.fluid
        return f"tank {tank}, {fluid.id} x {fluid.refractometer_factor:g}, {units}"


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """A source of bytes. `options` are the kind's own settings, already checked (see the loader)."""

    id: str
    kind: SourceKind
    payload: str
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StatusSpec:
    """Where the status API listens, and the address at which phones reach it (empty: nowhere but here).

    With certificate and key it speaks https, else http. With `tokens` everybody needs a token on loopback too.
    """

    host: str
    port: int
    address: str = ""
    certificate: Path | None = None
    certificate_key: Path | None = None
    tokens: bool = False


@dataclass(frozen=True, slots=True)
class Station:
    """The mixing station: what it can make at once and bring. Litres and percent; infinite where nothing limits it."""

    batch_l: float
    smallest_batch_l: float
    cart_l: float
    mix_step_pct: float = 0.1
    leanest_pct: float = 0.0
    richest_pct: float = 100.0


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long what is on record is kept, in seconds; infinite: for ever."""

    readings_s: float = 90 * 86400.0
    hourly_s: float = 366 * 86400.0
    daily_s: float = 3653 * 86400.0
    forecasts_s: float = 31 * 86400.0
    alerts_s: float = 366 * 86400.0
    entries_s: float = math.inf


@dataclass(frozen=True, slots=True)
class BackupSpec:
    """Where the nightly backups go, how many are kept, and when: minutes after midnight on the plant's clock."""

    folder: Path
    count: int = 2
    at_minute: int = 150


@dataclass(frozen=True, slots=True)
class Plant:
    """A whole plant file, resolved."""

    file: Path
    name: str
    id: str
    zone: str
    units: UnitSystem
    database: Path
    attended: WeeklyCalendar
    bucket_l: float
    fluids: Mapping[str, Fluid]
    waters: Mapping[str, Water]
    duties: Mapping[str, Duty]
    sumps: Mapping[str, Sump]
    sources: Mapping[str, SourceSpec]
    publish_source: str | None
    status: StatusSpec | None
    station: Station | None = None
    alerting: Alerting = field(default_factory=Alerting)
    keeping: Keeping = field(default_factory=Keeping)
    backup: BackupSpec | None = None
    gather_s: float = 0.0
