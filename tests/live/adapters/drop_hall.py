"""A hall that tells its levels by files: the plant, files to drop, and what became of them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from adapters.folder import FolderInlet
from monitor.plant.reading import Signal
from monitor.plant.types import Plant
from tests.fixtures.plants import mqtt_source, plant, signal, source, sump

HEAD = "time,sump,signal,value\n"
SETTLE_S = 0.05
MakeFolderInlet = Callable[..., FolderInlet]


def row(minute: int, value: object, name: str = "lathe-04", what: str = "level") -> str:
    return f"2026-03-03T{minute // 60:02}:{minute % 60:02}:00Z,{name},{what},{value}\n"


def rows(count: int, first: int = 0) -> str:
    return HEAD + "".join(row(minute, 200 + minute / 10) for minute in range(first, first + count))


def works(folder: Path) -> Plant:
    return plant(
        [source("drop", "folder", "csv", {"path": folder, "settle": SETTLE_S}), mqtt_source("hall", 1883)],
        sump(
            "lathe-04",
            signal(Signal.LEVEL, "drop", "lathe-04/level", "mm"),
            signal(Signal.REFRACTOMETER, "hall", "brix", "degBx"),
        ),
    )


def put(folder: Path, name: str, text: str | bytes) -> Path:
    """Put a file into the folder by renaming, as a careful program does."""
    path = folder / name
    part = folder / f".{name}.part"
    part.write_bytes(text.encode() if isinstance(text, str) else text)
    part.rename(path)
    return path


def done(folder: Path) -> list[str]:
    return sorted(path.name for path in (folder / "done").iterdir()) if (folder / "done").exists() else []


def listed(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / "done" / f"{name}.rejected.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))
