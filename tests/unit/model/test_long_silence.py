"""A sump that tells nothing for months: what is reckoned of it stays what a sump can be, and the others go on."""

from __future__ import annotations

import warnings

import numpy as np

from monitor.model.engine import Engine
from monitor.model.layout import STRENGTH, VOLUME
from tests.unit.model.runs import HOUR_S, fed
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of

MONTHS = 60 * 24 * HOUR_S


def test_months_of_silence_end_in_no_nonsense() -> None:
    shop = machines()
    engine = fed(Engine(plant_of(shop)), readings_of(shop, 24), (), BEGIN_S + 24 * HOUR_S)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        engine.advance(BEGIN_S + MONTHS)
    state, full_l = engine.at(BEGIN_S + MONTHS), engine.fixed.full_l
    assert np.isfinite(state.mean).all()
    assert np.isfinite(state.cov).all()
    assert (state.mean[:, STRENGTH] > 0.0).all()
    assert (state.mean[:, STRENGTH] <= 100.0).all()
    assert (state.mean[:, VOLUME] >= 0.0099 * full_l).all()
    assert (state.mean[:, VOLUME] <= full_l).all()
    assert not engine.findings.refused
