"""Sick sensors in whole halls: each sharp fault is said within a day, a healthy hall is left in peace.

The halls are invented from seeds that nothing was tuned on; the bounds are those we hold ourselves to.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.unit.model.sick import hall

SOON_H = 24.0
FALSE_A_SUMP_MONTH = 1.0


@pytest.mark.parametrize(
    ("fault", "seed"),
    [
        ("stuck@level", 101),
        ("stuck@refractometer", 102),
        ("stuck_noisy@level", 103),
        ("noisy@level", 104),
        ("noisy@refractometer", 105),
    ],
)
def test_a_sharp_fault_is_said_within_a_day(fault: str, seed: int, tmp_path: Path) -> None:
    ran = hall(tmp_path, "broken", seed, (fault,))
    assert ran.sick
    assert max(ran.delays_h()) <= SOON_H
    assert len(ran.false()) <= FALSE_A_SUMP_MONTH * ran.sump_months


def test_sensors_that_changed_places_are_said_at_once_with_both_names(tmp_path: Path) -> None:
    ran = hall(tmp_path, "broken", 106, ("swapped_both",))
    assert len(ran.sick) == 2
    assert max(ran.delays_h()) <= 2.0
    one, other = (sick.sump for sick in ran.sick)
    details = {event.sump: event.detail for event in ran.said if "changed places" in event.detail}
    assert other in details[one]
    assert one in details[other]


@pytest.mark.parametrize(("kind", "seed"), [("plain", 107), ("weather", 108), ("odd", 109)])
def test_healthy_halls_are_left_in_peace(kind: str, seed: int, tmp_path: Path) -> None:
    ran = hall(tmp_path, kind, seed)
    assert not ran.sick
    assert len(ran.said) <= FALSE_A_SUMP_MONTH * ran.sump_months


def test_a_signal_that_recovers_is_believed_again(tmp_path: Path) -> None:
    ran = hall(tmp_path, "broken", 110, ("stuck@level",))
    rows = [ran.engine.fixed.ids.index(sick.sump) for sick in ran.sick]
    state = ran.engine.at(0.0)
    assert max(sick.to_s for sick in ran.sick) < (ran.engine.next_bin or 0) * 900.0 - 86400.0
    assert not state.said[rows, 0].any()
    assert (np.sqrt(state.cov[rows, 0, 0]) < 0.02 * ran.engine.fixed.full_l[rows]).all()
