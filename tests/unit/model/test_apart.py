"""No sump's numbers hang on another's: whatever becomes of a neighbour, they are the same to the last bit.

What sumps of a hall do share is kept out: its weather is joined apart for those whose coolant temperature is measured,
as one's is here and the other's is not, and two machines are too few to tell that a hall is shut.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Final

import numpy as np
import pytest

from monitor.model.engine import Engine
from monitor.model.state import State
from monitor.model.types import Event
from monitor.plant.reading import Reading, Signal
from tests.unit.model.runs import HOUR_S, fed
from tests.unit.model.test_filling import mains
from tests.unit.pipeline.shop import ALL, BEGIN_S, WARM, Machine, plant_of, readings_of

HOURS: Final = 110.0
SOME_H: Final = 55.0
Change = Callable[[Reading, float, random.Random], float | None]

MINE: Final[dict[str, Callable[[], Machine]]] = {
    "filled up": lambda: Machine("mine", acts=[(40.0, 45.0, 4.0), (90.0, 40.0, 3.0)]),
    "behind a valve": lambda: mains("mine"),
    "running unknown": lambda: Machine("mine", signals=(Signal.LEVEL, Signal.REFRACTOMETER), acts=[(60.0, 50.0, 4.0)]),
}
OTHERS: Final[dict[str, Callable[[], Machine]]] = {
    "well": lambda: Machine("other", signals=WARM),
    "handled": lambda: Machine("other", signals=WARM, acts=[(30.0, 60.0, 3.0), (80.0, 70.0, 5.0), (100.0, -50.0, 0.0)]),
    "behind a valve": lambda: replace(mains("other"), signals=WARM),
}


def drifts(one: Reading, hours: float, _dice: random.Random) -> float | None:
    return (one.value or 0.0) + (0.5 * hours if one.signal is Signal.LEVEL else 0.0)


def sticks(one: Reading, _hours: float, _dice: random.Random) -> float | None:
    return 5.5 if one.signal is Signal.REFRACTOMETER else one.value


def is_noisy(one: Reading, _hours: float, dice: random.Random) -> float | None:
    return (one.value or 0.0) + (dice.gauss(0.0, 25.0) if one.signal is Signal.LEVEL else 0.0)


def is_silent(_one: Reading, _hours: float, _dice: random.Random) -> float | None:
    return None


SICK: Final[dict[str, Change]] = {"drifts": drifts, "sticks": sticks, "is noisy": is_noisy, "is silent": is_silent}


@lru_cache
def run(mine: str, other: str, sick: str = "") -> tuple[dict[str, bytes], list[Event]]:
    """Run both sumps; return the one's row of every array and what was noticed of it."""
    shop, dice = [MINE[mine](), OTHERS[other]()], random.Random(4)
    plant = plant_of([MINE[mine](), OTHERS[other]()])
    readings = readings_of(shop[:1], HOURS, seed=1)
    for one in readings_of(shop[1:], HOURS, seed=2):
        hours = (one.time_s - BEGIN_S) / HOUR_S - SOME_H
        value = SICK[sick](one, hours, dice) if sick and hours > 0.0 else one.value
        readings.append(replace(one, value=value, reason="" if value is not None else "gone"))
    engine = fed(Engine(plant), readings, [], BEGIN_S + HOURS * HOUR_S)
    row = {name: np.ascontiguousarray(getattr(engine._state, name)[0]).tobytes() for name in State.NAMES}
    return row, [event for event in engine.events() if event.sump == "mine"]


def test_the_one_is_no_part_of_the_others_weather() -> None:
    assert set(WARM) - set(ALL) == {Signal.COOLANT_TEMPERATURE}


@pytest.mark.parametrize("mine", MINE)
@pytest.mark.parametrize(
    ("other", "sick"), [("handled", ""), ("behind a valve", ""), *(("well", name) for name in SICK)]
)
def test_a_neighbour_changes_nothing(mine: str, other: str, sick: str) -> None:
    alone, noticed = run(mine, "well")
    beside, also_noticed = run(mine, other, sick)
    assert [name for name in State.NAMES if alone[name] != beside[name]] == []
    assert noticed == also_noticed
