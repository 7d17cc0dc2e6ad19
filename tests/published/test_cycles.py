"""A sump held at its level is a cooling tower whose blowdown is the drag-out: the balance must end at its cycles.

Make-up = evaporation + blowdown (+ drift); cycles of concentration = strength in the tower over strength of the make-up
(US DOE FEMP, best management practice on cooling towers). Table: University of Illinois, campus sustainability office
(2017), 5000 gallons evaporated. Our balance lets `CARRY` times the sump's strength go with the drag-out (a little more
concentrate than water leaves on parts), so its cycles are the tower's divided by that. Worked: E 5 %/d, D 2 %/d hold
8 % with a make-up of 2.285714 % (trade facts, 1.4, derived).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.model.balance import Losses, advance
from monitor.model.filling import pour
from monitor.model.layout import CARRY, STRENGTH, VALVE_MIX, VOLUME, WIDTH, Floats

TABLE = {1.5: (10000, 15000), 2: (5000, 10000), 3: (2500, 7500), 4: (1667, 6667), 5: (1250, 6250),
         6: (1000, 6000), 7: (833, 5833), 8: (714, 5714)}  # fmt: skip
FULL_L, HOURS = 400.0, 0.25


def held(evaporated: float, dragged: float, mix_pct: float, first_pct: float, days: float) -> Floats:
    """Hold a sump at its level for some days (rates in litres a day); return its strength after each bin."""
    mean, cov = np.zeros((1, WIDTH)), np.eye(WIDTH)[None] * 1e-6
    mean[0, VOLUME], mean[0, STRENGTH], mean[0, VALVE_MIX] = FULL_L, first_pct, mix_pct
    share = HOURS / 24.0
    vapour, drag, none = np.array([evaporated * share]), np.array([dragged * share]), np.zeros(1)
    out = []
    for _ in range(round(days * 96)):
        pour(mean, cov, 0.5 * (vapour + drag), np.array([True]))
        advance(mean, cov, Losses(vapour, none, drag, none), HOURS, np.array([1.0]))
        pour(mean, cov, 0.5 * (vapour + drag), np.array([True]))
        out.append(mean[0, STRENGTH])
    assert mean[0, VOLUME] == pytest.approx(FULL_L, abs=1e-6)
    assert np.isfinite(cov).all()
    return np.array(out)


@pytest.mark.parametrize(("cycles", "blowdown", "make_up"), [(c, *row) for c, row in TABLE.items()])
def test_the_balance_ends_at_the_cycles_of_the_table(cycles: float, blowdown: int, make_up: int) -> None:
    """Litres for gallons, 20 L a day for the 5000 evaporated; the table is rounded to whole gallons.

    A step of a quarter of an hour errs by half of what the drag-out turns over in it, 0.05 % in the first row.
    """
    scale = 20.0 / 5000.0
    assert make_up == blowdown + 5000
    dragged, mix = blowdown * scale, 1.0
    tower = cycles / CARRY
    steady = held(20.0, dragged, mix, tower * mix, 30.0)[-1]
    assert steady == pytest.approx(tower, rel=2e-3)
    assert steady * CARRY == pytest.approx(make_up / blowdown, rel=1e-3)


@pytest.mark.parametrize("first_pct", [2.0, 8.0, 12.0])
def test_it_goes_there_from_anywhere_with_the_time_constant_of_the_drag_out(first_pct: float) -> None:
    """c(t) = c_s + (c_0 - c_s) exp(-k D t / V): V / D is the tower's time constant (trade facts, 1.4)."""
    dragged, mix = 0.02 * FULL_L, 2.285714 * CARRY
    course = held(0.05 * FULL_L, dragged, mix, first_pct, 60.0)
    days = np.arange(1, len(course) + 1) / 96.0
    expected = 8.0 + (first_pct - 8.0) * np.exp(-CARRY * dragged / FULL_L * days)
    assert course == pytest.approx(expected, abs=2e-3)


def test_without_drag_out_a_lean_make_up_builds_up_without_end() -> None:
    """With D = 0 the strength is a pure integrator: c rises by m E / V a day (trade facts, 1.4)."""
    course = held(0.05 * FULL_L, 0.0, 1.0, 8.0, 20.0)
    assert course[-1] == pytest.approx(8.0 + 20.0 * 0.05, rel=1e-3)
    assert held(0.05 * FULL_L, 0.0, 0.0, 8.0, 20.0)[-1] == pytest.approx(8.0, rel=1e-9)


def test_the_mix_that_holds_a_target_is_leaner_than_the_sump() -> None:
    """c_m = t D / (E + D), with our carry-out k t D / (E + D)."""
    target, evaporated, dragged = 8.0, 0.05 * FULL_L, 0.02 * FULL_L
    mix = target * dragged / (evaporated + dragged)
    assert mix == pytest.approx(2.285714, abs=5e-7)
    assert held(evaporated, dragged, CARRY * mix, target, 90.0)[-1] == pytest.approx(target, rel=2e-4)
    assert math.isclose(target / mix, 1.0 + evaporated / dragged)
