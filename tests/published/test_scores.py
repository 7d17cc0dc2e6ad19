"""Our proper scores against the closed form, published check values and the scoringrules library.

Values: Gneiting and Raftery, JASA 102(477):359-378 (2007) give the definitions; the numbers were computed with
scoringrules 0.10.0 and properscoring 0.1, which agree (trade facts, 9.1).
"""

from __future__ import annotations

import numpy as np
import pytest
import scoringrules
from hypothesis import given
from hypothesis import strategies as st

from tests.benchmarks.proper import crps_ensemble, crps_normal, interval_score, pinball

FINITE = st.floats(-1e3, 1e3)
WIDTH = st.floats(1e-3, 1e3)


@pytest.mark.parametrize(
    ("observed", "mean", "sd", "expected"),
    [
        (0.0, 0.0, 1.0, 0.2336949773),
        (1.0, 0.0, 1.0, 0.6024413576),
        (2.0, 0.0, 1.0, 1.4527918217),
        (8.3, 8.0, 0.5, 0.1865779405),
    ],
)
def test_crps_of_a_normal_has_its_published_values(observed: float, mean: float, sd: float, expected: float) -> None:
    assert float(crps_normal(observed, mean, sd)) == pytest.approx(expected, abs=5e-11)


def test_crps_of_an_ensemble_has_its_published_value() -> None:
    assert crps_ensemble(2.5, [1.0, 2.0, 3.0, 4.0]) == pytest.approx(0.375, abs=1e-15)


def test_pinball_loss_has_its_published_values() -> None:
    assert pinball([1.0, 0.0], 0.5, 0.9).tolist() == pytest.approx([0.45, 0.05], abs=1e-15)


def test_interval_score_has_its_published_values() -> None:
    assert interval_score([8.0, 9.2], 7.0, 9.0, 0.9).tolist() == pytest.approx([2.0, 6.0], abs=1e-12)


@given(observed=FINITE, mean=FINITE, sd=WIDTH)
def test_crps_of_a_normal_agrees_with_scoringrules(observed: float, mean: float, sd: float) -> None:
    reference = float(scoringrules.crps_normal(observed, mean, sd))
    assert float(crps_normal(observed, mean, sd)) == pytest.approx(reference, rel=1e-9, abs=1e-9)


@given(observed=FINITE, members=st.lists(FINITE, min_size=1, max_size=20))
def test_crps_of_an_ensemble_agrees_with_scoringrules(observed: float, members: list[float]) -> None:
    reference = float(scoringrules.crps_ensemble(observed, np.array(members), estimator="nrg"))
    assert crps_ensemble(observed, members) == pytest.approx(reference, rel=1e-9, abs=1e-9)


@given(observed=FINITE, low=FINITE, width=WIDTH, share=st.floats(0.05, 0.95))
def test_interval_score_agrees_with_scoringrules(observed: float, low: float, width: float, share: float) -> None:
    reference = float(scoringrules.interval_score(observed, low, low + width, 1.0 - share))
    assert float(interval_score(observed, low, low + width, share)) == pytest.approx(reference, rel=1e-9, abs=1e-9)


@given(observed=FINITE, quantile=FINITE, level=st.floats(0.01, 0.99))
def test_pinball_loss_agrees_with_scoringrules(observed: float, quantile: float, level: float) -> None:
    reference = float(scoringrules.quantile_score(observed, quantile, level))
    assert float(pinball(observed, quantile, level)) == pytest.approx(reference, rel=1e-9, abs=1e-9)


@given(observed=FINITE, low=FINITE, width=WIDTH)
def test_an_interval_scores_as_its_two_quantiles_do(observed: float, low: float, width: float) -> None:
    # Gneiting and Raftery, section 6.2: the interval score is the two pinball losses by 2 / alpha.
    both = float(pinball(observed, low, 0.1) + pinball(observed, low + width, 0.9)) / 0.1
    assert float(interval_score(observed, low, low + width, 0.8)) == pytest.approx(both, rel=1e-9, abs=1e-7)
