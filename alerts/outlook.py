"""Where a sump's minerals are going: hardness and conductivity now, when they pass the limit, where they end.

What was measured is carried on by the balance of `alerts.minerals` with the sump's own losses: the mean over the week
ahead where there is a forecast, else the last day's. Early and late are the moments with evaporation one chance in ten
higher and lower. The concentrate's own share of the conductivity is not known and taken to stay as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from alerts.bench import at
from alerts.minerals import days_until, soft_share, steady_hardness, value_after
from alerts.words import moment, number
from monitor.model.types import Estimate, Forecast
from monitor.plant.types import Plant, Sump, Water

WEEK_H: Final = 168.0
DAY_S: Final = 86400.0
FAR_DAYS: Final = 730.0
_Z90: Final = 1.2816


@dataclass(frozen=True, slots=True)
class Measured:
    """Something measured, or known at a filling: value and when."""

    value: float
    time_s: float


@dataclass(frozen=True, slots=True)
class MineralFacts:
    """What is known of a sump's minerals: hardness (ppm), conductivity (uS/cm), when it was last filled anew."""

    hardness: Measured | None = None
    conductivity: Measured | None = None
    filled_s: float | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """One mineral's course. Values are ppm as CaCO3 or uS/cm; what is not known is None.

    `steady` is where it ends with `water` (infinite: it never settles); `passes_s` is when it likely passes the limit,
    `early_s` and `late_s` one chance in ten each; infinite: not within two years. `soft_share` of `soft_water` keeps
    the steady value at the limit (None: even all of it does not). `slow`: from what it is now, or from a fresh filling,
    it does not pass the limit within two years, wherever it may end.
    """

    what: str
    unit: str
    now: float | None
    measured_s: float | None
    limit: float | None
    water: str
    steady: float
    passes_s: float | None
    early_s: float | None
    late_s: float | None
    soft_water: str
    soft_share: float | None
    text: str
    slow: bool = False


@dataclass(frozen=True, slots=True)
class _Losses:
    """Evaporation and drag-out a day as shares of the volume, and one sigma of evaporation."""

    evaporation: float
    drag_out: float
    evaporation_sd: float

    @property
    def cycles(self) -> float:
        return math.inf if self.drag_out <= 0.0 else 1.0 + self.evaporation / self.drag_out

    def with_evaporation(self, sigmas: float) -> _Losses:
        return replace(self, evaporation=max(self.evaporation + sigmas * self.evaporation_sd, 0.0))


def outlooks(
    plant: Plant, sump: Sump, estimate: Estimate, forecast: Forecast | None, facts: MineralFacts, now_s: float
) -> tuple[Outlook, ...]:
    """Return the course of hardness, and of conductivity where it is measured; nothing where no water is named."""
    own = sump.make_up_water
    losses = _losses(estimate, forecast)
    if own is None or losses is None:
        return ()
    fluid, course = sump.fluid, _Course(plant, own, losses, now_s)
    start = facts.hardness
    if facts.filled_s is not None and (start is None or facts.filled_s > start.time_s):
        start = Measured(own.hardness_ppm, facts.filled_s)
    found = [course.of("hardness", "ppm", start, fluid.hardness_limit_ppm, lambda water: water.hardness_ppm)]
    if facts.conductivity is not None:
        limit = fluid.conductivity_limit_us_cm
        found.append(
            course.of("conductivity", "uS/cm", facts.conductivity, limit, lambda water: water.conductivity_us_cm)
        )
    return tuple(one for one in found if one is not None)


def _losses(estimate: Estimate, forecast: Forecast | None) -> _Losses | None:
    evaporation, drag_out = max(estimate.evaporation_l_per_day, 0.0), max(estimate.drag_out_l_per_day, 0.0)
    if not estimate.known or not evaporation + drag_out > 0.0 or not estimate.volume_l > 0.0:
        return None
    scale = 1.0 / estimate.volume_l
    if forecast is not None and forecast.path.hours[-1] >= WEEK_H:
        path = forecast.path
        week_l = at(path.hours, path.volume_p50_l, 0.0) - at(path.hours, path.volume_p50_l, WEEK_H)
        scale *= max(week_l, 0.0) / 7.0 / (evaporation + drag_out)
    if scale <= 0.0:
        return None
    sd = estimate.evaporation_sd_l_per_day
    return _Losses(evaporation * scale, drag_out * scale, (sd if math.isfinite(sd) else 0.3 * evaporation) * scale)


@dataclass(frozen=True, slots=True)
class _Course:
    """What all minerals of a sump share: the plant's waters, its own, the losses, now."""

    plant: Plant
    own: Water
    losses: _Losses
    now_s: float

    def of(
        self, what: str, unit: str, start: Measured | None, limit: float | None, of: Callable[[Water], float | None]
    ) -> Outlook | None:
        """Return the course of one mineral; None where the sump's own water says nothing of it."""
        brought = of(self.own)
        if brought is None:
            return None
        now = None if start is None else self._now(start, brought)
        passes, early, late = (self._passes(now, limit, brought, sigmas) for sigmas in (0.0, _Z90, -_Z90))
        slow = limit is not None and self._is_slow(brought if now is None else now, limit, brought)
        steady = steady_hardness(brought, self.losses.evaporation, self.losses.drag_out)
        soft = self._soft(of)
        share = None
        if limit is not None and soft is not None:
            share = soft_share(limit, brought, of(soft) or 0.0, self.losses.cycles)
        found = Outlook(
            what=what,
            unit=unit,
            now=now,
            measured_s=None if start is None else start.time_s,
            limit=limit,
            water=self.own.id,
            steady=steady,
            passes_s=passes,
            early_s=early,
            late_s=late,
            soft_water="" if soft is None else soft.id,
            soft_share=share,
            text="",
            slow=slow,
        )
        return replace(found, text=say_outlook(self.plant, found, self.now_s))

    def _now(self, start: Measured, brought: float) -> float:
        days = max(self.now_s - start.time_s, 0.0) / DAY_S
        return value_after(start.value, brought, self.losses.evaporation, self.losses.drag_out, days)

    def _passes(self, now: float | None, limit: float | None, brought: float, sigmas: float) -> float | None:
        if now is None or limit is None:
            return None
        losses = self.losses.with_evaporation(sigmas)
        days = days_until(limit, now, brought, losses.evaporation, losses.drag_out)
        return self.now_s + days * DAY_S if days <= FAR_DAYS else math.inf

    def _is_slow(self, now: float, limit: float, brought: float) -> bool:
        return days_until(limit, now, brought, self.losses.evaporation, self.losses.drag_out) > FAR_DAYS

    def _soft(self, of: Callable[[Water], float | None]) -> Water | None:
        told = [water for water in self.plant.waters.values() if of(water) is not None and water.id != self.own.id]
        softer = [water for water in told if (of(water) or 0.0) < (of(self.own) or 0.0)]
        return min(softer, key=lambda water: (of(water) or 0.0, water.id), default=None)


def say_outlook(plant: Plant, one: Outlook, now_s: float) -> str:
    """Say the course of a mineral in a few sentences."""
    name = one.what[:1].upper() + one.what[1:]
    parts = [f"{name} not measured yet." if one.now is None else f"{name} is about {number(one.now, 0)} {one.unit}."]
    end = "rises without end" if math.isinf(one.steady) else f"ends at about {number(one.steady, 0)} {one.unit}"
    if one.slow:
        return (
            f"{parts[0]} With {one.water} water it stays below the limit of {number(one.limit or 0.0, 0)} {one.unit}."
        )
    parts.append(f"With {one.water} water it {end}{_beside(one)}.")
    if one.passes_s is not None and one.passes_s <= now_s:
        parts.append("It is above the limit: fill with softer water or change fluid.")
    elif one.passes_s is not None and math.isfinite(one.passes_s):
        late = "much later" if one.late_s is None or math.isinf(one.late_s) else moment(plant, one.late_s, now_s)[:14]
        early = moment(plant, one.early_s or one.passes_s, now_s)[:14]
        parts.append(f"It likely passes the limit on {moment(plant, one.passes_s, now_s)[:14]} ({early} to {late}).")
    parts.append(_remedy(one))
    return " ".join(part for part in parts if part)


def _beside(one: Outlook) -> str:
    return "" if one.limit is None else f" (limit {number(one.limit, 0)} {one.unit})"


def _remedy(one: Outlook) -> str:
    if one.limit is None or one.steady <= one.limit:
        return ""
    if not one.soft_water:
        return "No softer water is named in the plant file."
    if one.soft_share is None:
        return f"Even {one.soft_water} water alone does not keep it below the limit."
    return f"At least {math.ceil(100 * one.soft_share)} % {one.soft_water} water keeps it below the limit."
