"""What happens after a recipe, through the whole pipeline: landings, set-aside fluid, what the station dispensed."""

from __future__ import annotations

import random
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from adapters.delivery import Delivery
from adapters.dispensed import read_dispensed
from alerts.landed import Verdict
from alerts.types import Recipe, RecipeKind
from alerts.watching import LandingRecord
from monitor.pipeline import Pipeline
from monitor.plant.reading import Entry, EntryKind, Reading
from monitor.record.store import Record
from monitor.rounds import Round
from monitor.snapshot import Changes
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of
from tests.unit.pipeline.still import Still, with_record

STEP_S = 300.0
HOUR_S = 3600.0


class Shift:
    """A shop whose readings are made as time passes, so that somebody can act on what the pipeline says."""

    def __init__(self, *machines: Machine) -> None:
        self.machines = {machine.name: machine for machine in machines}
        self.pipeline = Pipeline(plant_of(list(machines)))
        self.dice = random.Random(3)
        self.hour = 0.0
        self.landings: list[LandingRecord] = []

    @property
    def now_s(self) -> float:
        return BEGIN_S + self.hour * HOUR_S

    def until(self, hour: float) -> None:
        while self.hour < hour - 1e-9:
            for machine in self.machines.values():
                machine.pass_hours(self.hour, STEP_S / HOUR_S)
            self.hour = round(self.hour + STEP_S / HOUR_S, 9)
            self.pipeline.take([reading for machine in self.machines.values() for reading in self.heard(machine)])
            for changes in self.pipeline.run_until(self.now_s):
                self.landings += changes.landings

    def heard(self, machine: Machine) -> list[Reading]:
        at = self.now_s - 60.0
        return [Reading(machine.name, signal, v, at, at) for signal, v in machine.says(self.hour, self.dice).items()]

    def log(self, sump: str, kind: str, **more: object) -> None:
        at = self.now_s - 30.0
        entry = Entry(f"{sump}-{kind}-{at}", sump, EntryKind(kind), at, at)
        self.pipeline.take((), [replace(entry, **more)])  # type: ignore[arg-type]

    def pour(self, sump: str, recipe: Recipe, *, strength: float = 1.0) -> None:
        machine = self.machines[sump]
        for step in recipe.steps:
            litres, mix = step.volume_l or 0.0, (step.mix_pct or 0.0) * strength
            if step.do == "take_out":
                machine.volume_l -= litres
            elif step.do == "add":
                strong = machine.volume_l * machine.concentration_pct + litres * mix
                machine.volume_l += litres
                machine.concentration_pct = strong / machine.volume_l

    def recipe(self, sump: str) -> Recipe:
        recipe = self.pipeline.snapshot.sumps[sump].recipe
        assert recipe is not None
        return recipe


def thirsty(name: str = "lathe-04", **changes: float) -> Machine:
    return Machine(name, volume_l=300.0, concentration_pct=9.0, evaporation_l_per_h=3.0, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(("strength", "verdict"), [(1.0, Verdict.LANDED), (0.2, Verdict.LEAN)])
def test_a_recipe_that_is_followed_is_judged_once_without_anybody_logging_it(strength: float, verdict: Verdict) -> None:
    shift = Shift(thirsty())
    shift.until(20.0)
    recipe = shift.recipe("lathe-04")
    assert recipe.kind is RecipeKind.TOP_UP
    shift.pour("lathe-04", recipe, strength=strength)
    shift.until(24.0)
    assert [landing.verdict for landing in shift.landings] == [verdict]
    (landing,) = shift.pipeline.snapshot.sumps["lathe-04"].landings
    assert landing.said_pct == recipe.lands.concentration_pct
    assert landing.found_volume_l == pytest.approx(recipe.lands.volume_l, abs=8.0)


def test_fluid_that_is_set_aside_comes_back_in_another_sumps_recipe() -> None:
    shift = Shift(thirsty(), Machine("mill-07", volume_l=385.0, concentration_pct=11.5, evaporation_l_per_h=0.3))
    shift.until(12.0)
    shift.log("mill-07", "check", value=11.5, unit="%")
    shift.log("mill-07", "removal", volume_l=60.0, container="can-7")
    shift.machines["mill-07"].volume_l -= 60.0
    shift.until(20.0)
    (can,) = shift.pipeline.snapshot.set_aside
    assert (can.id, can.volume_l, can.sumps) == ("can-7", 60.0, ("mill-07",))
    assert can.strength_pct == pytest.approx(11.5, abs=0.4)
    recipe = shift.recipe("lathe-04")
    assert recipe.kind is RecipeKind.USE_SET_ASIDE
    shift.log("lathe-04", "check", value=11.4, volume_l=0.0, container="can-7")
    believed = shift.pipeline.snapshot.sumps["lathe-04"].estimate.concentration_pct
    shift.until(21.5)
    assert shift.pipeline.snapshot.set_aside == ()
    assert shift.pipeline.snapshot.sumps["lathe-04"].estimate.concentration_pct == pytest.approx(believed, abs=0.3)


def test_minerals_and_demands_are_in_the_picture() -> None:
    shift = Shift(thirsty())
    shift.until(6.0)
    shift.log("lathe-04", "hardness", value=180.0, unit="ppm")
    shift.until(8.5)
    snapshot = shift.pipeline.snapshot
    (hardness,) = snapshot.sumps["lathe-04"].minerals
    assert hardness.now == pytest.approx(180.0, abs=2.0)
    assert snapshot.mixing["semi-synthetic"].plan is not None


def test_what_the_station_dispensed_is_on_record_once_however_often_it_reports(tmp_path: Path) -> None:
    plant = with_record(plant_of([Machine("lathe-04")]), tmp_path / "bandkeeper.db")
    still = Still(plant)
    raw = b'{"id": "r-1", "sump": "lathe-04", "volume_l": 60, "mix_pct": 4.5}'
    report = read_dispensed(raw, plant.sumps, BEGIN_S)
    done: list[int] = []
    for number in range(3):
        delivery = Delivery((), done=partial(done.append, number), entries=(report,))
        posted: list[tuple[Entry, Future[bool]]] = [(replace(report, logged_s=BEGIN_S + number), Future())]
        assert still.worker._store(Round([delivery], posted))
    assert done == [0, 1, 2]
    (entry,) = still.daemon.reader().entries(BEGIN_S - 60.0, BEGIN_S + 60.0)
    assert (entry.who, entry.volume_l, entry.mix_pct) == ("station", 60.0, 4.5)
    still.daemon.stop()


def test_landings_are_kept_on_record(tmp_path: Path) -> None:
    shift = Shift(thirsty())
    shift.until(20.0)
    record = Record.open(tmp_path / "bandkeeper.db", now_s=shift.now_s)
    shift.pour("lathe-04", shift.recipe("lathe-04"))
    shift.until(22.0)
    assert shift.landings
    for landing in shift.landings * 2:
        record.save(replace(_nothing(shift), landings=(landing,)))
    assert record.reader().landings("lathe-04") == shift.landings
    assert record.reader().landings("mill-07") == []
    record.close()


def _nothing(shift: Shift) -> Changes:
    return Changes(shift.pipeline.snapshot)
