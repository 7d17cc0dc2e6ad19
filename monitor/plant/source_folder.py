"""[source.…] with kind = "folder": CSV files that are dropped into a folder.

`SourceSpec.payload` is "csv", and its options are:

| option | value |
|---|---|
| path | absolute `Path` of the folder |
| settle | float seconds without a change after which a file counts as complete |
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal

from pydantic import Field

from monitor.plant.faults import Faults
from monitor.plant.lines import Path
from monitor.plant.places import Address, Home
from monitor.plant.schema import Duration, TableModel, Text
from monitor.plant.tables import Table

SHORTEST_S: Final = 0.1
LONGEST_S: Final = 3600.0
_OF_DEVICES: Final = ("scale", "offset", "current")


class FolderTable(TableModel):
    """A folder that CSV files are dropped into."""

    kind: Literal["folder"]
    path: Text = Field(description="the folder, relative to the plant file", examples=["drop"])
    payload: Literal["csv"] = Field("csv", description="what comes: files as for a replay")
    settle: Duration = Field(
        10.0, description="a file that did not change for so long counts as complete", examples=["10 s"]
    )


def folder_options(
    v: Table, path: Path, addresses: Sequence[Address], home: Home, faults: Faults
) -> Mapping[str, object]:
    """Check what spans several keys, and every address: rows name sump and signal."""
    if not SHORTEST_S <= v.get("settle", 10.0) <= LONGEST_S:
        faults.add((*path, "settle"), f"must be {SHORTEST_S:g} s to {LONGEST_S / 3600:g} h")
    for address in addresses:
        if address.text != address.signal:
            text = f'"{address.text}" must be "{address.signal}": rows of a file name the sump and the signal'
            faults.add(address.path, text)
        for key in _OF_DEVICES:
            if key in address.keys:
                faults.add(address.beside(key), "is for what a device sends: a file holds values in the signal's unit")
    return {"path": home.file(v["path"]) if "path" in v else None, "settle": v.get("settle")}
