"""Odd halls: other bands and factors, 60 to 4,000 L, cylinders and tables, US units."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from tests.benchmarks.recording import LITRES
from tests.benchmarks.tanks import volume_at
from tests.worlds.things import Fluid, Tank

BANDS: Final = (((4.0, 7.0), 5.5), ((8.0, 12.0), 10.0), ((3.0, 5.0), 4.0), ((5.0, 9.0), 7.0))
ODD_FACTORS: Final = (0.7, 0.9, 1.3, 2.0, 2.6)


def odd_fluid(rng: np.random.Generator) -> Fluid:
    """Draw an unusual fluid."""
    number = int(rng.integers(len(BANDS)))
    factor = float(rng.choice(ODD_FACTORS))
    band, target = BANDS[number]
    return Fluid(f"odd-{number}-{factor * 10:.0f}", factor, band, target)


def odd_tank(rng: np.random.Generator) -> Tank:
    """Draw an unusual tank of 60 to 4,000 L."""
    full = float(np.exp(rng.uniform(np.log(60.0), np.log(4000.0))))
    makes = (_standing, _lying, _by_table, _box, _us_straight)
    return makes[int(rng.integers(len(makes)))](full, rng)


def _metric(full: float, volume: dict[str, Any], share: float) -> Tank:
    return Tank(f"{full:.1f} L", f"{full * share:.1f} L", volume)


def _share(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.35, 0.6))


def _standing(full: float, rng: np.random.Generator) -> Tank:
    height = rng.uniform(350, 900)
    diameter = 2 * np.sqrt(full * 1e6 / np.pi / height)
    return _metric(full, {"shape": "vertical-cylinder", "diameter": f"{diameter:.1f} mm"}, _share(rng))


def _lying(full: float, rng: np.random.Generator) -> Tank:
    diameter = float(np.clip((full * 1e6) ** (1 / 3) * rng.uniform(0.7, 1.1), 300, 1600))
    length = full * 1e6 / (np.pi * diameter**2 / 4 * 0.9)
    volume: dict[str, Any] = {
        "shape": "horizontal-cylinder",
        "diameter": f"{diameter:.0f} mm",
        "length": f"{length:.0f} mm",
    }
    held = float(volume_at(volume, np.array([diameter * 0.85]))[0])
    return _metric(held, volume, _share(rng))


def _by_table(full: float, rng: np.random.Generator) -> Tank:
    heights = np.linspace(0, rng.uniform(300, 700), 6)
    shape = np.linspace(0, 1, 6) ** rng.uniform(0.8, 1.4)
    table = [[f"{h:.0f} mm", f"{v:.1f} L"] for h, v in zip(heights, shape * full * 1.1, strict=True)]
    return _metric(full, {"table": table}, _share(rng))


def _box(full: float, rng: np.random.Generator) -> Tank:
    height = rng.uniform(250, 600)
    length = np.sqrt(full * 1e6 / height * rng.uniform(1, 3))
    width = full * 1e6 / height / length
    return _metric(full, {"shape": "box", "length": f"{length:.0f} mm", "width": f"{width:.0f} mm"}, _share(rng))


def _us_straight(full: float, rng: np.random.Generator) -> Tank:
    gallons = full / LITRES["US gal"]
    inches = rng.uniform(11, 20)
    volume = {"per_height": f"{gallons / inches:.4f} US gal/in"}
    return Tank(f"{gallons:.1f} US gal", f"{gallons * _share(rng):.1f} US gal", volume, "in", 0.01)
