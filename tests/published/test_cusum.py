"""The leak watch's sums against the published average run lengths of the tabular CUSUM.

Tables: two-sided tabular CUSUM of independent normal scores, k = 0.5, h = 4 and 5 (trade facts, 9.3: integral equation
with 80 Gauss-Legendre nodes; D. C. Montgomery, *Introduction to Statistical Quality Control*, and J. M. Lucas and R. B.
Crosier, *Technometrics* 24(3), 1982, give the same rounded, from memory). Combining two sides: 1/L = 1/L+ + 1/L-.
Two reckonings stand beside each other: Page's integral equation, and the Markov chain of D. Brook and D. A. Evans
(*Biometrika* 59(3), 1972; from memory), which can also do the clipped scores that the watch sums up.
"""

from __future__ import annotations

import math
from itertools import count

import numpy as np
import pytest
from numpy.typing import ArrayLike

from monitor.model.layout import LEAK, Fixed, Flags, Floats
from monitor.model.leaks import FALLING, LIMIT, SLACK, summed, watch_losses
from monitor.model.state import State
from tests.unit.model.runs import idle_state

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
TWO_SIDED = {
    4.0: (167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5.0: (465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01),
}
ONE_SIDED_IN_CONTROL = {4.0: 335.4, 5.0: 930.9}
CASES = [(h, shift, run) for h, runs in TWO_SIDED.items() for shift, run in zip(SHIFTS, runs, strict=True)]
RUNS = 3000
CLIP = 3.0  # the watch believes no single score beyond three standard deviations


def normal_cdf(x: ArrayLike) -> Floats:
    return np.asarray([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in np.ravel(x)]).reshape(np.shape(x))


def by_integral_equation(k: float, h: float, mean: float) -> float:
    """Return the run length from zero: L(u) = 1 + L(0) F(k - u) + the integral of L(x) f(x + k - u) over 0..h."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    x = np.concatenate([[0.0], 0.5 * h * (nodes + 1.0)])
    steps = x[None, 1:] + k - x[:, None] - mean
    kernel = np.exp(-0.5 * steps**2) / math.sqrt(2.0 * math.pi) * (0.5 * h * weights)
    whole = np.concatenate([normal_cdf(k - x - mean)[:, None], kernel], axis=1)
    return float(np.linalg.solve(np.eye(len(x)) - whole, np.ones(len(x)))[0])


def by_markov_chain(k: float, h: float, mean: float, clip: float = math.inf, states: int = 600) -> float:
    """Return the run length from zero over a chain of narrow states; scores beyond `clip` count as `clip`."""
    width = 2.0 * h / (2.0 * states - 1.0)
    apart = np.arange(1 - states, states)
    edges = width * (apart + 0.5) + k
    below = np.where(edges < -clip, 0.0, np.where(edges >= clip, 1.0, normal_cdf(edges - mean)))
    index = np.arange(states)
    chain = np.diff(below[index[None, :] - index[:, None] + states - 1], axis=1, prepend=0.0)
    return float(np.linalg.solve(np.eye(states) - chain, np.ones(states))[0])


def two_sided(up: float, down: float) -> float:
    return 1.0 / (1.0 / up + 1.0 / down)


def simulated(k: float, h: float, shift: float, seed: int) -> Floats:
    """Return the lengths of many runs of our own sums, both sides watched, scores N(shift, 1)."""
    rng = np.random.default_rng(seed)
    up = down = np.zeros(RUNS)
    lengths = np.zeros(RUNS)
    for step in count(1):
        score = shift + rng.standard_normal(RUNS)
        up, down = summed(up, score, k), summed(down, -score, k)
        lengths = np.where((lengths == 0.0) & ((up > h) | (down > h)), float(step), lengths)
        if lengths.all():
            return lengths
    raise AssertionError


@pytest.mark.parametrize(("h", "shift", "published"), CASES)
def test_both_reckonings_give_the_published_run_lengths(h: float, shift: float, published: float) -> None:
    for reckoned in (by_integral_equation, by_markov_chain):
        length = two_sided(reckoned(0.5, h, shift), reckoned(0.5, h, -shift))
        assert length == pytest.approx(published, rel=2e-3, abs=6e-3)


@pytest.mark.parametrize(("h", "published"), ONE_SIDED_IN_CONTROL.items())
def test_one_side_alone_in_control(h: float, published: float) -> None:
    assert by_integral_equation(0.5, h, 0.0) == pytest.approx(published, abs=0.06)


@pytest.mark.parametrize(("h", "shift", "published"), CASES)
def test_our_sums_run_as_long_as_published(h: float, shift: float, published: float) -> None:
    """Four standard errors of the mean of independent runs; a wrong slack or a missing zero is many more off."""
    lengths = simulated(0.5, h, shift, seed=19540601)
    error = float(lengths.std(ddof=1)) / math.sqrt(RUNS)
    assert abs(float(lengths.mean()) - published) < 4.0 * error + 0.005


def watched(shift: float, seed: int) -> Floats:
    """Return after how many bins the leak watch first frees the leak of each of many sumps, scores N(shift, 1)."""
    one, fixed = idle_state(1)
    many = np.zeros(RUNS, dtype=np.int64)
    state, wide = one.take(many), fixed.take(many)
    rng, lengths = np.random.default_rng(seed), np.zeros(RUNS)
    everywhere = np.ones(RUNS, dtype=np.bool_)
    for step in count(1):
        lengths = np.where(
            (lengths == 0.0) & _freed(state, wide, rng.standard_normal(RUNS) + shift, everywhere, step),
            float(step),
            lengths,
        )
        if lengths.all():
            return lengths
    raise AssertionError


def _freed(state: State, fixed: Fixed, score: Floats, use: Flags, k: int) -> Flags:
    before = state.cov[:, LEAK, LEAK].copy()
    watch_losses(state, fixed, score, use, use, k)
    freed = np.asarray(state.cov[:, LEAK, LEAK] > before)
    assert (state.leak_watch[freed, FALLING] == 0.0).all()
    return freed


@pytest.mark.parametrize("shift", [0.0, -0.5, -1.0, -2.0])
def test_the_watch_itself_runs_as_reckoned(shift: float) -> None:
    """The watch sums scores clipped at three deviations with k = 0.3, h = 9; a falling level has negative scores."""
    lengths = watched(shift, seed=19720301)
    error = float(lengths.std(ddof=1)) / math.sqrt(RUNS)
    assert abs(float(lengths.mean()) - by_markov_chain(SLACK, LIMIT, -shift, CLIP)) < 4.0 * error + 0.02


def test_what_the_watch_promises_in_bins() -> None:
    """In control one freeing in 26 days (no event yet: a leak has to last as well); a shift of one after 14 bins."""
    assert by_markov_chain(SLACK, LIMIT, 0.0, CLIP) / 96.0 == pytest.approx(26.0, abs=1.0)
    assert by_markov_chain(SLACK, LIMIT, 1.0, CLIP) == pytest.approx(14.0, abs=0.5)
