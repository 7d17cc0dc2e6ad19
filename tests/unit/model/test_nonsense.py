"""A sump whose numbers are none any more stands at its last good ones; the others go on, also within a bin."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from monitor.model.engine import Engine
from monitor.model.step import step
from tests.unit.model.runs import HOUR_S, fed
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of


@pytest.mark.parametrize("minutes", [0.0, 10.0])
def test_the_last_good_numbers_stand(monkeypatch: pytest.MonkeyPatch, minutes: float) -> None:
    shop = machines()
    engine = fed(Engine(plant_of(shop)), readings_of(shop, 4), (), BEGIN_S + 3 * HOUR_S)
    good = engine.at(BEGIN_S + 3 * HOUR_S).mean.copy()

    def lost(state: Any, *rest: Any) -> Any:
        began = step(state, *rest)
        state.mean[0] = np.nan
        return began

    monkeypatch.setattr("monitor.model.engine.step", lost)
    now_s = BEGIN_S + 3.25 * HOUR_S + 60.0 * minutes
    engine.advance(now_s)
    state = engine.at(now_s)
    assert state.mean[0].tolist() == good[0].tolist()
    assert np.isfinite(state.mean).all()
    assert (state.mean[1:] != good[1:]).any(axis=1).all()
    assert set(engine.findings.refused) == {engine.fixed.ids[0]}
