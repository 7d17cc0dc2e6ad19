"""Write a world as a recording's folder: plant file, readings, entries and every truth table."""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.recording import stamp
from tests.worlds.calendar import ATTENDED, DUTIES, STEP_MIN, STEPS_A_DAY, Floats
from tests.worlds.course import SIDES
from tests.worlds.world import World

HAND_PERIOD = "6 h"
LOSS_COLUMNS = (
    "day", "sump", "evaporated_l", "dragged_out_l", "leaked_l", "added_l", "valve_l", "removed_l", "start_l", "end_l",
    "concentrate_in_l", "concentrate_out_l", "concentrate_start_l", "concentrate_end_l",
)  # fmt: skip
UNITS = {"refractometer": "degBx", "running": "1", "coolant_temperature": "degC"}


def write(world: World, folder: Path, without: Collection[str] = ()) -> None:
    """Write everything; the signals named in `without` are left out of the plant file and of the readings alike."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(plant(world, without))
    _readings(world, folder / "readings.csv.gz", without)
    _table(folder / "entries.csv", ENTRY_COLUMNS, _entries(world))
    _table(folder / "exits.csv", ("time", "sump", "hours", "side", "volume_l", "concentration_pct"), _exits(world))
    _table(folder / "services.csv", ("time", "sump", "volume_l", "mix_pct", "logged"), _services(world))
    _table(folder / "removals.csv", ("time", "sump", "kind", "volume_l", "mix_pct", "logged"), _removals(world))
    _table(folder / "changes.csv", ("sump", "kind", "from", "to", "detail"), _changes(world))
    _table(folder / "losses.csv", LOSS_COLUMNS, _losses(world))


ENTRY_COLUMNS = ("time", "sump", "kind", "volume", "mix", "value", "unit", "note")


def _table(path: Path, head: Sequence[str], body: Iterable[Sequence[Any]]) -> None:
    with path.open("w", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(body)


def _time(world: World, step: int) -> str:
    return stamp(world.grid.start_s + step * STEP_MIN * 60)


def _readings(world: World, path: Path, without: Collection[str]) -> None:
    arrivals, start = world.arrivals, world.grid.start_s
    clock = {int(second): stamp(start + int(second)) for second in np.unique(arrivals.time_s)}
    ids = world.sumps.ids
    columns = zip(
        arrivals.time_s.tolist(),
        arrivals.sump.tolist(),
        arrivals.signal.tolist(),
        arrivals.value.tolist(),
        arrivals.digits.tolist(),
        strict=True,
    )
    text = io.StringIO()
    text.write("time,sump,signal,value\n")
    text.writelines(
        f"{clock[t]},{ids[i]},{signal},{value:.{digits}f}\n"
        for t, i, signal, value, digits in columns
        if signal not in without
    )
    with path.open("wb") as raw, gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0, compresslevel=5) as out:
        out.write(text.getvalue().encode())


def _entries(world: World) -> list[list[str]]:
    lines = sorted([*world.crew.log, *world.checks], key=lambda line: (line.time_s, line.sump, line.kind))
    end = world.grid.start_s + world.grid.recorded * STEP_MIN * 60
    return [line.cells() for line in lines if world.grid.start_s <= line.time_s < end]


def _exits(world: World) -> Iterable[list[str]]:
    course = world.course
    for i, name in enumerate(world.sumps.ids):
        for number, step in enumerate(course.moments):
            hours, volume = course.exit_h[number, i], course.volume[step, i]
            strength = 100 * course.concentrate[step, i] / volume
            told = "" if np.isnan(hours) else f"{hours:.2f}"
            side = SIDES[course.exit_side[number, i]]
            yield [_time(world, step), name, told, side, f"{volume:.2f}", f"{strength:.3f}"]


def _services(world: World) -> Iterable[list[Any]]:
    for deed in world.crew.deeds:
        if deed.kind == "top_up":
            name = world.sumps.ids[deed.sump]
            yield [_time(world, deed.step), name, f"{deed.volume_l:.1f}", f"{deed.mix_pct:.2f}", deed.logged]


def _removals(world: World) -> Iterable[list[Any]]:
    for deed in world.crew.deeds:
        if deed.kind != "top_up":
            mix = f"{deed.mix_pct:.2f}" if deed.kind == "charge" else ""
            name = world.sumps.ids[deed.sump]
            yield [_time(world, deed.step), name, deed.kind, f"{deed.volume_l:.1f}", mix, deed.logged]


def _changes(world: World) -> Iterable[list[str]]:
    seen = [change for change in world.changes if change.start < world.grid.recorded]
    for change in sorted(seen, key=lambda change: (change.kind, change.sump, change.start)):
        end = "" if change.end is None or change.end >= world.grid.recorded else _time(world, change.end)
        yield [change.sump, change.kind, _time(world, change.start), end, change.detail]


def _losses(world: World) -> Iterable[list[str]]:
    volume, concentrate = (part[::STEPS_A_DAY] for part in world.course.before)
    sums = _daily(world)
    columns = [sums[name] for name in ("evaporated", "dragged_out", "leaked", "added", "valve", "removed")]
    columns += [volume[:-1], volume[1:], sums["concentrate_in"], sums["concentrate_out"]]
    columns += [concentrate[:-1], concentrate[1:]]
    for i, name in enumerate(world.sumps.ids):
        for day in range(world.grid.days):
            numbers = [f"{part[day, i]:.4f}" for part in columns]
            yield [_time(world, day * STEPS_A_DAY)[:10], name, *numbers]


def _daily(world: World) -> dict[str, Floats]:
    """Return litres a day (days x sumps) of all that came and went, people's deeds included."""
    days = world.grid.days
    sums = {name: part.reshape(days, STEPS_A_DAY, -1).sum(axis=1) for name, part in world.course.totals.items()}
    sums["added"], sums["removed"] = sums["valve"].copy(), np.zeros_like(sums["valve"])
    for deed in world.crew.deeds:
        at = deed.step // STEPS_A_DAY, deed.sump
        if deed.kind != "removal":
            sums["added"][at] += deed.volume_l
            sums["concentrate_in"][at] += deed.volume_l * deed.mix_pct / 100
        sums["removed"][at] += deed.taken_l
        sums["concentrate_out"][at] += deed.taken_concentrate_l
    return sums


def plant(world: World, without: Collection[str] = ()) -> str:
    """Return the plant file, without some signals if so wanted."""
    parts = [_head(world), *(_duty(name) for name in world.kind.machines.duties), _waters(), _fluids(world)]
    return "\n".join([*parts, *(_sump(world, i, without) for i in range(len(world.sumps)))])


def _span(days: Sequence[str], start: str, end: str) -> str:
    return f'days = {list(days)}\nfrom = "{start}"\nto = "{end}"\n'.replace("'", '"')


def _head(world: World) -> str:
    units = "us" if world.kind.odd else "metric"
    return f"""[plant]
name = "Invented hall {world.kind.name}"
zone = "{world.kind.zone}"
units = "{units}"
database = "bandkeeper.db"

[[plant.attended]]
{_span(*ATTENDED)}
[source.history]
kind = "mqtt"
host = "127.0.0.1"
port = 1883
payload = "json"
"""


def _duty(name: str) -> str:
    spans = "".join(f"[[duty.{name}.spans]]\n{_span(*span)}" for span in DUTIES[name])
    return f"[duty.{name}]\nexpected = 0.88\n{spans}"


def _waters() -> str:
    return '[water.deionised]\nhardness = "5 ppm"\n[water.mains]\nhardness = "180 ppm"\n'


def _fluids(world: World) -> str:
    fluids = {fluid.id: fluid for fluid in world.sumps.fluids}
    return "\n".join(
        f"[fluid.{name}]\nrefractometer_factor = {fluid.factor}\nband = [{fluid.band[0]}, {fluid.band[1]}]\n"
        f"target = {fluid.target}\nleanest_make_up = 1.0\nrichest_make_up = 15.0\n"
        for name, fluid in sorted(fluids.items())
    )


def _sump(world: World, i: int, without: Collection[str]) -> str:
    sumps, tank = world.sumps, world.sumps.tanks[i]
    head = f"""[sump.{sumps.ids[i]}]
fluid = "{sumps.fluids[i].id}"
full = "{tank.full}"
lowest = "{tank.lowest}"
volume = {_inline(tank.volume)}
hold_up = "{sumps.hold_up_told_l[i]:.1f} L"
duty = "{sumps.duty[i]}"
make_up_water = "deionised"
"""
    return head + "".join(_signal(world, i, name) for name in _signals(world, i) if name not in without)


def _signals(world: World, i: int) -> list[str]:
    """Return the signals the plant file tells of; a sump with one gauge only may still list the other, silent one."""
    kind, both = world.kind, ("level", "refractometer")
    told = [name for name in both if world.sumps.has[name][i] or i % 2 == 0]
    told += ["running"] if kind.running_signal else []
    return told + (["coolant_temperature"] if kind.sites and i % kind.measured_every == 0 else [])


def _signal(world: World, i: int, name: str) -> str:
    unit = world.sumps.tanks[i].level_unit if name == "level" else UNITS[name]
    period = HAND_PERIOD if world.kind.hand_times else f"{world.kind.period_min} min"
    address = f"works/{world.sumps.ids[i]}/{name}"
    return (
        f'[sump.{world.sumps.ids[i]}.signal.{name}]\nsource = "history"\naddress = "{address}"\n'
        f'unit = "{unit}"\nperiod = "{period}"\n'
    )


def _inline(volume: Mapping[str, Any]) -> str:
    parts = [f"{name} = {json.dumps(value)}" for name, value in volume.items()]
    return "{ " + ", ".join(parts) + " }"
