"""Heights to volumes for the plant files of the benchmarks, written apart from the product's own tank shapes.

Own on purpose: the rival and the worlds must not share a fault with what they measure. Formulas: box and cylinders by
elementary geometry; the circular segment of a lying cylinder is V = L (R^2 acos((R-h)/R) - (R-h) sqrt(2Rh - h^2)).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from tests.benchmarks.recording import LITRES, Floats

MILLIMETRES: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
PER_CUBIC_MM: Final = 1e-6


def millimetres(quantity: str) -> float:
    """Return the millimetres of a length as a plant file writes it."""
    value, unit = quantity.split(maxsplit=1)
    return float(value) * MILLIMETRES[unit]


def litres_per_mm(quantity: str) -> float:
    """Return litres a millimetre of a `per_height`."""
    value, unit = quantity.split(maxsplit=1)
    volume, height = unit.split("/")
    return float(value) * LITRES[volume] / MILLIMETRES[height]


def volume_of(spec: Mapping[str, Any], level: Floats) -> Floats:
    """Return litres of a level signal's values, by the sump's `volume` and the signal's unit."""
    unit = spec["signal"]["level"]["unit"]
    if unit in LITRES:
        return np.asarray(level * LITRES[unit])
    return volume_at(spec["volume"], level * MILLIMETRES[unit])


def volume_at(volume: Mapping[str, Any], height_mm: Floats) -> Floats:
    """Return litres at heights in millimetres."""
    if "per_height" in volume:
        return np.asarray(height_mm * litres_per_mm(volume["per_height"]))
    if "table" in volume:
        return _by_table(volume["table"], height_mm)
    if volume["shape"] == "box":
        area = millimetres(volume["length"]) * millimetres(volume["width"])
        return np.asarray(height_mm * area * PER_CUBIC_MM)
    radius = millimetres(volume["diameter"]) / 2
    if volume["shape"] == "vertical-cylinder":
        return np.asarray(height_mm * np.pi * radius**2 * PER_CUBIC_MM)
    if volume["shape"] == "horizontal-cylinder" and volume.get("ends", "flat") == "flat":
        return _lying(radius, millimetres(volume["length"]), height_mm)
    raise ValueError(f"tank {dict(volume)} is none of the benchmarks' shapes")


def _by_table(table: list[list[str]], height_mm: Floats) -> Floats:
    heights = [millimetres(height) for height, _ in table]
    volumes = [float(text.split()[0]) * LITRES[text.split(maxsplit=1)[1]] for _, text in table]
    return np.asarray(np.interp(height_mm, heights, volumes))


def _lying(radius: float, length: float, height_mm: Floats) -> Floats:
    h = np.clip(height_mm, 0.0, 2 * radius)
    chord = np.sqrt(np.maximum(2 * radius * h - h * h, 0.0))
    segment = radius**2 * np.arccos((radius - h) / radius) - (radius - h) * chord
    return np.asarray(length * segment * PER_CUBIC_MM)
