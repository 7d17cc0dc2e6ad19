"""The bench a recipe is worked out on: where the sump stands, its limits, who is there when, what is to be expected."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

from alerts.attendance import Attendance, attendance
from alerts.balance import Charge, run_down
from alerts.containers import Measures
from alerts.landing import State, chance_between
from alerts.minerals import WaterChoice, choose_water
from alerts.setaside import Container
from alerts.watching import MixBias
from monitor.model.types import Estimate, Forecast, Side
from monitor.plant.types import Plant, Sump

SURE = 0.95  # the least chance to land inside the band
SURE_Z = 2.2  # standard deviations kept to the band's edge: 1.645 make 95 %, the rest is for rounding
HOLDS = 0.90  # the least chance to stay inside it until somebody is back
HOLDS_Z = 1.6
_TEN_TO_NINETY = 2.5631031310892007  # width of a normal distribution's 10-90 % interval in standard deviations
_HEADROOM = 0.01  # share of full kept free in any case
_MOST_HEADROOM = 0.10  # and at most, however unsure the level is
_LEVEL_Z = 1.645  # one-sided 95 %: the sump overflows in at most one of twenty cases
_USEFUL = 0.015  # share of full below which a top-up is not worth carrying
_LOW_SHARE = 0.25  # a sump this near its lowest level (share of the range) is topped up whatever its strength


@dataclass(frozen=True, slots=True)
class Bench:
    """One sump at the moment a recipe is for. `start` is rounded as the recipe prints it.

    `kept` is the set-aside fluid of the plant, the oldest first; `mixer` is who usually mixes for this sump, where the
    mixes come out beside what is asked.
    """

    plant: Plant
    sump: Sump
    measures: Measures
    start: State
    for_s: float
    now_s: float
    there: Attendance
    forecast: Forecast | None
    loss_l_per_h: float
    evaporation_share: float
    water: WaterChoice
    kept: tuple[Container, ...] = ()
    mixer: tuple[str, MixBias] | None = None

    @property
    def band(self) -> tuple[float, float]:
        """The fluid's band in percent."""
        return self.sump.fluid.band_pct

    @property
    def ceiling_l(self) -> float:
        """Highest volume a recipe fills to: full less a headroom that grows with the level's uncertainty."""
        full = self.sump.full_l
        unsure = min(_LEVEL_Z * self.start.volume_sd_l, _MOST_HEADROOM * full)
        return full - max(_HEADROOM * full, unsure)

    @property
    def room_l(self) -> float:
        """Litres that may be added now."""
        return max(self.ceiling_l - self.start.volume_l, 0.0)

    @property
    def useful_l(self) -> float:
        """Least litres worth carrying to the sump."""
        return max(_USEFUL * self.sump.full_l, self.measures.part_l(0.0))

    @property
    def is_low(self) -> bool:
        """Tell whether the level is near the lowest."""
        low = self.sump.lowest_l
        return self.start.volume_l < low + _LOW_SHARE * (self.sump.full_l - low)

    @property
    def is_sure_inside(self) -> bool:
        """Tell whether the sump is inside its band now, as surely as a landing has to be."""
        return self.start.chance_inside(*self.band) >= SURE

    @property
    def leaves_before_back(self) -> float:
        """Chance (0..1) that the sump leaves its band before somebody is back; 0 without a forecast."""
        if self.forecast is None:
            return 0.0
        until_h = self._ahead_h + self.there.hours_to_cover
        early = 0.1 if self.forecast.exit_p10_h < min(until_h, self.forecast.horizon_h) else 0.0
        return max(self.forecast.share_before(until_h), early)

    @property
    def side(self) -> Side:
        """The side on which the sump is out, or is expected to leave."""
        low, high = self.band
        if self.start.concentration_pct > high:
            return Side.RICH
        if self.start.concentration_pct < low:
            return Side.LEAN
        return Side.NONE if self.forecast is None else self.forecast.side

    @property
    def _ahead_h(self) -> float:
        """Hours from the forecast's making to the moment the recipe is for."""
        return 0.0 if self.forecast is None else max(self.for_s - self.forecast.made_s, 0.0) / 3600.0

    def drift_pct(self, after: State) -> float:
        """Points the strength is expected to move from the recipe until somebody is back (positive: richer)."""
        hours = self.there.hours_to_cover
        if self.forecast is None:
            risen = self.start.concentration_pct * self.evaporation_share * self.loss_l_per_h * hours
            return risen / max(after.volume_l, 1.0)
        path, made_h = self.forecast.path, self._ahead_h
        moved = at(path.hours, path.concentration_p50_pct, made_h + hours)
        moved -= at(path.hours, path.concentration_p50_pct, made_h)
        return moved * self.start.volume_l / max(after.volume_l, 1.0)

    def spread_when_back_pct(self, after: State) -> float:
        """One-sigma spread of the strength when somebody is back: the landing's and what the forecast adds."""
        if self.forecast is None:
            return after.concentration_sd_pct
        made_h = self._ahead_h
        late = _path_sd(self.forecast, made_h + self.there.hours_to_cover)
        added = max(late**2 - _path_sd(self.forecast, made_h) ** 2, 0.0)
        scale = self.start.volume_l / max(after.volume_l, 1.0)
        return math.sqrt(after.concentration_sd_pct**2 + added * scale**2)

    def chance_to_hold(self, after: State) -> float:
        """Chance that the sump, left as `after`, is still inside its band when somebody is back."""
        mean = after.concentration_pct + self.drift_pct(after)
        return chance_between(mean, self.spread_when_back_pct(after), *self.band)

    def is_good(self, after: State) -> bool:
        """Tell whether `after` is surely inside the band and stays there until somebody is back."""
        return after.chance_inside(*self.band) >= SURE and self.chance_to_hold(after) >= HOLDS

    def level_mm(self, volume_l: float) -> int | None:
        """Level on the gauge at rest for this many litres, whole millimetres; None where the tank has none."""
        level = self.sump.tank.level_mm(volume_l)
        return round(level) if math.isfinite(level) else None


def is_outdated(forecast: Forecast, estimate: Estimate, full_l: float, band_width_pct: float) -> bool:
    """Tell whether the sump has left the forecast's course since it was made, as a top-up makes it do.

    It has where the estimate lies off the course by more than 3 % of full or a tenth of the band, and by more than
    three standard deviations.
    """
    hours = (estimate.time_s - forecast.made_s) / 3600.0
    if hours <= 0.0:
        return False
    path = forecast.path
    off_l = abs(estimate.volume_l - at(path.hours, path.volume_p50_l, hours))
    off_pct = abs(estimate.concentration_pct - at(path.hours, path.concentration_p50_pct, hours))
    most_l = max(0.03 * full_l, 3.0 * estimate.volume_sd_l)
    return off_l > most_l or off_pct > max(0.1 * band_width_pct, 3.0 * estimate.concentration_sd_pct)


def still_valid(forecast: Forecast | None, estimate: Estimate, sump: Sump) -> Forecast | None:
    """Return the forecast, or None where the sump has left its course."""
    low, high = sump.fluid.band_pct
    if forecast is None or is_outdated(forecast, estimate, sump.full_l, high - low):
        return None
    return forecast


def bench_now(plant: Plant, sump: Sump, estimate: Estimate, forecast: Forecast | None, now_s: float) -> Bench:
    """Set up the bench for a recipe that is carried out now."""
    state = State(
        estimate.volume_l,
        estimate.concentration_pct,
        estimate.volume_sd_l,
        estimate.concentration_sd_pct,
        estimate.correlation,
    )
    return _bench(plant, sump, estimate, forecast, state, (now_s, now_s))


def bench_at(
    plant: Plant, sump: Sump, estimate: Estimate, forecast: Forecast | None, at_s: float, now_s: float
) -> Bench:
    """Set up the bench for a planned moment: the state is the forecast's, without one the present rates carried on."""
    state = _carried_on(estimate, at_s) if forecast is None else _on_path(estimate, forecast, at_s)
    return _bench(plant, sump, estimate, forecast, state, (at_s, now_s))


def _bench(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    state: State,
    moments: tuple[float, float],
) -> Bench:
    evaporation, drag_out = _rate(estimate.evaporation_l_per_day), _rate(estimate.drag_out_l_per_day)
    loss = evaporation + drag_out
    for_s, now_s = moments
    return Bench(
        plant=plant,
        sump=sump,
        measures=Measures.of(plant),
        start=as_printed(state),
        for_s=for_s,
        now_s=now_s,
        there=attendance(plant.attended, for_s),
        forecast=forecast,
        loss_l_per_h=loss / 24.0,
        evaporation_share=evaporation / loss if loss > 0.0 else 0.0,
        water=choose_water(plant, sump, evaporation, drag_out),
    )


def _rate(litres_per_day: float) -> float:
    """Return a rate that can be worked with: none where it is unknown or below none."""
    return max(litres_per_day, 0.0) if math.isfinite(litres_per_day) else 0.0


def as_printed(state: State) -> State:
    """Round a state as recipes print it (0.1 L, 0.01 %): a reader's arithmetic starts from the same numbers."""
    volume, pct = max(round(state.volume_l, 1), 0.0), max(round(state.concentration_pct, 2), 0.0)
    return replace(state, volume_l=volume, concentration_pct=pct)


def at(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Read a rising curve at `x` by straight lines, held at its ends."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_right(xs, x) - 1
    share = (x - xs[i]) / (xs[i + 1] - xs[i])
    return ys[i] + share * (ys[i + 1] - ys[i])


def _path_sd(forecast: Forecast, hours: float) -> float:
    path = forecast.path
    late, early = path.concentration_p90_pct, path.concentration_p10_pct
    return (at(path.hours, late, hours) - at(path.hours, early, hours)) / _TEN_TO_NINETY


def _on_path(estimate: Estimate, forecast: Forecast, at_s: float) -> State:
    path, hours = forecast.path, (at_s - forecast.made_s) / 3600.0
    width = at(path.hours, path.volume_p90_l, hours) - at(path.hours, path.volume_p10_l, hours)
    return State(
        at(path.hours, path.volume_p50_l, hours),
        at(path.hours, path.concentration_p50_pct, hours),
        width / _TEN_TO_NINETY,
        _path_sd(forecast, hours),
        estimate.correlation,
    )


def _carried_on(estimate: Estimate, at_s: float) -> State:
    """Carry the present rates on in a straight line (volume) and by the running-down law (strength)."""
    days = max(at_s - estimate.time_s, 0.0) / 86400.0
    evaporation, drag_out = _rate(estimate.evaporation_l_per_day), _rate(estimate.drag_out_l_per_day)
    loss = evaporation + drag_out
    start = Charge(estimate.volume_l, estimate.concentration_pct)
    volume = min(max(start.volume_l - loss * days, 0.05 * start.volume_l), start.volume_l)
    end = run_down(start, volume, evaporation / loss) if loss > 0.0 and volume > 0.0 else start
    spread = math.hypot(estimate.evaporation_sd_l_per_day, estimate.drag_out_sd_l_per_day) * days
    return State(
        end.volume_l,
        end.concentration_pct,
        math.hypot(estimate.volume_sd_l, spread),
        estimate.concentration_sd_pct + end.concentration_pct * spread / max(end.volume_l, 1.0),
        estimate.correlation,
    )
