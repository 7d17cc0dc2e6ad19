"""What a person can measure: whole and part buckets, and the concentrate that goes into each.

Metric shops measure litres and millilitres, US shops gallons and fluid ounces; inside everything stays litres.
A bucket is `bucket_l` of finished mix: the water first, then the concentrate into it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.plant.quantity import L_PER_US_FL_OZ, L_PER_US_GAL
from monitor.plant.types import Plant, UnitSystem

# Smallest parts worth measuring: under one bucket, under five, and above (US: quart, quart, gallon).
_PARTS = {"metric": (0.5, 1.0, 5.0), "us": (0.25 * L_PER_US_GAL, 0.25 * L_PER_US_GAL, L_PER_US_GAL)}
# Smallest amounts of concentrate: in a bucket that takes up to a litre (a US quart) and in one that takes more.
_POURS = {"metric": (0.01, 0.05, 1.0), "us": (0.5 * L_PER_US_FL_OZ, L_PER_US_FL_OZ, 0.25 * L_PER_US_GAL)}
_SLACK = 1e-6
_PRINTED_L = 0.006  # volumes are printed to the hundredth of a litre
_ROUNDING_L = 0.02


@dataclass(frozen=True, slots=True)
class Buckets:
    """A volume split into whole buckets and a rest, all litres."""

    whole: int
    bucket_l: float
    rest_l: float


@dataclass(frozen=True, slots=True)
class Measures:
    """The measures at hand: the shop's units and the bucket in use (litres of finished mix)."""

    units: UnitSystem
    bucket_l: float

    @classmethod
    def of(cls, plant: Plant) -> Measures:
        """Return the measures of a plant."""
        return cls(plant.units, plant.bucket_l)

    def part_l(self, volume_l: float) -> float:
        """Smallest part of a bucket worth measuring for such a volume.

        Half a litre below one bucket, a litre below five, five litres above; in US units a quart below five buckets,
        a gallon above.
        """
        fine, middle, coarse = _PARTS[self.units]
        if volume_l < self.bucket_l - _SLACK:
            return fine
        return middle if volume_l < 5 * self.bucket_l - _SLACK else coarse

    def floor_l(self, volume_l: float) -> float:
        """Largest measurable volume not above `volume_l`: litres to the hundredth, never negative."""
        if volume_l <= 0.0:
            return 0.0
        whole = math.floor((volume_l + _PRINTED_L) / self.bucket_l)
        part = self.part_l(volume_l)
        rest = max(volume_l - whole * self.bucket_l, 0.0)
        return round(whole * self.bucket_l + math.floor((rest + _PRINTED_L) / part) * part, 2)

    def ceil_l(self, volume_l: float) -> float:
        """Smallest measurable volume not below `volume_l`: litres to the hundredth."""
        low = self.floor_l(volume_l)
        if low >= volume_l - _PRINTED_L:
            return low
        edge = (math.floor((low + _PRINTED_L) / self.bucket_l) + 1) * self.bucket_l
        return round(min(low + self.part_l(volume_l), edge), 2)

    def split(self, volume_l: float) -> Buckets:
        """Split a volume into whole buckets and a rest; a rest below 0.02 L a bucket is rounding."""
        whole = math.floor((volume_l + _ROUNDING_L) / self.bucket_l)
        rest = volume_l - whole * self.bucket_l
        return Buckets(whole, self.bucket_l, 0.0 if rest < _ROUNDING_L * max(whole, 1) else rest)

    def measurable_mix(self, mix_pct: float, leanest_pct: float, richest_pct: float) -> float:
        """Nearest strength whose concentrate a bucket can be measured, kept within leanest and richest.

        Percent, four decimals. Where no measurable strength lies between the two, the nearer limit itself.
        """
        wanted = min(max(mix_pct, leanest_pct), richest_pct)
        step = 100.0 * self._pour_l(wanted) / self.bucket_l
        for count in (round(wanted / step), math.ceil(wanted / step - _SLACK), math.floor(wanted / step + _SLACK)):
            if leanest_pct - _SLACK <= count * step <= richest_pct + _SLACK:
                return min(max(round(count * step, 4), leanest_pct), richest_pct)
        return wanted

    def jug_l(self, volume_l: float) -> float:
        """Nearest share of rich fluid that a jug measures: a tenth of a litre, in US units 4 fl oz; litres."""
        step = 4 * L_PER_US_FL_OZ if self.units == "us" else 0.1
        return round(volume_l / step) * step

    def _pour_l(self, mix_pct: float) -> float:
        fine, coarse, above = _POURS[self.units]
        return fine if self.bucket_l * mix_pct / 100.0 <= above else coarse
