"""An invented shop for the record's tests: two sumps, metric and US units, loaded from a real plant file."""

from __future__ import annotations

from pathlib import Path

from monitor.plant.file import load_plant
from monitor.plant.types import Plant

TEXT = """
[plant]
name = "Ferry Lane works"
zone = "Europe/Lisbon"
units = "metric"

[[plant.attended]]
days = ["mon", "tue", "wed", "thu", "fri"]
from = "06:00"
to = "22:00"

[fluid.semi-synthetic]
refractometer_factor = 1.5
band = [6.0, 10.0]
target = 8.0
leanest_make_up = 1.0
richest_make_up = 15.0

[source.hall]
kind = "mqtt"
host = "127.0.0.1"
port = 1883
payload = "json"

[sump.lathe-04]
fluid = "semi-synthetic"
full = "400 L"
lowest = "200 L"
volume = { per_height = "1.25 L/mm" }

[sump.lathe-04.signal.level]
source = "hall"
address = "lathe-04/level"
unit = "mm"
period = "5 min"
[sump.lathe-04.signal.refractometer]
source = "hall"
address = "lathe-04/brix"
unit = "degBx"
period = "5 min"
[sump.lathe-04.signal.running]
source = "hall"
address = "lathe-04/running"
unit = "1"
period = "5 min"

[sump.mill-07]
fluid = "semi-synthetic"
full = "105 US gal"
lowest = "50 US gal"
volume = { per_height = "8.4 US gal/in" }

[sump.mill-07.signal.level]
source = "hall"
address = "mill-07/level"
unit = "in"
period = "5 min"
[sump.mill-07.signal.coolant_temperature]
source = "hall"
address = "mill-07/temperature"
unit = "degF"
period = "5 min"
"""


def make_plant(folder: Path) -> Plant:
    """Write the shop's plant file into `folder` and load it."""
    path = folder / "plant.toml"
    path.write_text(TEXT, encoding="utf-8")
    return load_plant(path)
