"""A tiny recording written by hand: two sumps, six days from a Monday, nothing but what a test asks for."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.benchmarks.recording import DAY_S, HOUR_S, Recording, Row, seconds, stamp

START = "2031-03-03T00:00:00+00:00"
PLANT = """
[plant]
name = "Two sumps"
zone = "UTC"
[[plant.attended]]
days = ["mon", "tue", "wed", "thu", "fri"]
from = "06:00"
to = "22:00"
[fluid.blue]
refractometer_factor = 1.5
band = [6.0, 10.0]
[sump.one]
fluid = "blue"
full = "400 L"
lowest = "200 L"
volume = { per_height = "1.25 L/mm" }
[sump.one.signal.level]
unit = "mm"
[sump.one.signal.refractometer]
unit = "degBx"
[sump.two]
fluid = "blue"
full = "100 L"
lowest = "50 L"
volume = { per_height = "0.5 L/mm" }
[sump.two.signal.level]
unit = "mm"
[sump.two.signal.refractometer]
unit = "degBx"
"""


def at(hours: float) -> str:
    """Return the time some hours after the start."""
    return stamp(seconds(START) + hours * HOUR_S)


def days(count: float) -> float:
    """Return hours of days."""
    return count * DAY_S / HOUR_S


def write(path: Path, table: Sequence[Mapping[str, Any]]) -> None:
    with path.open("w", newline="") as out:
        writer = csv.DictWriter(out, list(table[0]))
        writer.writeheader()
        writer.writerows(table)


def exit_row(hour: float, sump: str, hours: float | str, side: str, volume: float = 300.0, pct: float = 8.0) -> Row:
    return {
        "time": at(hour),
        "sump": sump,
        "hours": str(hours),
        "side": side,
        "volume_l": str(volume),
        "concentration_pct": str(pct),
    }


def reading(hour: float, sump: str, signal: str, value: float) -> Row:
    return {"time": at(hour), "sump": sump, "signal": signal, "value": str(value)}


def said(row: Row, p10: float, p50: float, p90: float, side: str) -> Row:
    """Return a forecast at an exit's moment with the true volume and strength."""
    return {
        "time": row["time"],
        "sump": row["sump"],
        "volume_l": row["volume_l"],
        "volume_sd_l": "1.0",
        "concentration_pct": row["concentration_pct"],
        "concentration_sd_pct": "0.1",
        "evaporation_l_per_day": "20.0",
        "drag_out_l_per_day": "5.0",
        "exit_p10": str(p10),
        "exit_p50": str(p50),
        "exit_p90": str(p90),
        "exit_side": side,
    }


def event(kind: str, hour: float, detected: float, sump: str, volume: float, mix: float = 5.0) -> Row:
    return {
        "time": at(hour),
        "detected_at": at(detected),
        "sump": sump,
        "kind": kind,
        "volume_l": str(volume),
        "mix_pct": str(mix),
        "confidence": "0.9",
        "detail": "",
    }


def hall(folder: Path, tables: Mapping[str, Sequence[Mapping[str, Any]]], readings: Sequence[Row] = ()) -> Recording:
    """Write a recording; without readings of its own it has a level every quarter hour of both sumps."""
    (folder / "plant.toml").write_text(PLANT)
    quarters = [reading(q / 4, sump, "level", 240.0) for q in range(6 * 96) for sump in ("one", "two")]
    write(folder / "readings.csv", readings or quarters)
    for name, table in tables.items():
        if table:
            write(folder / f"{name}.csv", table)
    return Recording(folder)
