"""Which sumps are foreseen anew, and that a forecast does not hang on the sumps beside it."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.foresight import Foresight
from monitor.model.types import Forecast
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading
from monitor.plant.types import Plant
from tests.unit.pipeline.shop import BEGIN_S, Machine, machines, plant_of, readings_of

FILLED_H = 11.25
SHOP = [Machine("lathe-04", acts=[(FILLED_H, 48.0, 2.0)]), Machine("mill-07"), Machine("saw-01")]


def foreseen(plant: Plant, readings: list[Reading]) -> dict[float, tuple[Forecast, ...]]:
    """Give what each moment foresaw anew, by hours since the begin."""
    pipeline = Pipeline(plant)
    pipeline.take(readings)
    steps = pipeline.run_until(readings[-1].time_s)
    return {(step.snapshot.now_s - BEGIN_S) / 3600.0: step.forecasts for step in steps}


@pytest.fixture(scope="module")
def made() -> dict[float, tuple[Forecast, ...]]:
    """Run a shop in which one sump is filled between the hours."""
    return foreseen(plant_of(SHOP), readings_of(SHOP, 13.0))


def test_every_sump_is_foreseen_on_the_hour(made: dict[float, tuple[Forecast, ...]]) -> None:
    assert {hour: len(made[hour]) for hour in range(1, 13)} == dict.fromkeys(range(1, 13), len(SHOP))


def test_between_the_hours_only_the_filled_sump_is_foreseen(made: dict[float, tuple[Forecast, ...]]) -> None:
    between = {one.sump for hour, some in made.items() if FILLED_H < hour < FILLED_H + 0.75 for one in some}
    assert between == {"lathe-04"}
    calm = [some for hour, some in made.items() if 6.0 < hour < FILLED_H and hour % 1.0]
    assert calm
    assert not any(calm)


def test_a_forecast_made_between_the_quarters_is_made_again_at_the_next() -> None:
    pipeline = Pipeline(plant_of(SHOP))
    pipeline.take(readings_of(SHOP, 2.0))
    for _ in pipeline.run_until(BEGIN_S + 7000.0):
        pass
    foresight, engine = Foresight(pipeline.engine), pipeline.engine
    foresight.renew(engine.at(BEGIN_S + 6900.0), BEGIN_S + 6900.0, foresight.everyone(), None)
    foresight.renew(engine.at(BEGIN_S + 6900.0), BEGIN_S + 6300.0, np.array([True, False, False]), None)
    assert foresight.due(BEGIN_S + 6960.0).tolist() == [False] * 3
    assert foresight.due(BEGIN_S + 8100.0).tolist() == [False, True, True]
    assert foresight.due(BEGIN_S + 7200.0).all()


def test_a_sump_is_foreseen_alone_as_among_others() -> None:
    shop = machines()
    pipeline = Pipeline(plant_of(shop))
    readings = readings_of(shop, 13.1)
    pipeline.take(readings)
    for _ in pipeline.run_until(readings[-1].time_s):
        pass
    engine, now_s = pipeline.engine, BEGIN_S + 13.0 * 3600.0
    state = engine.at(now_s)
    together = Foresight(engine).seen_from(state, now_s)
    for row, sump in enumerate(engine.fixed.ids):
        alone = Foresight(engine)
        which = alone.everyone()
        which[:] = np.arange(len(which)) == row
        alone.forecasts = together
        assert alone.renew(state, now_s, which, None) == (together[sump],)
