"""Which hand check would change what people should do tonight.

Tonight's question for each sump is whether it leaves its band before somebody is back. As things stand the better
answer is wrong with the chance min(p, 1 - p). A hand check shows the strength with a small error; over the same
futures as the forecast's, weighted by how well each agrees with what the check might show, the chance of a wrong
answer falls. The worth of a check is that fall (value of information; Raiffa and Schlaifer 1961).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.forecast import DRAWS, Exits
from monitor.model.hand import CHECK_SD
from monitor.model.layout import Fixed, Floats

MIGHT_SHOW: Final = 40
LEAST_WORTH: Final = 0.01
MOVES_SHOWN: Final = 4
ERRORS: Final[Floats] = np.random.default_rng(19610217).standard_normal(MIGHT_SHOW)


@dataclass(frozen=True, slots=True)
class CheckWorth:
    """A check that pays: the cut in the chance of a wrong call, the chance of leaving, the doubt in points."""

    sump: str
    worth: float
    chance_leaves: float
    strength_sd_pct: float


@dataclass(frozen=True, slots=True)
class CheckMove:
    """What a hand check did: its bin, its value in %, the refractometer's offset and doubt before and after."""

    k: int
    sump: str
    value_pct: float
    before_degbx: float
    after_degbx: float
    sd_before_degbx: float
    sd_after_degbx: float


def checks_that_pay(
    exits: Exits, fixed: Fixed, until_back_h: float, check_sd_pct: float = CHECK_SD
) -> list[CheckWorth]:
    """Return the sumps where a check today may change tonight's call, the worthiest first.

    `until_back_h` is the time until somebody is back after the coming absence, hours from the forecast.
    """
    leaves = exits.hours < until_back_h
    chance = leaves.mean(axis=1)
    doubtful = np.flatnonzero((chance > 0.0) & (chance < 1.0))
    found = [_worth(exits, fixed, int(i), leaves[i], check_sd_pct) for i in doubtful]
    return sorted((one for one in found if one.worth >= LEAST_WORTH), key=lambda one: (-one.worth, one.sump))


def _worth(exits: Exits, fixed: Fixed, i: int, leaves: Floats, check_sd_pct: float) -> CheckWorth:
    strength, chance = exits.strength_pct[i], float(leaves.mean())
    shown = strength[:: DRAWS // MIGHT_SHOW][:MIGHT_SHOW] + check_sd_pct * ERRORS
    weight = np.exp(-0.5 * ((shown[:, None] - strength[None, :]) / check_sd_pct) ** 2)
    then = (weight * leaves[None, :]).sum(axis=1) / weight.sum(axis=1)
    worth = min(chance, 1.0 - chance) - float(np.minimum(then, 1.0 - then).mean())
    return CheckWorth(fixed.ids[i], max(worth, 0.0), chance, float(strength.std()))


def last_moves(moves: Sequence[CheckMove]) -> dict[str, tuple[CheckMove, ...]]:
    """Return the last few checks of each sump, newest first."""
    found: dict[str, tuple[CheckMove, ...]] = {}
    for move in reversed(moves):
        if len(mine := found.get(move.sump, ())) < MOVES_SHOWN:
            found[move.sump] = (*mine, move)
    return found
