"""Jobs that changed for good: a day that dragged out far more or less than usual may be how it is from now on.

Two explanations are weighed by how well each foretold what the day showed: today's job, drawn anew each day, or a job
that changed the sump's usual drag-out (a mixture of two normal distributions, joined into one again: Gordon and Smith,
JASA 85, 1990, do so for jumps of level). As likely as the change is, as much of the day goes over into LN_DRAG, and so
much less sure of it the estimate becomes; the sum of both, which is what was seen, stays.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import suspects
from monitor.model.layout import JOB, LN_DRAG, Floats
from monitor.model.state import JOB_SD, State

CHANGES_A_DAY: Final = 0.02
CHANGED_SD: Final = 0.8
STAYS: Final = CHANGED_SD**2 / (CHANGED_SD**2 + JOB_SD**2)
"""The share of a changed day that stays: the rest is that day's job."""
LEAST_TOLD: Final = 1.0


def end_day(state: State) -> None:
    """Move what is likely to stay of each sump's day into its usual drag-out, in place."""
    filled = (
        state.valve[:, 0] > 0
    )  # what its grid says of the day's pace is taken in as a whole (`monitor.model.filling`)
    chance = np.where(filled, 0.0, _chance(state.mean[:, JOB], state.cov[:, JOB, JOB]))
    day = state.mean[:, JOB].copy()
    moved = chance * STAYS
    state.mean[:, LN_DRAG] += moved * day
    state.mean[:, JOB] -= moved * day
    for part in (state.cov, state.cov.transpose(0, 2, 1)):
        part[:, LN_DRAG] += moved[:, None] * part[:, JOB]
        part[:, JOB] *= 1.0 - moved[:, None]
    _less_sure(state, chance * (1.0 - chance) * (STAYS * day) ** 2 + chance * STAYS * JOB_SD**2)
    suspects.move(state, JOB, LN_DRAG, moved)


def _chance(day: Floats, var: Floats) -> Floats:
    """Return the chance that the job changed (n,), of the day's log factor and its variance."""
    told = np.maximum(1.0 / np.maximum(var, 1e-9) - JOB_SD**-2.0, 0.0)
    enough = told > LEAST_TOLD
    noise = 1.0 / np.where(enough, told, 1.0)
    seen = day * noise / np.maximum(var, 1e-9)
    same, other = JOB_SD**2 + noise, JOB_SD**2 + CHANGED_SD**2 + noise
    better = 0.5 * seen**2 * (1.0 / same - 1.0 / other) - 0.5 * np.log(other / same)
    odds = CHANGES_A_DAY / (1.0 - CHANGES_A_DAY) * np.exp(np.minimum(better, 50.0))
    return np.where(enough, odds / (1.0 + odds), 0.0)


def _less_sure(state: State, var: Floats) -> None:
    """Let LN_DRAG and JOB be less sure against each other by a variance (n,), their sum as sure as before, in place."""
    state.cov[:, LN_DRAG, LN_DRAG] += var
    state.cov[:, JOB, JOB] += var
    state.cov[:, LN_DRAG, JOB] -= var
    state.cov[:, JOB, LN_DRAG] -= var
