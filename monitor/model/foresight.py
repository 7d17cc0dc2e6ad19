"""What is foreseen of each sump, and which sumps are to be foreseen anew.

All sumps are foreseen on the hour. Between the hours only those whose state is no longer where their forecast began:
filled, emptied, or checked by hand. A forecast made between the quarters of an hour is made again at the next quarter,
when all that was read so far has been through the estimator.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import views
from monitor.model.checks import CheckWorth, checks_that_pay
from monitor.model.engine import Engine
from monitor.model.forecast import Exits, forecast
from monitor.model.layout import BIN_S, STRENGTH, VOLUME, Fixed, Flags, Floats, Ints
from monitor.model.state import State
from monitor.model.types import Forecast

EVERY_S: Final = 3600.0
MOVED_SHARE: Final = 0.03
MOVED_PCT: Final = 0.3


class Foresight:
    """Keeps the latest forecast of each sump, where it began, and the checks that pay by it."""

    def __init__(self, engine: Engine) -> None:
        n = len(engine.fixed.ids)
        self._engine = engine
        self._made_s: Floats = np.full(n, np.nan)
        self._began: Floats = np.full((n, 2), np.nan)
        self._worth: dict[str, CheckWorth] = {}
        self.forecasts: dict[str, Forecast] = {}

    @property
    def checks(self) -> tuple[CheckWorth, ...]:
        """The hand checks that would change tonight's calls, the worthiest first."""
        return tuple(sorted(self._worth.values(), key=lambda one: (-one.worth, one.sump)))

    def is_of(self, now_s: float) -> bool:
        """Tell whether every forecast was made at this moment."""
        return bool((self._made_s == now_s).all())

    def everyone(self) -> Flags:
        """Return a flag for each sump, all up (n,)."""
        return np.ones(len(self._made_s), dtype=np.bool_)

    def due(self, now_s: float) -> Flags:
        """Tell whose forecast is due by the clock (n,): all on the hour, and what was made between the quarters."""
        if now_s % EVERY_S == 0.0:
            return self.everyone()
        between = (self._made_s % BIN_S != 0.0) & (now_s % BIN_S == 0.0)
        return np.asarray(np.isnan(self._made_s) | between)

    def elsewhere(self, state: State) -> Flags:
        """Tell which sumps are no longer where their forecast began (n,)."""
        volume, strength = np.abs(state.mean[:, [VOLUME, STRENGTH]] - self._began).T
        return np.asarray((volume > MOVED_SHARE * self._engine.fixed.full_l) | (strength > MOVED_PCT))

    def renew(self, state: State, now_s: float, which: Flags, until_back_h: float | None) -> tuple[Forecast, ...]:
        """Foresee some sumps anew and return their forecasts; `until_back_h` (if told) is what checks are judged by."""
        rows = np.flatnonzero(which)
        if not len(rows):
            return ()
        exits, fixed = self._exits(state, now_s, rows)
        made = views.forecasts(exits, fixed, now_s)
        self.forecasts = {sump: made.get(sump) or self.forecasts[sump] for sump in self._engine.fixed.ids}
        self._made_s[rows] = now_s
        self._began[rows] = exits.path[:, :, 1, 0]
        if until_back_h is not None:
            kept = {sump: worth for sump, worth in self._worth.items() if sump not in made}
            self._worth = kept | {one.sump: one for one in checks_that_pay(exits, fixed, until_back_h)}
        return tuple(made.values())

    def seen_from(self, state: State, now_s: float) -> dict[str, Forecast]:
        """Foresee all sumps from a state, and keep nothing of it."""
        return views.forecasts(*self._exits(state, now_s, np.arange(len(self._made_s))), now_s)

    def _exits(self, state: State, now_s: float, rows: Ints) -> tuple[Exits, Fixed]:
        engine = self._engine
        ahead = engine.clock.ahead(state, now_s)
        widen = engine.widths()
        if len(rows) == len(widen):
            return forecast(state, engine.fixed, ahead, widen), engine.fixed
        part = ahead.of(rows)
        fixed = engine.fixed.take(rows)
        return forecast(state.take(rows), fixed, part, widen[rows]), fixed
