"""Told stories: each folder holds a plant, a recording, a log book and what must come out of them.

`expected.json`: `events` and `alerts` that must be there (each number or moment between two bounds), `no_events` kinds
that must not, and `last`, bounds for the last forecast of each sump.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from monitor.plant.file import load_plant
from monitor.replay import Order, replay

HERE = Path(__file__).parent
STORIES = sorted(path.parent.name for path in HERE.glob("*/expected.json"))
COLUMNS = {"time": "time", "detected": "detected_at", "raised": "raised_at"}


def told(story: Path, out: Path) -> dict[str, list[dict[str, str]]]:
    plant = load_plant(story / "plant.toml")
    order = Order(story / "readings.csv.gz", story / "entries.csv", 3600.0, None, None, out)
    summary = replay(plant, order, Console(file=io.StringIO()))
    assert summary.rejected == 0
    found = {}
    for name in ("forecasts", "events", "alerts"):
        with (out / f"{name}.csv").open(newline="") as source:
            found[name] = list(csv.DictReader(source))
    return found


def fits(row: Mapping[str, str], wanted: Mapping[str, Any]) -> bool:
    """Tell whether a row is what is wanted: moments and numbers between bounds, recipes of one of some kinds."""
    for name, value in wanted.items():
        if name == "recipe":
            if not row["recipe"] or json.loads(row["recipe"])["kind"] not in value:
                return False
        elif isinstance(value, str):
            if row[name] != value:
                return False
        elif isinstance(value[0], str):
            if not value[0] <= row[COLUMNS[name]] <= value[1]:
                return False
        elif not value[0] <= float(row[name] or "nan") <= value[1]:
            return False
    return True


@pytest.mark.parametrize("name", STORIES)
def test_story(name: str, tmp_path: Path) -> None:
    expected = json.loads((HERE / name / "expected.json").read_text(encoding="utf-8"))
    assert set(expected) <= {"events", "alerts", "no_events", "last"}
    found = told(HERE / name, tmp_path)
    for kind in ("events", "alerts"):
        for wanted in expected.get(kind, []):
            assert [row for row in found[kind] if fits(row, wanted)], (wanted, found[kind])
    unwanted = [row for row in found["events"] if row["kind"] in expected.get("no_events", [])]
    assert unwanted == []
    newest = {row["sump"]: row for row in found["forecasts"]}
    for sump, bounds in expected["last"].items():
        for column, bound in bounds.items():
            assert fits(newest[sump], {column: bound}), (sump, column, bound, newest[sump])


def test_there_are_stories_of_all_kinds() -> None:
    kinds = {"unlogged-top-up", "removal", "silent-signal", "leak", "evening-alert", "outside-band", "wrong-entry"}
    assert kinds | {"us-units", "level-only", "refractometer-only", "hand-readings"} <= set(STORIES)
