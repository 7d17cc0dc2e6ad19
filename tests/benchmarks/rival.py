"""The naive rival: a straight line through the last 24 h of each signal, carried on until it leaves the band.

Level and refractometer are taken as they come (hold-up, drift, noise and top-ups are not thought of); the plant file
gives the tank and the refractometer's factor. It writes the same columns as a replay's forecasts.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from tests.benchmarks.recording import (
    DAY_S,
    HORIZON_H,
    HOUR_S,
    Floats,
    Recording,
    Row,
    litres,
    open_text,
    seconds,
    stamp,
)
from tests.benchmarks.tanks import volume_of

WINDOW_S: Final = DAY_S


@dataclass(frozen=True)
class Line:
    """A fitted line: its value now and its slope an hour; NaN where nothing was heard."""

    now: float
    slope: float

    def reaches_h(self, bound: float) -> float:
        """Return hours until the line meets a bound it heads for, at most the horizon."""
        if not np.isfinite(self.slope) or self.slope == 0.0:
            return HORIZON_H
        hours = (bound - self.now) / self.slope
        return min(hours, HORIZON_H) if hours > 0 else HORIZON_H


@dataclass(frozen=True)
class Series:
    """A signal of a sump with the running sums a fit over any window needs."""

    time_s: Floats
    sums: Floats

    @classmethod
    def of(cls, time_s: Floats, value: Floats) -> Series:
        """Return the series of a signal; times are taken relative to the first for numbers that stay small."""
        order = np.argsort(time_s, kind="stable")
        t, y = time_s[order], value[order]
        x = (t - t[0]) / HOUR_S if len(t) else t
        terms = np.stack([np.ones_like(x), x, y, x * x, x * y])
        return cls(t, np.concatenate([np.zeros((5, 1)), terms.cumsum(axis=1)], axis=1))

    def line(self, now_s: float) -> Line:
        """Fit the last 24 h by least squares."""
        if not len(self.time_s):
            return Line(np.nan, np.nan)
        low = np.searchsorted(self.time_s, now_s - WINDOW_S, side="right")
        high = np.searchsorted(self.time_s, now_s, side="right")
        n, sx, sy, sxx, sxy = self.sums[:, high] - self.sums[:, low]
        if n == 0:
            return Line(np.nan, np.nan)
        spread = n * sxx - sx * sx
        slope = (n * sxy - sx * sy) / spread if spread > 1e-9 * max(n * n, 1.0) else 0.0
        return Line(float(sy / n + slope * ((now_s - self.time_s[0]) / HOUR_S - sx / n)), float(slope))


def signals(recording: Recording) -> dict[tuple[str, str], Series]:
    """Return level (L) and refractometer (%) of each sump as series."""
    plant = recording.plant()
    heard: dict[tuple[str, str], list[tuple[float, float]]] = {}
    with open_text(recording.readings_file) as lines:
        for row in csv.DictReader(lines):
            if row["signal"] in {"level", "refractometer"} and row["value"]:
                heard.setdefault((row["sump"], row["signal"]), []).append((seconds(row["time"]), float(row["value"])))
    result = {}
    for (sump, signal), pairs in heard.items():
        time_s, value = np.array(pairs).T
        spec = plant["sump"][sump]
        told = volume_of(spec, value) if signal == "level" else value * _factor(plant, spec)
        result[sump, signal] = Series.of(time_s, told)
    return result


def _factor(plant: Mapping[str, Any], spec: Mapping[str, Any]) -> float:
    percent = spec["signal"]["refractometer"]["unit"] == "%"
    return 1.0 if percent else float(plant["fluid"][spec["fluid"]]["refractometer_factor"])


def leaves(volume: Line, strength: Line, band: Sequence[float], lowest_l: float) -> tuple[float, str]:
    """Return hours until the lines leave the band, and the side; 0 where they are outside now."""
    low, high = band
    for outside, side in ((strength.now > high, "rich"), (strength.now < low, "lean"), (volume.now < lowest_l, "low")):
        if outside:
            return 0.0, side
    ways = [
        (strength.reaches_h(high), "rich"),
        (strength.reaches_h(low), "lean"),
        (volume.reaches_h(lowest_l), "low"),
    ]
    hours, side = min(ways)
    return (hours, side) if hours < HORIZON_H else (HORIZON_H, "none")


def rates(volume: Line, strength: Line) -> tuple[float, float]:
    """Return evaporation and drag-out in litres a day: what the strength gains is evaporation, the rest drag-out."""
    lost = max(-volume.slope * 24.0, 0.0) if np.isfinite(volume.slope) else 0.0
    if not np.isfinite(strength.slope) or not strength.now > 0 or not np.isfinite(volume.now):
        return lost, 0.0
    evaporated = min(max(volume.now * strength.slope * 24.0 / strength.now, 0.0), lost)
    return evaporated, lost - evaporated


def forecast(recording: Recording) -> list[Row]:
    """Return the rival's forecasts at every moment the truth knows."""
    plant, heard = recording.plant(), signals(recording)
    nothing = Series(np.empty(0), np.zeros((5, 1)))
    result = []
    for row in recording.table("exits"):
        sump, now_s = row["sump"], seconds(row["time"])
        spec = plant["sump"][sump]
        volume = heard.get((sump, "level"), nothing).line(now_s)
        strength = heard.get((sump, "refractometer"), nothing).line(now_s)
        hours, side = leaves(volume, strength, plant["fluid"][spec["fluid"]]["band"], litres(spec["lowest"]))
        said = _columns(volume, strength, hours)
        result.append({"time": stamp(now_s), "sump": sump, **said, "exit_side": side})
    return result


def _columns(volume: Line, strength: Line, hours: float) -> Row:
    evaporation, drag_out = rates(volume, strength)
    numbers = {
        "volume_l": volume.now,
        "volume_sd_l": np.nan,
        "concentration_pct": strength.now,
        "concentration_sd_pct": np.nan,
        "evaporation_l_per_day": evaporation,
        "drag_out_l_per_day": drag_out,
        "exit_p10": hours,
        "exit_p50": hours,
        "exit_p90": hours,
    }
    return {name: f"{value:.4f}" if np.isfinite(value) else "" for name, value in numbers.items()}
