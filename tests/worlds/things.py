"""Fluids and tanks as a plant file writes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Fluid:
    """A product: its factor and band (percent)."""

    id: str
    factor: float
    band: tuple[float, float]
    target: float


@dataclass(frozen=True)
class Tank:
    """A sump's tank: full and lowest with their unit, the shape, the level's unit and its smallest step."""

    full: str
    lowest: str
    volume: Mapping[str, Any]
    level_unit: str = "mm"
    resolution: float = 0.1
