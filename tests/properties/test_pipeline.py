"""Laws of the pipeline: what it says hangs on what happened, never on how and when it heard of it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.model.layout import BIN_S
from monitor.model.types import Event
from monitor.pipeline import Pipeline
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.snapshot import Changes
from tests.unit.pipeline.shop import BEGIN_S, entries_for, machines, plant_of, readings_of
from tests.unit.pipeline.still import SETTLE_S, believed, foreseen, state_of

HOURS = 20
END_S = BEGIN_S + HOURS * 3600.0
PLANT = plant_of(machines())
READINGS = tuple(readings_of(machines(), HOURS))
ENTRIES = tuple(entries_for())
SLOW = settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a run takes seconds: a failure is shown as it was found
)
DURATIONS = st.sampled_from([BIN_S, 3 * BIN_S, 3600.0, 2.5 * 3600.0, 6 * 3600.0, 30 * 3600.0])


@dataclass(frozen=True)
class Heard:
    """Input as it arrives: what, and when each piece is known."""

    readings: tuple[Reading, ...] = READINGS
    entries: tuple[Entry, ...] = ENTRIES


def run(heard: Heard, step_s: float = 300.0, *, until_s: float = END_S + 2 * BIN_S) -> tuple[Pipeline, list[Changes]]:
    """Look every `step_s` seconds at what arrived meanwhile, in the order given, and pass what is due."""
    pipeline = Pipeline(PLANT, settle_s=SETTLE_S)
    changes: list[Changes] = []
    lumps: dict[int, tuple[list[Reading], list[Entry]]] = {}
    for reading in heard.readings:
        lumps.setdefault(int((reading.arrived_s - BEGIN_S) // step_s), ([], []))[0].append(reading)
    for entry in heard.entries:
        lumps.setdefault(int((entry.logged_s - BEGIN_S) // step_s), ([], []))[1].append(entry)
    for number in range(int((until_s - BEGIN_S) // step_s) + 1):
        pipeline.take(*lumps.get(number, ((), ())))
        changes += pipeline.run_until(min(BEGIN_S + (number + 1) * step_s, until_s) - SETTLE_S)
    return pipeline, changes


@cache
def in_order() -> tuple[Pipeline, list[Changes]]:
    return run(Heard())


def events_of(pipeline: Pipeline) -> list[Event]:
    return pipeline.engine.events()


def same(one: Pipeline, other: Pipeline) -> None:
    assert one.stands_at_s == other.stands_at_s
    assert state_of(one) == state_of(other)
    assert believed(one) == believed(other)
    assert foreseen(one) == foreseen(other)
    assert events_of(one) == events_of(other)


def test_the_reference_has_events_and_alerts() -> None:
    pipeline, changes = in_order()
    assert any(change.transitions for change in changes)
    assert {view.estimate.known for view in pipeline.snapshot.sumps.values()} == {True}
    assert events_of(pipeline), "the top-up or the removal nobody logged"


@SLOW
@given(seed=st.integers(0, 2**32), step_s=DURATIONS)
def test_lumps_in_any_inner_order_say_everything_the_same(seed: int, step_s: float) -> None:
    dice = random.Random(seed)
    shuffled = Heard(tuple(dice.sample(READINGS, len(READINGS))), tuple(dice.sample(ENTRIES, len(ENTRIES))))
    pipeline, changes = run(shuffled, step_s)
    expected_pipeline, expected = in_order()
    same(pipeline, expected_pipeline)
    assert changes == expected


@SLOW
@given(seed=st.integers(0, 2**32), share=st.floats(0.0, 0.5), late_h=st.floats(0.1, 15.0))
def test_late_and_doubled_readings_end_in_the_same_state(seed: int, share: float, late_h: float) -> None:
    dice = random.Random(seed)
    late_s = [dice.uniform(0.0, 3600.0 * late_h) if dice.random() < share else 0.0 for _ in READINGS]
    heard = [
        replace(one, arrived_s=min(one.arrived_s + late, END_S)) for one, late in zip(READINGS, late_s, strict=True)
    ]
    doubled = [replace(one, arrived_s=min(one.arrived_s + 60.0, END_S)) for one in dice.sample(heard, len(heard) // 5)]
    everything = heard + doubled
    dice.shuffle(everything)
    pipeline, _ = run(Heard(tuple(everything)))
    same(pipeline, in_order()[0])


@SLOW
@given(st.lists(st.floats(0.0, 12.0), min_size=len(ENTRIES), max_size=len(ENTRIES)))
def test_entries_logged_hours_late_end_in_the_same_state(late_h: list[float]) -> None:
    late = (
        replace(entry, logged_s=min(entry.time_s + 3600.0 * hours, END_S))
        for entry, hours in zip(ENTRIES, late_h, strict=True)
    )
    pipeline, _ = run(Heard(entries=tuple(late)))
    same(pipeline, in_order()[0])


def resumed(changes: Sequence[Changes], blob: bytes, time_s: float) -> tuple[Pipeline, list[Changes]]:
    """Go on from a checkpoint with all that is told of its moment and later."""
    del changes
    pipeline = Pipeline(PLANT, settle_s=SETTLE_S)
    pipeline.restore(blob, [entry for entry in ENTRIES if entry.time_s < time_s])
    pipeline.take([one for one in READINGS if one.time_s >= time_s], [one for one in ENTRIES if one.time_s >= time_s])
    return pipeline, list(pipeline.run_until(END_S + 2 * BIN_S - SETTLE_S))


@pytest.mark.parametrize("hour", range(1, HOURS, 2))
def test_going_on_from_any_full_hour_says_everything_the_same(hour: int) -> None:
    time_s = BEGIN_S + 3600.0 * hour
    until = [one for one in READINGS if one.arrived_s <= time_s + SETTLE_S]
    pipeline = Pipeline(PLANT, settle_s=SETTLE_S)
    pipeline.take(until, [entry for entry in ENTRIES if entry.logged_s <= time_s + SETTLE_S])
    said = list(pipeline.run_until(time_s))
    again, rest = resumed(said, pipeline.checkpoint()[1], time_s)
    expected_pipeline, expected = in_order()
    same(again, expected_pipeline)
    assert rest[0].snapshot == said[-1].snapshot
    assert [*said, *rest[1:]] == expected


@SLOW
@given(
    sump=st.sampled_from(["mill-07", "saw-01"]),
    level_mm=st.floats(-1e4, 1e12),
    from_h=st.floats(0.0, HOURS - 1.0),
    stuck=st.booleans(),
)
def test_one_sick_sensor_moves_no_other_sump_beyond_the_common_weather(
    sump: str, level_mm: float, from_h: float, stuck: bool
) -> None:
    dice = random.Random(3)
    from_s = BEGIN_S + 3600.0 * from_h
    sick = tuple(
        replace(one, value=level_mm if stuck else dice.choice([level_mm, -level_mm, one.value]))
        if one.sump == sump and one.signal is Signal.LEVEL and one.time_s >= from_s
        else one
        for one in READINGS
    )
    pipeline, _ = run(Heard(sick))
    healthy = believed(in_order()[0])
    for name, estimate in believed(pipeline).items():
        if name != sump:
            assert estimate.volume_l == pytest.approx(healthy[name].volume_l, abs=0.3 * healthy[name].volume_sd_l)
            off = abs(estimate.concentration_pct - healthy[name].concentration_pct)
            assert off <= 0.3 * healthy[name].concentration_sd_pct
            assert estimate.known


def test_a_log_book_full_of_nonsense_about_one_sump_leaves_the_others() -> None:
    wild = [
        Entry(f"w-{n}", "saw-01", kind, BEGIN_S + 3600.0 * n, BEGIN_S + 3600.0 * n, 1e9, 100.0, 1e9, "%")
        for n, kind in enumerate(list(EntryKind) * 3)
    ]
    pipeline, _ = run(Heard(entries=(*ENTRIES, *wild)))
    healthy, found = believed(in_order()[0]), believed(pipeline)
    for name in ("lathe-04", "mill-07", "hone-02"):
        assert abs(found[name].volume_l - healthy[name].volume_l) <= 0.3 * healthy[name].volume_sd_l
        assert (
            abs(found[name].concentration_pct - healthy[name].concentration_pct)
            <= 0.3 * healthy[name].concentration_sd_pct
        )
