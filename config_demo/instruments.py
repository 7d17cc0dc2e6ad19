"""The gauges of the invented works: the truth as a cheap sensor tells it.

Millimetres, degrees Brix, 0/1. Waves and foam while the machine runs, a bias that drifts, chips across the prism now
and then. Which reading gets which noise is fixed by seed, sump, signal and time alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from config_demo.world import SumpTruth, World
from monitor.plant.reading import Signal

_SECONDS_A_DAY = 86_400.0


@dataclass(frozen=True, slots=True)
class Quirks:
    """How one sump's gauges are wrong. Noise is one sigma; `chips` is the chance of chips on the prism a reading."""

    level_noise_mm: float = 0.7
    level_noise_running_mm: float = 2.0
    brix_noise: float = 0.05
    brix_noise_running: float = 0.10
    bias_brix: float = 0.0
    drift_brix_per_day: float = 0.01
    chips: float = 0.004


@dataclass(frozen=True, slots=True)
class Gauge:
    """One signal of one sump and where it is sent: `source` and `address` as the plant file names them."""

    sump: str
    signal: Signal
    source: str
    address: str
    period_s: float
    offset_s: float

    def due(self, time_s: float) -> bool:
        """Tell whether a reading falls on this minute."""
        return (time_s - self.offset_s) % self.period_s == 0.0


@dataclass(frozen=True, slots=True)
class Said:
    """What a gauge said: its own time and value, in the unit of the plant file."""

    gauge: Gauge
    time_s: float
    value: float


@dataclass(slots=True)
class Instruments:
    """All gauges of the works. `height_mm` turns litres in the gauge into millimetres, `factor` is % a degree Brix."""

    world: World
    gauges: tuple[Gauge, ...]
    height_mm: Mapping[str, Callable[[float], float]]
    factor: Mapping[str, float]
    quirks: Mapping[str, Quirks] = field(default_factory=dict)
    dead: set[str] = field(default_factory=set)  # sumps whose gateway is off
    start_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.start_s = self.world.now_s

    def read(self) -> list[Said]:
        """Return all that the gauges say at this minute of the world."""
        now_s = self.world.now_s
        due = (gauge for gauge in self.gauges if gauge.due(now_s) and gauge.sump not in self.dead)
        return [Said(gauge, now_s, self._value(gauge)) for gauge in due]

    def _value(self, gauge: Gauge) -> float:
        sump, quirks = self.world.sumps[gauge.sump], self.quirks.get(gauge.sump, Quirks())
        if gauge.signal is Signal.RUNNING:
            return float(sump.running)
        draw = self.world.fate.stream("noise", gauge.sump, gauge.signal.value, self.world.now_s)
        if gauge.signal is Signal.LEVEL:
            noise = quirks.level_noise_running_mm if sump.running else quirks.level_noise_mm
            return max(round(self.height_mm[gauge.sump](sump.in_gauge_l) + draw.gauss(0.0, noise), 1), 0.0)
        chips = draw.uniform(1.0, 4.0) if sump.running and draw.random() < quirks.chips else 0.0
        return max(round(self._brix(sump, quirks) + chips + self._haze(sump, quirks) * draw.gauss(0.0, 1.0), 2), 0.0)

    def _brix(self, sump: SumpTruth, quirks: Quirks) -> float:
        days = (self.world.now_s - self.start_s) / _SECONDS_A_DAY
        return sump.fill.pct / self.factor[sump.nature.id] + quirks.bias_brix + quirks.drift_brix_per_day * days

    @staticmethod
    def _haze(sump: SumpTruth, quirks: Quirks) -> float:
        return quirks.brix_noise_running if sump.running else quirks.brix_noise
