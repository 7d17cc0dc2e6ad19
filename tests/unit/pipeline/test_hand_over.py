"""The round before going home, end to end: readings in, one message out, the work done, nothing leaves by morning."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.plant.types import Plant
from monitor.post import PostOffice
from monitor.record.store import Record
from tests.unit.pipeline.shop import Machine, plant_of
from tests.unit.pipeline.test_care import Shift
from tests.unit.post.office import KEY, rows_of

PEOPLE = """
[channel.post]
kind = "mail"
host = "127.0.0.1"
security = "plain"
sender = "bandkeeper@example.org"
[person.ana]
name = "Ana"
reach = [{ channel = "post", to = "ana@example.org" }]
[route.all]
to = ["ana"]
[reports]
to = ["ana"]
morning = false
"""
AREAS = {"mill-02": "hall-2", "lathe-04": "hall-1", "saw-01": "hall-2", "hone-02": "hall-1", "press-03": ""}
"""The order of the plant file, each with its area."""


def machines() -> list[Machine]:
    """Give five sumps of which three leave their band in the night from Monday to Tuesday."""
    return [
        Machine("mill-02", volume_l=330.0, concentration_pct=8.2, evaporation_l_per_h=3.0, drag_out_l_per_h=0.2),
        Machine("lathe-04", volume_l=330.0, concentration_pct=8.25, evaporation_l_per_h=3.0, drag_out_l_per_h=0.2),
        Machine("saw-01", volume_l=390.0, concentration_pct=7.5, evaporation_l_per_h=0.6),
        Machine("hone-02", volume_l=330.0, concentration_pct=8.0, evaporation_l_per_h=3.4, drag_out_l_per_h=0.2),
        Machine("press-03", volume_l=390.0, concentration_pct=7.5, evaporation_l_per_h=0.4),
    ]


class Night(Shift):
    """A shop from Monday 00:00 on, with the post office over its pipeline."""

    def __init__(self, folder: Path) -> None:
        super().__init__(*machines())
        plant = self.pipeline.plant
        sumps = {name: replace(sump, area=AREAS[name]) for name, sump in plant.sumps.items()}
        told = plant_of(machines(), tail=PEOPLE)
        self.plant: Plant = replace(plant, sumps=sumps, alerting=told.alerting)
        self.record = Record.open(folder / "bandkeeper.db", now_s=self.now_s)
        self.post = PostOffice(self.plant, self.record, KEY, seen_alert=lambda _name: None, stream=False)
        self.out: set[str] = set()

    def until(self, hour: float) -> None:
        while self.hour < hour - 1e-9:
            super().until(min(self.hour + 0.5, hour))
            self.post.turn(self.pipeline.snapshot, self.now_s)
            low, high = self.plant.fluids["semi-synthetic"].band_pct
            self.out |= {m.name for m in self.machines.values() if not low <= m.concentration_pct <= high}

    def hand_overs(self) -> list[dict[str, Any]]:
        return [json.loads(row["body"]) for row in rows_of(self.record.path) if row["event"].startswith("hand-over")]


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Night]:
    found = Night(tmp_path)
    with closing(found.record):
        yield found


def test_one_message_before_the_window_ends_lists_what_to_do_and_then_nothing_leaves(night: Night) -> None:
    night.until(20.5)
    assert night.hand_overs() == []
    night.until(21.0)
    (said,) = night.hand_overs()
    assert said["subject"] == "Now, so that nothing leaves its band before Tue 06:00: 3 sumps"
    blocks = dict(block.split("\n", 1) for block in said["text"].split("\n\n") if "\n" in block)
    walk = [line.split(" ")[0] for name in ("HALL-1", "HALL-2") for line in blocks[name].strip().splitlines()]
    assert walk == ["lathe-04", "hone-02", "mill-02"], "areas by name, sumps as in the plant file"
    assert "saw-01" not in said["text"]
    assert "press-03" not in said["text"]

    asked: dict[str, float] = {}
    for name in walk:
        recipe = night.recipe(name)
        (line,) = (line for line in said["text"].splitlines() if line.startswith(f"{name} ("))
        for step in recipe.steps:
            if step.do == "add":
                assert f"at {step.mix_pct:g} %" in line
                asked[f"{step.mix_pct:g}"] = asked.get(f"{step.mix_pct:g}", 0.0) + (step.volume_l or 0.0)
    cart = re.findall(r"^([\d.]+) L of semi-synthetic at ([\d.]+) %, soft water$", blocks["TAKE ALONG"], re.MULTILINE)
    assert {mix: float(litres) for litres, mix in cart} == pytest.approx(asked)
    (whole,) = re.findall(r"^In all ([\d.]+) L of semi-synthetic, ([\d.]+) L concentrate", said["text"], re.MULTILINE)
    strong = sum(litres * float(mix) / 100.0 for mix, litres in asked.items())
    assert (float(whole[0]), float(whole[1])) == pytest.approx((sum(asked.values()), strong), abs=0.02)

    for name in walk:
        night.pour(name, night.recipe(name))
    night.until(30.0)
    assert night.out == set(), "nothing has left its band until somebody is back"
    assert len(night.hand_overs()) == 1


def test_without_the_round_they_would_have_left(night: Night) -> None:
    night.until(30.0)
    assert night.out >= {"lathe-04", "hone-02", "mill-02"}
    assert night.out.isdisjoint({"saw-01", "press-03"})
