"""From a [sump.…] table to a `Sump`: its tank, its signals, its references."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.plant import schema
from monitor.plant.errors import QuantityError
from monitor.plant.faults import Faults, listed, near, shown
from monitor.plant.lines import Path
from monitor.plant.loops import read_loop
from monitor.plant.quantity import Unit, parse_unit
from monitor.plant.reading import Signal
from monitor.plant.tables import Table, read_table, read_value, tables_in
from monitor.plant.tank import Box, Cone, HorizontalCylinder, PerHeight, Tank, VerticalCylinder
from monitor.plant.tank import Table as StrappingTable
from monitor.plant.types import Duty, Fluid, SignalSpec, Sump, Water

SMALLEST_L, LARGEST_L = 0.1, 1e6
"""Beyond these `full` is a slip of units; numbers far beyond would spoil what all sumps are reckoned with together."""
DIMENSIONS: Mapping[Signal, tuple[str, ...]] = {
    Signal.LEVEL: ("length", "volume"),
    Signal.REFRACTOMETER: ("brix", "percent"),
    Signal.RUNNING: ("one",),
    Signal.COOLANT_TEMPERATURE: ("temperature",),
    Signal.PH: ("one",),
    Signal.CONDUCTIVITY: ("conductivity",),
    Signal.MAKE_UP_METER: ("volume",),
}
_OTHER_NAMES = {
    "brix": Signal.REFRACTOMETER,
    "concentration": Signal.REFRACTOMETER,
    "temperature": Signal.COOLANT_TEMPERATURE,
    "volume": Signal.LEVEL,
    "flow": Signal.MAKE_UP_METER,
}
_UNIT_EXAMPLES = {
    "length": "mm", "volume": "L", "brix": "degBx", "percent": "%",
    "temperature": "degC", "conductivity": "uS/cm", "one": "1",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Known:
    """What a sump may refer to. `names` holds the names written in the file, faulty tables included."""

    fluids: Mapping[str, Fluid]
    waters: Mapping[str, Water]
    duties: Mapping[str, Duty]
    names: Mapping[str, tuple[str, ...]]

    def check(self, table: str, name: Any, path: Path, faults: Faults) -> None:
        """Refuse a name that no table of the file has."""
        names = self.names[table]
        if name is None or name in names:
            return
        there = f"{near(name, names)}there is {listed(names, last='and')}" if names else f"write a [{table}.{name}]"
        faults.add(path, f"there is no [{table}.{name}]: {there}")


def read_sump(key: str, raw: Any, known: Known, faults: Faults) -> Sump | None:
    """Read one sump; None if it, or a table it refers to, has faults."""
    path, before = ("sump", key), faults.noted
    v = read_table(schema.SumpTable, raw, path, faults)
    for name, table in (("fluid", "fluid"), ("duty", "duty"), ("make_up_water", "water")):
        known.check(table, v.get(name), (*path, name), faults)
    tank = read_tank(v["volume"], (*path, "volume"), faults) if "volume" in v else None
    signals = _signals(v.get("signal"), (*path, "signal"), known, faults)
    _check_volumes(v, tank, path, faults)
    fluid = known.fluids.get(v.get("fluid", ""))
    if faults.noted > before or fluid is None or tank is None:
        return None
    return Sump(
        id=key,
        fluid=fluid,
        area=v["area"] or "",
        full_l=v["full"],
        lowest_l=v["lowest"],
        tank=tank,
        hold_up_l=v["hold_up"],
        duty=known.duties.get(v["duty"]),
        make_up_water=known.waters.get(v["make_up_water"]),
        surface_m2=v["surface"],
        signals=signals,
    )


def _check_volumes(v: Table, tank: Tank | None, path: Path, faults: Faults) -> None:
    full, lowest, hold_up = v.get("full"), v.get("lowest"), v.get("hold_up")
    if full is not None and lowest is not None and lowest >= full:
        faults.add((*path, "lowest"), f"{lowest:g} L must be less than full, which is {full:g} L")
    elif full is not None and not SMALLEST_L <= full <= LARGEST_L:
        faults.add((*path, "full"), f"{full:g} L is no sump: it must be {SMALLEST_L:g} L to {LARGEST_L:,.0f} L")
    elif hold_up is not None and lowest is not None and hold_up >= lowest:
        text = f"{hold_up:g} L must be less than lowest ({lowest:g} L), else the running pump draws air before that"
        faults.add((*path, "hold_up"), text)
    capacity = None if tank is None else tank.capacity_l
    if full is not None and capacity is not None and full > capacity * (1 + 1e-9):
        text = f"{full:g} L does not fit: by volume the tank holds {capacity:.4g} L at {_height(tank):.4g} mm"
        faults.add((*path, "full"), text)
    if isinstance(tank, StrappingTable) and lowest is not None and lowest < tank.known_l[0]:
        text = f"{lowest:g} L is below the table of volume, which begins at {tank.known_l[0]:g} L: measure further down"
        faults.add((*path, "lowest"), text)


def _height(tank: Tank | None) -> float:
    return (tank.height_mm if tank else None) or 0.0


def read_tank(raw: Any, path: Path, faults: Faults) -> Tank | None:
    """Read the `volume` of a sump; None if it has faults."""
    before = faults.noted
    model = _tank_model(raw, path, faults)
    if model is None:
        return None
    v = read_table(model, raw, path, faults)
    if model is schema.StrappingTable and "table" in v:
        v["table"] = _rows(v["table"], (*path, "table"), faults)
    return None if faults.noted > before else _tank(v)


def _tank_model(raw: Any, path: Path, faults: Faults) -> type[schema.TableModel] | None:
    """Tell which form of volume this is."""
    if not isinstance(raw, dict):
        faults.add(path, f'{shown(raw)} must be one of the forms of volume, such as {{ per_height = "1.25 L/mm" }}')
    elif "per_height" in raw:
        return schema.PerHeightTable
    elif "table" in raw:
        return schema.StrappingTable
    elif "shape" not in raw:
        faults.miss((*path, "shape"), "is missing: say per_height, table or shape")
    elif raw["shape"] in schema.SHAPES:
        return schema.SHAPE_TABLES[raw["shape"]]
    else:
        hint = near(raw["shape"], schema.SHAPES) if isinstance(raw["shape"], str) else ""
        faults.add((*path, "shape"), f"{shown(raw['shape'])} is no shape known here: {hint}use {listed(schema.SHAPES)}")
    return None


def _rows(raw: Any, path: Path, faults: Faults) -> list[tuple[float, float]]:
    """Read a strapping table row by row; each row must lie above the last one that could be read."""
    rows: list[tuple[float, float]] = []
    if not isinstance(raw, list) or len(raw) < 2:
        faults.add(path, 'must be a list of at least two rows, such as [["0 mm", "0 L"], ["80 mm", "60 L"]]')
        return rows
    for index, pair in enumerate(raw):
        row = read_value(schema.StrappingRow, "row", pair, (*path, index), faults)
        if row is not None:
            _check_row(row, rows[-1] if rows else None, (*path, index), faults)
            rows.append(row)
    return rows


def _check_row(row: tuple[float, float], last: tuple[float, float] | None, path: Path, faults: Faults) -> None:
    if last is None:
        if min(row) < 0:
            faults.add(path, "must begin at 0 or above")
        return
    for what, unit, here, before in (("level", "mm", row[0], last[0]), ("volume", "L", row[1], last[1])):
        if here <= before:
            faults.add(path, f"{what} {here:g} {unit} must be above the row before, {before:g} {unit}")


def _tank(v: Table) -> Tank:
    match v.get("shape"):
        case "box":
            return Box(v["length"], v["width"])
        case "vertical-cylinder":
            return VerticalCylinder(v["diameter"])
        case "horizontal-cylinder":
            return HorizontalCylinder(v["diameter"], v["length"], v["ends"])
        case "cone":
            return Cone(v["diameter"], v["height"])
    if "table" in v:
        levels, volumes = zip(*v["table"], strict=True)
        return StrappingTable(levels, volumes)
    return PerHeight(v["per_height"])


def _signals(raw: Any, path: Path, known: Known, faults: Faults) -> dict[Signal, SignalSpec]:
    found: dict[Signal, SignalSpec] = {}
    for name, table in tables_in({} if raw is None else raw, path, faults).items():
        if name not in set(Signal):
            meant = _OTHER_NAMES.get(name.lower())
            hint = f'did you mean "{meant}"? ' if meant else near(name, list(Signal))
            text = f"is no signal of a sump: {hint}use {listed(list(Signal))}"
            faults.add((*path, name), text)
            continue
        signal = _signal(Signal(name), table, (*path, name), known, faults)
        if signal:
            found[signal.signal] = signal
    return found


def _signal(signal: Signal, raw: Any, path: Path, known: Known, faults: Faults) -> SignalSpec | None:
    before = faults.noted
    v = read_table(schema.SignalTable, raw, path, faults)
    known.check("source", v.get("source"), (*path, "source"), faults)
    unit = _unit(signal, v["unit"], (*path, "unit"), faults) if "unit" in v else None
    if v.get("scale") == 0:
        faults.add((*path, "scale"), "0 would make all values the same: write the factor, such as 0.1")
    loop = None if v.get("current") is None else read_loop(signal, v["current"], unit, v, (*path, "current"), faults)
    if faults.noted > before or unit is None:
        return None
    return SignalSpec(signal, v["source"], v["address"], unit, v["period"], v["scale"], v["offset"], loop)


def _unit(signal: Signal, text: str | None, path: Path, faults: Faults) -> Unit | None:
    dimensions = DIMENSIONS[signal]
    if text is None and dimensions != ("one",):
        examples = listed((_UNIT_EXAMPLES[one] for one in dimensions), quoted=True)
        faults.miss(path, f"is missing: the unit the device sends, such as {examples}")
        return None
    try:
        return parse_unit(text or "1", *dimensions)
    except QuantityError as error:
        faults.add(path, str(error))
        return None
