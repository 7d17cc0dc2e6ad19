"""Loading a plant file: all its faults at once, or the plant.

text ─ syntax.py ─▶ document + lines ─ tables.py, sumps.py, sources.py, build.py ─▶ Plant or faults
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from pydantic import Field
from pydantic.json_schema import GenerateJsonSchema

from monitor.plant import schema
from monitor.plant.build import build_plant
from monitor.plant.errors import Fault, PlantFileError
from monitor.plant.faults import Faults
from monitor.plant.lines import Lines
from monitor.plant.people_schema import (
    AlertsTable,
    ChannelTable,
    ClosedTable,
    GroupTable,
    OnCallTable,
    PersonTable,
    ReportsTable,
    RouteTable,
)
from monitor.plant.record_schema import RecordTable
from monitor.plant.sources import SourceTable
from monitor.plant.syntax import read_toml
from monitor.plant.types import Plant

MOST_BYTES = 16 * 1024 * 1024


class PlantFile(schema.TableModel):
    """A plant: its fluids, waters, duties, sumps, and where its readings come from."""

    plant: schema.PlantTable
    fluid: dict[schema.Identifier, schema.FluidTable] = Field(default_factory=dict)
    water: dict[schema.Identifier, schema.WaterTable] = Field(default_factory=dict)
    duty: dict[schema.Identifier, schema.DutyTable] = Field(default_factory=dict)
    sump: dict[schema.Identifier, schema.SumpTable]
    source: dict[schema.Identifier, SourceTable] = Field(default_factory=dict)
    publish: schema.PublishTable | None = None
    station: schema.StationTable | None = None
    status: schema.StatusTable | None = None
    record: RecordTable | None = None
    channel: dict[schema.Identifier, ChannelTable] = Field(default_factory=dict)
    person: dict[schema.Identifier, PersonTable] = Field(default_factory=dict)
    group: dict[schema.Identifier, GroupTable] = Field(default_factory=dict)
    on_call: dict[schema.Identifier, OnCallTable] = Field(default_factory=dict)
    route: dict[schema.Identifier, RouteTable] = Field(default_factory=dict)
    reports: ReportsTable | None = None
    alerts: AlertsTable | None = None
    closed: list[ClosedTable] = Field(default_factory=list)


def load_plant(path: Path) -> Plant:
    """Load a plant file. Raises PlantFileError with all its faults in line order; a file that can't be read is one."""
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        text = f"cannot be read ({error.strerror or error}): give the path of a plant file"
        raise PlantFileError([Fault(str(path), 1, "file", text)]) from error
    text = _decoded(raw, str(path))
    plant, faults = check_text(text, path)
    if plant is None:
        raise PlantFileError(faults)
    return plant


def check_text(text: str, path: Path) -> tuple[Plant | None, list[Fault]]:
    """Check the text of a plant file that lies at `path`; the file itself is not read.

    Returns the plant and no faults, or None and all faults in line order.
    """
    reading = read_toml(text, str(path))
    if reading.document is None:
        return None, Faults(str(path), Lines()).with_these(reading.faults)
    faults = Faults(str(path), reading.lines, reading.broken)
    plant = build_plant(reading.document, Path(path), faults, os.environ.get("CREDENTIALS_DIRECTORY"))
    found = faults.with_these(reading.faults)
    return (None if found else plant), found


def plant_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plant file, for editors."""
    return {"$schema": GenerateJsonSchema.schema_dialect, **PlantFile.model_json_schema()}


def _decoded(raw: bytes, file: str) -> str:
    if len(raw) > MOST_BYTES:
        raise PlantFileError([Fault(file, 1, "file", f"is longer than {MOST_BYTES} bytes: this is no plant file")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise PlantFileError([Fault(file, line, "file", "is not UTF-8 text: save it as UTF-8")]) from error
