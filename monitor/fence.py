"""What cannot be is kept on record and moves nothing: the fence between what was said and what is believed of a sump.

Wide enough for every real state (a gauge set too high, a sump filled to the brim, a gallon taken for a litre); what
lies beyond is a broken sensor or a slip of the pen. A signal that says nothing possible counts as silent. So does what
was told before a sump got the tank or the fluid that it has now.
"""

from __future__ import annotations

import math
from typing import Final

from monitor.model.types import Estimate
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.plant.types import Plant, Sump

LEVEL_OF_FULL: Final = (-0.3, 2.0)
BRIX: Final = (-5.0, 90.0)
COOLANT_C: Final = (-10.0, 95.0)
ENTRY_OF_FULL: Final = 5.0
CHECK_PCT: Final = 60.0


def possible_reading(plant: Plant, reading: Reading) -> bool:
    """Tell whether a sump could be as a reading says; one without a value says nothing impossible."""
    value, sump = reading.value, plant.sumps[reading.sump]
    if value is None or reading.time_s < sump.since_s:
        return reading.time_s >= sump.since_s
    if not math.isfinite(value):
        return False
    match reading.signal:
        case Signal.LEVEL:
            low, high = LEVEL_OF_FULL
            return low * sump.full_l <= _litres(sump, value) <= high * sump.full_l
        case Signal.REFRACTOMETER:
            return BRIX[0] <= value <= BRIX[1]
        case Signal.COOLANT_TEMPERATURE:
            return COOLANT_C[0] <= value <= COOLANT_C[1]
        case _:
            return True


def _litres(sump: Sump, value: float) -> float:
    spec = sump.signals.get(Signal.LEVEL)
    return value if spec is not None and spec.unit.canonical == "L" else sump.tank.volume_l(value)


def possible_entry(plant: Plant, entry: Entry) -> bool:
    """Tell whether somebody could have done or measured what an entry says."""
    if entry.time_s < plant.sumps[entry.sump].since_s:
        return False
    if not all(math.isfinite(number) for number in (entry.volume_l, entry.mix_pct, entry.value) if number is not None):
        return False
    volume_l, mix_pct = entry.volume_l or 0.0, entry.mix_pct or 0.0
    if not 0.0 <= volume_l <= ENTRY_OF_FULL * plant.sumps[entry.sump].full_l or not 0.0 <= mix_pct <= 100.0:
        return False
    return entry.kind is not EntryKind.CHECK or 0.0 <= (entry.value or 0.0) <= CHECK_PCT


def sound(estimate: Estimate) -> bool:
    """Tell whether an estimate can be reckoned with."""
    numbers = (estimate.volume_l, estimate.volume_sd_l, estimate.concentration_pct, estimate.concentration_sd_pct)
    return all(map(math.isfinite, numbers))
