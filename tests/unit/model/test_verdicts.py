"""Verdicts on slow faults: who is guilty, what is taken back, and that no sump's verdict hangs on another's."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model import leaks, suspects, verdicts
from monitor.model.layout import VOLUME, Fixed
from monitor.model.state import State
from monitor.model.trust import DRIFTED, LEVEL
from tests.unit.model.runs import idle_state

K = 1200
A_DAY = 0.02  # of full
BEGUN = (1000, 1100, 1050)


def suspected(*rows: int) -> tuple[State, Fixed]:
    """Return sumps of which some have a gauge that rises, each since a bin of its own, and looked so for an hour."""
    state, fixed = idle_state(3)
    state.level_known[:] = True
    state.unrest[:, :, 1] = suspects.SETTLED
    state.windows[:, suspects.BEGUN] = K - 20.0
    for row in rows:
        state.windows[row, suspects.BEGUN, 2] = BEGUN[row]
        state.windows[row, [suspects.BINS, suspects.STILL], 2] = 100.0
        state.gram[row, suspects.SQUARES + suspects.LEVEL_RAMP, 2] = 4e4
        state.fit[row, suspects.LEVEL_RAMP, 2] = A_DAY * 4e4
        state.errors[row, VOLUME, suspects.LEVEL_RAMP, 2] = 300.0
        state.suspicion[row, LEVEL] = 1.0
    return state, fixed


def test_a_gauge_that_rises_is_guilty_and_what_it_did_is_taken_back() -> None:
    state, fixed = suspected(1)
    before = state.mean[:, VOLUME].copy()
    (guilty,) = verdicts.reach(state, fixed, K)
    assert (guilty.column, guilty.reason, guilty.rows.tolist()) == (LEVEL, DRIFTED, [1])
    assert guilty.size == pytest.approx([A_DAY], rel=1e-6)
    assert guilty.since.tolist() == [BEGUN[1]]
    assert before - state.mean[:, VOLUME] == pytest.approx([0.0, 300.0 * A_DAY, 0.0], rel=1e-6)


def test_all_windows_of_the_guilty_begin_anew_with_the_next_bin() -> None:
    state, fixed = suspected(0, 1)
    list(verdicts.reach(state, fixed, K))
    assert (state.windows[:2, suspects.BEGUN] == K + 1).all()
    assert (state.windows[2, suspects.BEGUN] == K - 20).all()


def test_what_becomes_of_a_sump_does_not_hang_on_another_that_is_guilty_too() -> None:
    alone, fixed = suspected(0)
    together, _ = suspected(0, 1)
    list(verdicts.reach(alone, fixed, K))
    list(verdicts.reach(together, fixed, K))
    for name in State.NAMES:
        assert np.array_equal(getattr(alone, name)[0], getattr(together, name)[0], equal_nan=True), name


@pytest.mark.parametrize("others_are_asked", [True, False])
def test_a_suspicion_ends_where_nobody_asks(others_are_asked: bool) -> None:
    state, fixed = suspected(0)
    state.leak_watch[0, leaks.LEAKING] = 1.0
    state.leak_watch[1:, leaks.LEAKING] = 0.0 if others_are_asked else 1.0
    assert list(verdicts.reach(state, fixed, K)) == []
    assert state.suspicion[0, LEVEL] == 0.0
