"""The filter core against the textbook's formulas, and the balance against its closed form.

The Nile figures stand in `test_nile.py`. Joseph's form: R. S. Bucy and P. D. Joseph, *Filtering for Stochastic
Processes with Applications to Guidance*, 1968 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.balance import Losses, advance
from monitor.model.kalman import carry_rows, measure, spread
from monitor.model.layout import CARRY, STRENGTH, VOLUME, WIDTH, Floats


def covariances(n: int) -> Floats:
    """Return full covariances of fixed draws."""
    root = np.random.default_rng(7).standard_normal((n, WIDTH, WIDTH))
    return np.asarray(root @ root.transpose(0, 2, 1))


def test_a_measurement_is_the_textbook_one_and_keeps_the_covariance_symmetric_and_positive() -> None:
    n, rng = 20, np.random.default_rng(8)
    mean, cov, rows = rng.standard_normal((n, WIDTH)), covariances(n), rng.standard_normal((n, WIDTH))
    residual, noise = rng.standard_normal(n), rng.uniform(0.1, 2.0, n)
    use = np.arange(n) % 4 != 0
    new_mean, new_cov = mean.copy(), cov.copy()
    measure(new_mean, new_cov, rows, residual, noise, use)
    for i in range(n):
        gain = cov[i] @ rows[i] / (rows[i] @ cov[i] @ rows[i] + noise[i]) * use[i]
        rest = np.eye(WIDTH) - np.outer(gain, rows[i])
        assert new_mean[i] == pytest.approx(mean[i] + gain * residual[i], abs=1e-9)
        assert new_cov[i] == pytest.approx(rest @ cov[i] @ rest.T + noise[i] * np.outer(gain, gain), abs=1e-8)
    assert new_cov == pytest.approx(new_cov.transpose(0, 2, 1), abs=1e-12)
    assert np.linalg.eigvalsh(new_cov).min() > -1e-9
    assert spread(cov, rows) == pytest.approx([rows[i] @ cov[i] @ rows[i] for i in range(n)])


def test_time_carries_the_covariance_as_f_p_f() -> None:
    n, rng = 5, np.random.default_rng(9)
    cov = covariances(n)
    volume_row, strength_row = rng.standard_normal((n, WIDTH)), rng.standard_normal((n, WIDTH))
    carried = carry_rows(cov, volume_row, strength_row)
    for i in range(n):
        step = np.eye(WIDTH)
        step[VOLUME], step[STRENGTH] = volume_row[i], strength_row[i]
        assert carried[i] == pytest.approx(step @ cov[i] @ step.T, abs=1e-9)


@pytest.mark.parametrize(("evaporated", "dragged"), [(1.0, 0.0), (3.0, 1.0), (0.0, 1.0)])
def test_a_sump_that_runs_down_follows_the_closed_form(evaporated: float, dragged: float) -> None:
    """Without a top-up c = c0 (V0 / V)^(E / (E + D)) at k = 1; in general the exponent is (E - (k - 1) D) / (E + D).

    300 to 240 L from 6 %: 7.5 % by evaporation alone, 7.093062 % at E : D = 3 : 1 and k = 1 (trade facts, 1.4).
    """
    steps, total = 600, evaporated + dragged
    exponent = (evaporated - (CARRY - 1.0) * dragged) / total
    mean, cov = np.zeros((1, WIDTH)), np.zeros((1, WIDTH, WIDTH))
    mean[0, VOLUME], mean[0, STRENGTH] = 300.0, 6.0
    lost, none = np.array([60.0 / steps / total]), np.zeros(1)
    for _ in range(steps):
        gone = Losses(none, lost * evaporated, lost * dragged, none)
        advance(mean, cov, gone, 0.25, np.array([1.0]))
    assert mean[0, VOLUME] == pytest.approx(240.0, abs=1e-9)
    assert mean[0, STRENGTH] == pytest.approx(6.0 * (300.0 / 240.0) ** exponent, abs=1e-6)
    assert 6.0 * (300.0 / 240.0) ** (evaporated / total) == pytest.approx(
        {1.0: 7.5, 0.75: 7.093062, 0.0: 6.0}[evaporated / total], abs=5e-7
    )
