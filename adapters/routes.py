"""From what an address said to readings of the signals that listen to it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from adapters.current_loop import judge
from adapters.sample import PayloadError, Sample
from adapters.timestamps import too_far_ahead
from monitor.plant.errors import QuantityError
from monitor.plant.quantity import Unit, parse_unit
from monitor.plant.reading import Quality, Reading, Signal
from monitor.plant.types import CurrentLoop, Plant, SignalSpec

POSSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    # Beyond these (canonical units) a number is an error code or a broken wire, never a state of a sump.
    "mm": (-1_000.0, 100_000.0),
    "L": (-10_000.0, 1e9),
    "degBx": (-5.0, 100.0),
    "%": (-5.0, 110.0),
    "degC": (-60.0, 200.0),
    "uS/cm": (-100.0, 1e6),
}
_POSSIBLE_PH: Final = (-2.0, 16.0)
_ANYTHING: Final = (-math.inf, math.inf)
_OF_A_LOOP: Final = frozenset({"", "mA"})
_WORSE: Final = (Quality.GOOD, Quality.DOUBTFUL, Quality.BAD)


@dataclass(frozen=True, slots=True)
class Route:
    """A signal of a sump that listens to an address. `selector` picks one value of a payload that holds several."""

    sump: str
    spec: SignalSpec
    selector: str = ""

    def reading(self, sample: Sample, arrived_s: float) -> Reading:
        """Turn a sample into a reading in the signal's canonical unit.

        Raises PayloadError where the unit does not fit, the value is impossible or the time lies in the future. A
        4-20 mA loop that says its wire or sensor failed gives a reading without a value.
        """
        time_s = arrived_s if sample.time_s is None else sample.time_s
        if too_far_ahead(time_s, arrived_s):
            ahead = _span(time_s - arrived_s)
            raise PayloadError(f"the time lies {ahead} in the future: set the clock of the device or of this machine")
        value, quality, reason = sample.value, sample.quality, sample.reason
        if value is not None and self.spec.loop is not None:
            value, quality, reason = self._by_loop(value, sample, self.spec.loop)
        elif value is not None:
            value = self._canonical(value * self.spec.scale + self.spec.offset, sample.unit)
        return Reading(self.sump, self.spec.signal, value, time_s, arrived_s, quality, reason)

    def _by_loop(self, said: float, sample: Sample, loop: CurrentLoop) -> tuple[float | None, Quality, str]:
        if sample.unit not in _OF_A_LOOP:
            raise PayloadError(
                f'the unit {sample.unit[:20]!r} is none of a 4-20 mA loop: send "mA", or take current out of the signal'
            )
        value, quality, reason = judge(said, loop)
        worst = max(quality, sample.quality, key=_WORSE.index)
        if value is not None:
            self._check(value, value, self.spec.unit.canonical, self.spec.unit)
        return value, worst, "; ".join(filter(None, (sample.reason, reason)))

    def _canonical(self, raw: float, unit_text: str) -> float:
        unit = _unit(unit_text, self.spec.unit) if unit_text else self.spec.unit
        value = unit.to_canonical(raw)
        if self.spec.signal is Signal.RUNNING:
            return _running(value)
        self._check(value, raw, unit.name, unit)
        return value

    def _check(self, value: float, raw: float, raw_unit: str, unit: Unit) -> None:
        """Refuse a value that no sump can have."""
        low, high = _POSSIBLE_PH if self.spec.signal is Signal.PH else POSSIBLE.get(unit.canonical, _ANYTHING)
        if not low <= value <= high:
            raise PayloadError(
                f"{raw:g} {raw_unit} cannot be a {self.spec.signal.value.replace('_', ' ')} "
                f"({low:g} to {high:g} {unit.canonical}): look at the sensor and its unit"
            )


def routes_of(plant: Plant, source: str) -> dict[str, tuple[Route, ...]]:
    """Give the signals that listen to a source, by the whole address of the plant file."""
    routes: dict[str, tuple[Route, ...]] = {}
    for sump in plant.sumps.values():
        for spec in sump.signals.values():
            if spec.source == source:
                routes[spec.address] = (*routes.get(spec.address, ()), Route(sump.id, spec))
    return routes


def split_selectors(routes: Mapping[str, Iterable[Route]]) -> dict[str, tuple[Route, ...]]:
    """Split addresses `topic?selector` (several values in one payload) into topics and their routes' selectors."""
    by_topic: dict[str, tuple[Route, ...]] = {}
    for address, listeners in routes.items():
        topic, _, selector = address.partition("?")
        new = tuple(Route(route.sump, route.spec, selector) for route in listeners)
        by_topic[topic] = (*by_topic.get(topic, ()), *new)
    return by_topic


@lru_cache(maxsize=256)
def _unit(text: str, wanted: Unit) -> Unit:
    try:
        return parse_unit(text, wanted.dimension)
    except QuantityError as error:
        raise PayloadError(f"the unit does not fit: {error}") from None


def _running(value: float) -> float:
    if value not in (0.0, 1.0):
        raise PayloadError(f"running is {value:g}: send 1 while the machine runs and 0 while it stands")
    return value


def _span(seconds: float) -> str:
    for size, name in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:.1f} {name}"
    return f"{seconds:.0f} s"
