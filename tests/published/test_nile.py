"""The filter core on the flow of the Nile: filter, likelihood, smoother and forecast of Durbin and Koopman.

Annual flow 1871 to 1970, local level model with variances 15099 and 1469.1 (J. Durbin and S. J. Koopman, *Time Series
Analysis by State Space Methods*, chapter 2; the variances as quoted from it). The figures are those of trade facts 9.2:

- from a0 = 0, P0 = 1e7: filterpy 2.0.0 and pykalman 0.11.2, which agree;
- from a start nothing is known of (exactly diffuse): statsmodels 0.15.0. After one value such a filter stands at that
  value with the variance of its noise, which is where ours is begun;
- log-likelihood -632.5456 (R package KFAS, as seen run) and -633.4646 (the same less ln(2 pi) / 2, the constant of the
  diffuse value, as statsmodels counts it).

The estimator keeps no smoother. Where something is learnt late, it goes back to a state it kept and passes the tail
again (`monitor/model/engine.py`); what was true on an earlier day, given all that came after, it does not say. The
measurement step is held to the smoothed figures all the same: passed over the years from both ends, its two answers
joined are the smoothed level (two-filter formula of D. C. Fraser and J. E. Potter, IEEE Trans. Automatic Control 14(4),
1969, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.structural import UnobservedComponents

from monitor.model.kalman import measure, spread
from monitor.model.layout import STRENGTH, VOLUME, WIDTH, Floats

IRREGULAR, LEVEL = 15099.0, 1469.1
VAGUE = (0.0, 1e7)


@dataclass
class Passed:
    """What a pass gave, a value a year: mean and variance before and after it, the surprise and its variance."""

    before: Floats
    before_var: Floats
    mean: Floats
    var: Floats
    surprise: Floats
    surprise_var: Floats


def flows() -> Floats:
    """Return the hundred flows."""
    values = np.asarray(nile.load_pandas().data["volume"], dtype=np.float64)
    assert (len(values), float(values.mean())) == (100, 919.35)
    return values


def passed(years: Floats, start: tuple[float, float], column: int = VOLUME) -> Passed:
    """Run flows through our measurement step in one column of a sump, the level wandering between them."""
    mean, cov = np.zeros((1, WIDTH)), np.zeros((1, WIDTH, WIDTH))
    mean[0, column], cov[0, column, column] = start
    rows = np.zeros((1, WIDTH))
    rows[0, column] = 1.0
    out = []
    for flow in years:
        before = (mean[0, column], cov[0, column, column])
        surprise, total = flow - mean[:, column], spread(cov, rows) + IRREGULAR
        measure(mean, cov, rows, surprise, np.array([IRREGULAR]), np.array([True]))
        out.append((*before, mean[0, column], cov[0, column, column], float(surprise[0]), float(total[0])))
        cov[:, column, column] += LEVEL
    return Passed(*np.array(out).T)


def diffuse(years: Floats, column: int = VOLUME) -> Passed:
    """Run all flows but the first, begun where an exactly diffuse filter stands after it."""
    return passed(years[1:], (float(years[0]), IRREGULAR + LEVEL), column)


def theirs() -> UnobservedComponents:
    """Return the model of statsmodels, exactly diffuse."""
    model = UnobservedComponents(flows(), level="llevel", loglikelihood_burn=0)
    model.ssm.initialize_diffuse()
    return model


@pytest.mark.parametrize("column", [VOLUME, STRENGTH, WIDTH - 1])
def test_the_filter_from_a_vague_start(column: int) -> None:
    ours = passed(flows(), VAGUE, column)
    assert ours.mean[:3] == pytest.approx([1118.311462, 1140.108439, 1072.316018], abs=5e-7)
    assert ours.var[:3] == pytest.approx([15076.236391, 7894.557531, 5779.497378], abs=5e-7)
    assert (ours.mean[-1], ours.var[-1]) == pytest.approx((798.370293, 4032.157942), abs=5e-7)


@pytest.mark.parametrize("column", [VOLUME, STRENGTH, WIDTH - 1])
def test_the_filter_from_a_start_nothing_is_known_of(column: int) -> None:
    ours = diffuse(flows(), column)
    assert ours.mean[:2] == pytest.approx([1140.927840, 1072.798529], abs=1e-6)
    assert ours.var[:2] == pytest.approx([7899.736379, 5781.469939], abs=1e-6)
    assert (ours.mean[-1], ours.var[-1]) == pytest.approx((798.370293, 4032.157942), abs=5e-7)


def test_every_year_against_statsmodels() -> None:
    known = UnobservedComponents(flows(), level="llevel")
    known.ssm.initialize_known(np.array([VAGUE[0]]), np.array([[VAGUE[1]]]))
    vague = known.filter(np.array([IRREGULAR, LEVEL]))
    ours = passed(flows(), VAGUE)
    assert ours.mean == pytest.approx(vague.filtered_state[0], rel=1e-9)
    assert ours.var == pytest.approx(vague.filtered_state_cov[0, 0], rel=1e-9)
    exact, own = theirs().filter(np.array([IRREGULAR, LEVEL])), diffuse(flows())
    assert own.mean == pytest.approx(exact.filtered_state[0, 1:], rel=1e-9)
    assert own.var == pytest.approx(exact.filtered_state_cov[0, 0, 1:], rel=1e-9)


def test_the_surprises_and_their_variances() -> None:
    ours = diffuse(flows())
    assert ours.surprise[:3] == pytest.approx([40.0, -177.927840, 137.201470], abs=5e-7)
    assert ours.surprise_var[:3] == pytest.approx([31667.1, 24467.836379, 22349.569939], abs=5e-7)


def test_the_likelihood_of_the_surprises() -> None:
    ours = diffuse(flows())
    terms = math.log(2.0 * math.pi) + np.log(ours.surprise_var) + ours.surprise**2 / ours.surprise_var
    without_the_first = -0.5 * float(terms.sum())
    assert without_the_first == pytest.approx(-632.5456, abs=1e-4)
    with_its_constant = without_the_first - 0.5 * math.log(2.0 * math.pi)
    assert with_its_constant == pytest.approx(-633.464564, abs=1e-6)
    assert with_its_constant == pytest.approx(theirs().loglike(np.array([IRREGULAR, LEVEL])), rel=1e-9)


def smoothed(years: Floats) -> tuple[Floats, Floats]:
    """Join a pass from the left, each year taken in, with one from the right, each year still to come."""
    left = passed(years, (0.0, 1e13))
    right = passed(years[::-1], (0.0, 1e13))
    ahead, ahead_var = right.before[::-1], right.before_var[::-1]
    var = 1.0 / (1.0 / left.var + 1.0 / ahead_var)
    return var * (left.mean / left.var + ahead / ahead_var), var


def test_the_smoothed_level_by_passes_from_both_ends() -> None:
    level, var = smoothed(flows())
    assert level[0] == pytest.approx(1111.668319, abs=5e-5)
    reference = theirs().smooth(np.array([IRREGULAR, LEVEL]))
    assert level == pytest.approx(reference.smoothed_state[0], rel=1e-7)
    assert var == pytest.approx(reference.smoothed_state_cov[0, 0], rel=1e-6)


def test_the_steady_state_of_the_local_level() -> None:
    predicted = (LEVEL + math.sqrt(LEVEL**2 + 4.0 * LEVEL * IRREGULAR)) / 2.0
    assert predicted == pytest.approx(5501.257942, abs=5e-7)
    ours = passed(flows(), VAGUE)
    assert ours.var[-1] + LEVEL == pytest.approx(predicted, rel=1e-9)
    assert predicted / (predicted + IRREGULAR) == pytest.approx(0.267048, abs=5e-7)


@pytest.mark.parametrize(("years_ahead", "sd"), [(1, 143.527900), (10, 183.908015)])
def test_the_forecast(years_ahead: int, sd: float) -> None:
    ours = diffuse(flows())
    assert ours.mean[-1] == pytest.approx(798.370293, abs=5e-7)
    assert math.sqrt(ours.var[-1] + years_ahead * LEVEL + IRREGULAR) == pytest.approx(sd, abs=5e-7)
