"""Where a correction lands, and how sure that is.

A correction is a list of rounds: take out some litres, put in some litres of a mix. The mean is the exact balance; the
spread is the estimate's uncertainty and the carrying-out's, carried through the balance to first order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from alerts.balance import Charge

# Relative one-sigma errors of carrying a recipe out (common practice, no source): litres taken out by the gauge,
# litres put in by the bucket, strength of a hand-made mix.
TAKE_OUT_ERROR = 0.03
ADD_ERROR = 0.02
MIX_ERROR = 0.05
_Z90 = NormalDist().inv_cdf(0.9)


@dataclass(frozen=True, slots=True)
class State:
    """What is believed of a sump: litres and percent with one-sigma uncertainties and their correlation."""

    volume_l: float
    concentration_pct: float
    volume_sd_l: float
    concentration_sd_pct: float
    correlation: float = 0.0

    @property
    def charge(self) -> Charge:
        """Return the best guess alone."""
        return Charge(self.volume_l, self.concentration_pct)

    def chance_inside(self, low_pct: float, high_pct: float) -> float:
        """Chance (0..1) that the strength lies inside the band."""
        return chance_between(self.concentration_pct, self.concentration_sd_pct, low_pct, high_pct)

    def interval(self) -> tuple[float, float]:
        """Return the 10 and the 90 % point of the strength, not below 0."""
        half = _Z90 * self.concentration_sd_pct
        return max(self.concentration_pct - half, 0.0), self.concentration_pct + half


@dataclass(frozen=True, slots=True)
class Round:
    """Take out `take_out_l` (0 for none), then put in `add_l` (0 for none) of `mix_pct`.

    `set_aside_l` litres of the mix are set-aside fluid of `set_aside_pct` from a container.
    """

    take_out_l: float
    add_l: float
    mix_pct: float
    container: str = ""
    set_aside_l: float = 0.0
    set_aside_pct: float = 0.0


def chance_between(mean: float, sd: float, low: float, high: float) -> float:
    """Chance that a normal quantity lies between two bounds; with no spread it is 0 or 1."""
    if sd <= 0.0:
        return float(low <= mean <= high)
    bell = NormalDist(mean, sd)
    return bell.cdf(high) - bell.cdf(low)


def carry_out(start: State, rounds: tuple[Round, ...]) -> State:
    """Return the state after the rounds: exact mean, first-order spread."""
    var_v, var_c = start.volume_sd_l**2, start.concentration_sd_pct**2
    cov = start.correlation * start.volume_sd_l * start.concentration_sd_pct
    charge = start.charge
    for one in rounds:
        charge = charge.minus(one.take_out_l)
        var_v += (TAKE_OUT_ERROR * one.take_out_l) ** 2
        mixed = charge.plus(one.add_l, one.mix_pct)
        var_v, var_c, cov = _stirred(charge, mixed, one, (var_v, var_c, cov))
        charge = mixed
    spread_v, spread_c = math.sqrt(var_v), math.sqrt(max(var_c, 0.0))
    correlation = cov / (spread_v * spread_c) if spread_v * spread_c > 0.0 else 0.0
    return State(charge.volume_l, charge.concentration_pct, spread_v, spread_c, min(max(correlation, -1.0), 1.0))


def _stirred(
    before: Charge, after: Charge, one: Round, moments: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Carry variances and covariance of (V, c) over `c' = (V c + A m) / (V + A)`."""
    var_v, var_c, cov = moments
    if one.add_l <= 0.0 or after.volume_l <= 0.0:
        return moments
    by_v = (before.concentration_pct - after.concentration_pct) / after.volume_l
    by_c = before.volume_l / after.volume_l
    by_add = (one.mix_pct - after.concentration_pct) / after.volume_l
    add_sd = ADD_ERROR * one.add_l
    mix_sd = MIX_ERROR * one.mix_pct * one.add_l / after.volume_l
    new_c = by_v**2 * var_v + by_c**2 * var_c + 2 * by_v * by_c * cov + (by_add * add_sd) ** 2 + mix_sd**2
    return var_v + add_sd**2, new_c, by_v * var_v + by_c * cov + by_add * add_sd**2
