"""Levels that changed places and showed nearly the same: told by the starts and stops that show in the wrong sump."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from monitor.model import crosswise, toggles
from monitor.model.engine import Engine
from monitor.model.layout import HOLD_UP, VOLUME, Fixed, Floats
from monitor.model.state import State
from monitor.plant.reading import Signal
from tests.unit.model.runs import HOUR_S, fed, idle_state
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of, readings_of

STEP_L = 16.0


def jump(state: State, fixed: Fixed, rises_l: Floats, k: int, ran: tuple[Floats, Floats]) -> list[tuple[int, int]]:
    """Let levels jump in bin k, machines having run `ran` before and after; return who is found exchanged."""
    nothing = np.zeros(len(rises_l))
    for at in range(k - 7, k + 1):
        told = ran[0] if at < k - 1 else ran[1]
        toggles.note(state, state.mean[:, VOLUME], told, nothing, nothing + 3.0, at)
    before, jumped = state.mean[:, VOLUME].copy(), rises_l != 0.0
    state.mean[:, VOLUME] += rises_l
    crosswise.note(state, fixed, jumped, before, k)
    return crosswise.pairs(state, jumped, k)


def machines(first: float, second: float) -> Floats:
    return np.array([first, second, 0.0])


def rises(first: float, second: float) -> Floats:
    return np.array([first, second, 0.0])


def test_a_start_and_a_stop_that_show_in_the_wrong_sump_tell_which_two_changed_places() -> None:
    state, fixed = idle_state()
    started = machines(0.0, 0.0), machines(1.0, 0.0)
    stopped = machines(1.0, 0.0), machines(0.0, 0.0)
    assert jump(state, fixed, rises(STEP_L, -STEP_L), 40, started) == []
    assert jump(state, fixed, rises(-STEP_L, STEP_L), 60, stopped) == [(0, 1)]


def test_without_a_running_signal_it_takes_a_third_turn() -> None:
    state, fixed = idle_state()
    nobody = machines(np.nan, np.nan), machines(np.nan, np.nan)
    nobody[0][2] = nobody[1][2] = np.nan
    found = [
        jump(state, fixed, rises(side * STEP_L, -side * STEP_L), 40 + 20 * n, nobody)
        for n, side in enumerate((1, -1, 1))
    ]
    assert found == [[], [], [(0, 1)]]


@pytest.mark.parametrize(
    "second",
    [
        (-STEP_L, 3.0 * STEP_L),  # not as far
        (-STEP_L, -STEP_L),  # the same way
        (STEP_L, -STEP_L),  # not in turn
        (-STEP_L, 0.0),  # alone
    ],
)
def test_what_people_fill_in_and_take_out_is_no_exchange(second: tuple[float, float]) -> None:
    state, fixed = idle_state()
    started, stopped = (machines(0.0, 0.0), machines(1.0, 0.0)), (machines(1.0, 0.0), machines(0.0, 0.0))
    jump(state, fixed, rises(STEP_L, -STEP_L), 40, started)
    assert jump(state, fixed, rises(*second), 60, stopped) == []


def test_what_lies_days_back_does_not_count() -> None:
    state, fixed = idle_state()
    started, stopped = (machines(0.0, 0.0), machines(1.0, 0.0)), (machines(1.0, 0.0), machines(0.0, 0.0))
    jump(state, fixed, rises(STEP_L, -STEP_L), 40, started)
    assert jump(state, fixed, rises(-STEP_L, STEP_L), 40 + 5 * 96, stopped) == []


def test_each_gets_the_volume_that_the_others_gauge_shows() -> None:
    state, fixed = idle_state()
    state.mean[:, HOLD_UP] = 10.0
    shown = np.array([200.0, 240.0, 300.0])
    crosswise.put_right(state, fixed, shown, np.array([1.0, 0.0, 0.0]), [(0, 1)])
    assert state.mean[:2, VOLUME] == pytest.approx([250.0, 200.0])
    assert (np.sqrt(state.cov[:2, VOLUME, VOLUME]) > 0.02 * fixed.full_l[:2]).all()


@dataclass
class Shift(Machine):
    """A machine that begins at an hour of its own."""

    begin_h: float = 6.0

    def runs(self, hour: float) -> bool:
        return self.begin_h <= hour % 24.0 < 22.0


@pytest.mark.parametrize("silent", [(), ("lathe-01", "lathe-02"), ("lathe-02", "lathe-01")])
def test_both_have_their_own_volume_again_whichever_gauge_was_silent_for_a_bin(silent: tuple[str, ...]) -> None:
    """One gauge says nothing in the bin of the start that tells, the other one half an hour later."""
    shop: list[Machine] = [
        Shift("lathe-01", hold_up_l=20.0),
        Shift("lathe-02", hold_up_l=20.0, begin_h=8.0),
    ]
    crossed, told_h = BEGIN_S + 73.0 * HOUR_S, 80.0
    gaps = {name: BEGIN_S + told_h * HOUR_S + 1800.0 * later for later, name in enumerate(silent)}
    other = {"lathe-01": "lathe-02", "lathe-02": "lathe-01"}
    heard = []
    for one in readings_of(shop, told_h + 1.0):
        swapped = one.signal is Signal.LEVEL and one.time_s >= crossed
        said = replace(one, sump=other[one.sump]) if swapped else one
        gap_s = gaps.get(said.sump)
        if said.signal is not Signal.LEVEL or gap_s is None or not gap_s <= said.time_s < gap_s + 900.0:
            heard.append(said)
    end_s = BEGIN_S + (told_h + 1.0) * HOUR_S
    engine = fed(Engine(plant_of(shop)), heard, [], end_s)
    assert sum("changed places" in event.detail for event in engine.events()) == 2
    assert engine.at(end_s).mean[:, VOLUME] == pytest.approx([machine.volume_l for machine in shop], abs=5.0)
