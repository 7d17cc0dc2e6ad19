"""Kills while the record is looked after, under a daemon: what it believes is what an undisturbed run believes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.plant.types import Keeping, Plant
from monitor.record.store import Record
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of
from tests.unit.pipeline.still import Still, believed, foreseen, state_of, with_record

DAY_S = 86_400.0
HOURS = 66
EVERY_S = 900.0
SHORT = Keeping(DAY_S, DAY_S, 300 * DAY_S, DAY_S, 300 * DAY_S, 300 * DAY_S)
LONG = Keeping(*(math.inf for _ in range(6)))


class KilledError(Exception):
    """Stands for the moment at which the process is gone."""


@contextmanager
def gone_after(monkeypatch: pytest.MonkeyPatch, commits: int) -> Iterator[None]:
    """Let the process be gone in the transaction after so many, before its commit."""
    left = [commits]
    outermost = Record._outermost

    @contextmanager
    def counted(record: Record) -> Iterator[None]:
        with outermost(record):
            yield
            left[0] -= 1
            if left[0] < 0:
                raise KilledError

    with monkeypatch.context() as patched:
        patched.setattr(Record, "_outermost", counted)
        yield


def run(plant: Plant, monkeypatch: pytest.MonkeyPatch, *, disturbed: bool) -> Still:
    """Let 66 hours pass; a disturbed run is killed in every third hour's upkeep and started again."""
    readings = readings_of(machines(), HOURS, every_s=EVERY_S)
    still = Still(plant)
    for hour in range(HOURS):
        now_s = BEGIN_S + 3600.0 * (hour + 1) + 60.0
        still.hear(now_s, [one for one in readings if now_s - 3600.0 <= one.arrived_s < now_s])
        if disturbed and hour % 3 == 2:
            with gone_after(monkeypatch, hour % 5), suppress(KilledError):  # now and then there is less to do
                look_after(still, now_s)
            still.kill()
            still = Still(plant, now_s)
        look_after(still, now_s)
    return still


def look_after(still: Still, now_s: float) -> None:
    while still.daemon._record.upkeep(now_s):
        pass


def test_estimates_after_kills_in_the_upkeep_are_those_of_an_undisturbed_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = plant_of(machines())
    whole = run(replace(with_record(plant, tmp_path / "whole.db"), keeping=LONG), monkeypatch, disturbed=False)
    short = run(replace(with_record(plant, tmp_path / "short.db"), keeping=SHORT), monkeypatch, disturbed=True)
    assert state_of(short.pipeline) == state_of(whole.pipeline)
    assert believed(short.pipeline) == believed(whole.pipeline)
    assert foreseen(short.pipeline) == foreseen(whole.pipeline)
    kept, every = short.on_record(), whole.on_record()
    assert kept[0].time_s >= BEGIN_S + DAY_S
    assert kept == every[-len(kept) :]
    assert short.daemon.reader().readings_from_s() == BEGIN_S + DAY_S
    span = (BEGIN_S, BEGIN_S + 2 * DAY_S, 2)
    for sump in plant.sumps:
        mine, theirs = short.daemon.reader().history(sump, *span), whole.daemon.reader().history(sump, *span)
        assert mine.keys() == theirs.keys()
        for signal in mine:
            assert [point[1:] for point in mine[signal]] == [pytest.approx(point[1:]) for point in theirs[signal]]
    short.kill()
    whole.kill()
