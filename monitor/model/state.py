"""The estimator's memory as arrays over sumps; it can be copied, cut into rows, put back and written down."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Final, Self

import numpy as np

from monitor.model.layout import (
    BIAS,
    BINS_A_DAY,
    FIRST_DRAG,
    FIRST_RUN,
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VALVE_MIX,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Flags,
    Floats,
    Ints,
    Singles,
    copy_of_touched,
    laid_out,
    sumps_last,
    touched,
    untouched,
)

WEATHER_SD: Final = 0.16
JOB_SD: Final = 0.28
NEVER: Final = -1.0e18
WINDOWS: Final = 4
SUSPECTS: Final = 7
PAIRS: Final = 22
HAND_S: Final = 7200.0
PACES: Final = 16
PLACES: Final = 52
DRAIN_FIRST: Final = np.array([[0.25, 0.3**2], [0.1, 0.15**2], [0.03, 0.06**2], [0.01, 0.02**2]])

WARMTH_FIRST: Final = np.array([0.0, 1e9, 1.4, 4.0, 1.0, 0.0, 0.0, 0.0])

# columns of `noise` (variance of one sample) and `noise_n`
LEVEL_IDLE, LEVEL_RUN, BRIX_IDLE, BRIX_RUN = range(4)


@dataclass(slots=True)
class State:
    """Arrays over n sumps. Times are bin numbers (bin k begins at k * 900 s since 1970).

    All but `grid` and `pace`, of which a step takes some sumps only, lie in memory as `laid_out` has them. How sums
    round may hang on that, so `lay_out` follows whatever may have put other arrays in their places.
    """

    mean: Floats  # (n, 11)
    cov: Floats  # (n, 11, 11)
    level_known: Flags
    strength_known: Flags
    noise: Floats  # (n, 4)
    noise_n: Floats  # (n, 4)
    run_belief: Floats  # chance that the machine runs now
    duty_hits: Floats  # (n, 74) hours seen running, see monitor.model.duty
    duty_hours: Floats  # (n, 74) hours seen
    stands: Floats  # (n, 6) how long the machine stands, see monitor.model.duty
    level_odd: Floats  # (n, 3) run of odd level bins: how many, sum of residuals, first bin
    brix_odd: Floats  # (n, 3)
    fill: Floats  # (n, 4) a filling between readings hours apart, see monitor.model.sparse
    jump: Floats  # (n, 9) the jump being weighed, see monitor.model.jumps
    leak_watch: Floats  # (n, 8) see monitor.model.leaks
    nights: Floats  # (n, 16) losses while standing, see monitor.model.nights
    hourly: Floats  # (n, 120, 4) the level of the last days, see monitor.model.valves
    drain: Floats  # (n, 4, 2) share of the hold-up still out a while after a stop: mean, variance
    valve: Floats  # (n, 6) an automatic filling valve, see monitor.model.valves
    grid: Floats  # (n, 16, 52) where the fluid of a sump with a valve may stand, see monitor.model.filling
    pace: Floats  # (n, 16)
    losses: Floats  # (n, 96, 2) evaporation and drag-out of the last bins, litres
    last_seen: Floats  # (n, 2) last bin value of level and refractometer
    same: Floats  # (n, 4) bins of the same value: level, refractometer; longest such run before
    odd_share: Floats  # (n, 2) share of odd bins of level and refractometer, over about a day
    last_bin: Floats  # (n, 2) last bin with a level and with a refractometer reading
    unseen_lost: Floats  # (n,) litres reckoned lost since the level was last believed
    ledger: Floats  # (n, 9, 9) the account of the last days, see monitor.model.losses
    told: Floats  # (n, 4, 5) the next day as foretold, see monitor.model.calibration
    score: Floats  # (n, 4)
    bins_done: Floats  # (n,) bins passed, at most a day's
    coolest: Floats  # (n, 24) lowest saturation pressure of the last hours, see monitor.model.warmth
    warm_hours: Floats  # (n, 24, 2)
    warmth: Floats  # (n, 8)
    said: Floats  # (n, 3) why level, refractometer, running are doubted, see monitor.model.doubts; 0 believed
    doubted: Floats  # (n, 3, 3) bin since when, last bin that spoke for it, how far off the signal was then
    offset: Floats  # (n, 2) what is taken off a doubted level, litres; how fast the refractometer drifts, degBx a day
    offset_ring: Floats  # (n, 2, 4, 2) every six hours, see monitor.model.regained
    errors: Singles  # (n, 11, 7, 4) what suspected faults would have done, see monitor.model.suspects
    fit: Singles  # (n, 7, 4)
    gram: Singles  # (n, 22, 4)
    windows: Floats  # (n, 6, 4)
    unrest: Floats  # (n, 2, 2)
    recent: Floats  # (n, 8, 4) the last bins, see monitor.model.toggles
    steps: Floats  # (n, 15)
    leaps: Floats  # (n, 4, 3) the last jumps of the level, see monitor.model.crosswise
    rough: Floats  # (n, 2, 8) steps from bin to bin, see monitor.model.rough
    calm: Floats  # (n, 4) the noise that was usual
    dip: Floats  # (n, 2) last fall of the strength alone: bin, strength before
    suspicion: Floats  # (n, 2) hours for which a suspect looked guilty

    NAMES: ClassVar[tuple[str, ...]]
    LAID_OUT: ClassVar[tuple[str, ...]]

    @classmethod
    def first(cls, fixed: Fixed) -> Self:
        """Return the prior of sumps that have told nothing yet."""
        n = len(fixed.ids)
        mean, cov = _first_moments(fixed)
        noise = np.empty((n, 4))
        by_hand = fixed.level_period_s > HAND_S
        noise[:, LEVEL_IDLE] = (np.where(by_hand, 0.01, 0.006) * fixed.full_l) ** 2
        noise[:, LEVEL_RUN] = (0.018 * fixed.full_l) ** 2
        noise[:, BRIX_IDLE] = 0.12**2
        noise[:, BRIX_RUN] = 0.15**2
        state = cls(
            mean=mean,
            cov=cov,
            level_known=np.zeros(n, dtype=np.bool_),
            strength_known=np.zeros(n, dtype=np.bool_),
            noise=noise,
            noise_n=np.zeros((n, 4)),
            run_belief=np.full(n, 0.5),
            duty_hits=np.zeros((n, 74)),
            duty_hours=np.zeros((n, 74)),
            stands=np.zeros((n, 6)),
            level_odd=np.zeros((n, 3)),
            brix_odd=np.zeros((n, 3)),
            fill=np.zeros((n, 4)),
            jump=np.zeros((n, 9)),
            leak_watch=np.tile([0.0, 0.0, 0.0, 0.0, 0.0, NEVER, NEVER, 0.0], (n, 1)),
            nights=np.zeros((n, 16)),
            hourly=np.zeros((n, 120, 4)),
            drain=np.tile(DRAIN_FIRST, (n, 1, 1)),
            valve=np.zeros((n, 6)),
            grid=untouched(n, PACES, PLACES),
            pace=np.zeros((n, PACES)),
            losses=np.zeros((n, BINS_A_DAY, 2)),
            last_seen=np.full((n, 2), np.nan),
            same=np.zeros((n, 4)),
            odd_share=np.zeros((n, 2)),
            last_bin=np.full((n, 2), NEVER),
            unseen_lost=np.zeros(n),
            ledger=np.zeros((n, 9, 9)),
            told=np.full((n, 4, 5), NEVER),
            score=np.zeros((n, 4)),
            bins_done=np.zeros(n),
            coolest=np.full((n, 24), np.inf),
            warm_hours=np.zeros((n, 24, 2)),
            warmth=np.tile(WARMTH_FIRST, (n, 1)),
            said=np.zeros((n, 3)),
            doubted=np.tile([NEVER, NEVER, 0.0], (n, 3, 1)),
            offset=np.zeros((n, 2)),
            offset_ring=np.zeros((n, 2, 4, 2)),
            errors=np.zeros((n, WIDTH, SUSPECTS, WINDOWS), dtype=np.float32),
            fit=np.zeros((n, SUSPECTS, WINDOWS), dtype=np.float32),
            gram=np.zeros((n, PAIRS, WINDOWS), dtype=np.float32),
            windows=np.zeros((n, 6, WINDOWS)),
            unrest=np.zeros((n, 2, 2)),
            recent=np.zeros((n, 8, 4)),
            steps=np.zeros((n, 15)),
            leaps=np.tile([NEVER, 0.0, 0.0], (n, 4, 1)),
            rough=np.tile([np.nan, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0], (n, 2, 1)),
            calm=np.zeros((n, 4)),
            dip=np.tile([NEVER, 0.0], (n, 1)),
            suspicion=np.zeros((n, 2)),
        )
        state.lay_out()
        return state

    def lay_out(self) -> None:
        """Bring all arrays into the order in memory that they should have, in place."""
        for name in self.LAID_OUT:
            array = getattr(self, name)
            if not sumps_last(array).flags.c_contiguous:
                setattr(self, name, laid_out(array))

    def take(self, rows: Ints) -> Self:
        """Copy some rows out."""
        part = type(self)(**{name: getattr(self, name)[rows] for name in self.NAMES})
        part.lay_out()
        return part

    def put(self, rows: Ints, part: State) -> None:
        """Write rows that `take` gave back in place."""
        self.own_grid()
        for name in self.NAMES:
            getattr(self, name)[rows] = getattr(part, name)

    def copy(self) -> Self:
        """Copy everything but the grid, which is by far the largest and mostly at rest: who writes it owns it first."""
        copies = {name: getattr(self, name).copy(order="K") for name in self.NAMES if name != "grid"}
        return type(self)(grid=self.grid, **copies)

    def own_grid(self) -> None:
        """Let go of a grid that other states may share, before it is written."""
        self.grid = copy_of_touched(self.grid)

    def to_bytes(self) -> bytes:
        """Write all arrays down exactly (numpy's own format, packed, no pickles)."""
        return _written({name: getattr(self, name) for name in self.NAMES})

    def take_over(self, rows: Ints, blob: bytes, theirs: Ints) -> None:
        """Write rows of what `to_bytes` wrote over `rows` in place.

        What an earlier release did not remember, or in another shape, stays as it is here.
        """
        with np.load(io.BytesIO(blob), allow_pickle=False) as arrays:
            for name in self.NAMES:
                mine = getattr(self, name)
                if name not in arrays or (stored := arrays[name]).shape[1:] != mine.shape[1:]:
                    continue
                if name == "grid":  # zeros that were never written take up no memory
                    used = touched(mine)[rows] | touched(stored)[theirs]
                    mine[rows[used]] = stored[theirs[used]]
                else:
                    mine[rows] = stored[theirs]


State.NAMES = tuple(f.name for f in fields(State))
State.LAID_OUT = tuple(name for name in State.NAMES if name not in ("grid", "pace"))


def row_of(blob: bytes, i: int) -> bytes:
    """Return row i of what `State.to_bytes` wrote, written the same way."""
    with np.load(io.BytesIO(blob), allow_pickle=False) as arrays:
        return _written({name: arrays[name][i : i + 1] for name in arrays.files})


def joined(blobs: Sequence[bytes]) -> bytes:
    """Return the rows of several such writings in one, in their order."""
    with ExitStack() as opened:
        parts = [opened.enter_context(np.load(io.BytesIO(blob), allow_pickle=False)) for blob in blobs]
        return _written({name: np.concatenate([part[name] for part in parts]) for name in parts[0].files})


def _written(arrays: Mapping[str, Any]) -> bytes:
    sink = io.BytesIO()
    np.savez_compressed(sink, **arrays)
    return sink.getvalue()


def _first_moments(fixed: Fixed) -> tuple[Floats, Floats]:
    n = len(fixed.ids)
    mean = np.zeros((n, WIDTH))
    sd = np.zeros((n, WIDTH))
    mean[:, VOLUME], sd[:, VOLUME] = 0.8 * fixed.full_l, 0.12 * fixed.full_l
    mean[:, STRENGTH], sd[:, STRENGTH] = fixed.target_pct, 0.5 * (fixed.high_pct - fixed.low_pct)
    mean[:, LN_IDLE], sd[:, LN_IDLE] = np.log(fixed.first_idle_l_per_h), 0.6
    for column, share, spread in ((LN_RUN, FIRST_RUN, 0.6), (LN_DRAG, FIRST_DRAG, 0.5)):
        mean[:, column], sd[:, column] = np.log(share * fixed.full_l), spread
    sd[:, BIAS] = 0.2
    mean[:, HOLD_UP] = fixed.hold_up_l
    sd[:, HOLD_UP] = np.where(fixed.hold_up_told, 0.2, 0.7) * fixed.hold_up_l + 0.002 * fixed.full_l
    sd[:, WEATHER] = WEATHER_SD
    sd[:, JOB] = JOB_SD
    sd[:, LEAK] = 1e-5 * fixed.full_l
    mean[:, VALVE_MIX], sd[:, VALVE_MIX] = 2.0, 2.5
    cov = np.zeros((n, WIDTH, WIDTH))
    index = np.arange(WIDTH)
    cov[:, index, index] = sd**2
    return mean, cov
