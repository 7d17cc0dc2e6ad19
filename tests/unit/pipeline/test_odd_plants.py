"""Odd but legal plant files: every number that comes out is one."""

from __future__ import annotations

import csv
import math
import random
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.record.times import write_time

BEGIN_S = 1_930_262_400.0
STEPS = 288
PLANT = """
[plant]
name = "Odd works"
zone = "Pacific/Kiritimati"
[fluid.f]
refractometer_factor = 1.5
band = {band}
[source.b]
kind = "mqtt"
host = "127.0.0.1"
[sump.a]
fluid = "f"
full = "400 L"
lowest = "{lowest}"
volume = {{ per_height = "1 L/mm" }}
{more}
"""
SIGNAL = '[sump.a.signal.{name}]\nsource = "b"\naddress = "{name}"\nunit = "{unit}"\nperiod = "5 min"\n'
UNITS = {"level": "mm", "refractometer": "degBx", "running": "1"}


def _rows(signals: tuple[str, ...]) -> list[tuple[str, str, str, str]]:
    rng = random.Random(1)
    out = []
    for step in range(STEPS):
        time_s = BEGIN_S + 300.0 * step
        said = {
            "level": 380.0 - 0.2 * step + rng.gauss(0, 1),
            "refractometer": 5.2 + 0.002 * step + rng.gauss(0, 0.05),
            "running": float(72 <= step < 240),
        }
        out += [(write_time(time_s), "a", name, f"{said[name]:.4f}") for name in signals]
    return out


@pytest.mark.parametrize("signals", [("level", "refractometer"), ("level", "refractometer", "running"), ("level",)])
@pytest.mark.parametrize(
    ("more", "lowest", "band"),
    [
        ('hold_up = "0 L"', "200 L", [6, 10]),
        ('hold_up = "1 mL"', "200 L", [6, 10]),
        ('hold_up = "199.9 L"', "200 L", [6, 10]),
        ('surface = "1000 m2"', "1 mL", [7.99, 8.01]),
    ],
)
def test_every_number_is_one(
    tmp_path: Path, signals: tuple[str, ...], more: str, lowest: str, band: list[float]
) -> None:
    told = "".join(SIGNAL.format(name=name, unit=UNITS[name]) for name in signals)
    (tmp_path / "plant.toml").write_text(PLANT.format(more=more, lowest=lowest, band=band) + told)
    with (tmp_path / "r.csv").open("w", newline="") as file:
        csv.writer(file).writerows([("time", "sump", "signal", "value"), *_rows(signals)])
    out = tmp_path / "out"
    command = ["replay", str(tmp_path / "plant.toml"), "--readings", str(tmp_path / "r.csv"), "--out", str(out)]
    assert main(command) == 0
    with (out / "forecasts.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4
    for row in rows:
        numbers = [float(text) for name, text in row.items() if name not in {"time", "sump", "exit_side"}]
        assert all(map(math.isfinite, numbers)), row
    assert "NaN" not in (out / "alerts.csv").read_text()
