"""What asks for somebody: the conditions behind alerts.

They are judged from estimate, forecast, events and the attended calendar. A condition is listed when it stands at all;
`enter` tells whether it is strong enough to raise an alert, without it the condition only keeps an alert open that
stands already. So entering and leaving differ in every condition:

*Leaves its band unattended.* The question is not "is it out?" but "will it leave before somebody is back, and is this
the last good moment to act?". Somebody is back at the start of the next attended window after the present one (after
this moment, when nobody is there). The moment is right from some hours (`lead`) before the present window ends until
somebody is back: on the evening's last round, all night, all weekend; not in the middle of a shift, where the same
people will see it again. It enters when the chance of it is worth a call (`Calling.chance_needed`: less where the pump
may draw air, more where somebody is woken), and stands as long as one of the twenty equally likely exits lies before
somebody is back. A forecast whose course the sump has left since (a top-up) raises nothing; the next one will. Where
somebody is always there, the lead stands in for the absence.

*Outside its band.* Enters when the sump is outside for `sure`, stands until it is inside by the dead band (a share of
the band's width; for the level, of full) and outside with less than the opposite chance. Both hang on the estimate's
own uncertainty, which is learnt from the sump's noise.

All these figures are the plant file's (`[alerts]`, `monitor.plant.people.Calling`).

*Loss jump.* Enters with an event of at least even confidence and stands for a day after it was noticed.

*Signal silent, signal doubtful.* As the estimator judges them from arrivals and from the other signals; signals that
fell silent together are one alert (see `alerts.outage` for which silence calls, and when).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import NormalDist

from alerts.attendance import Attendance, attendance
from alerts.bench import still_valid
from alerts.landing import chance_between
from alerts.sentences import Leaving, say_doubtful, say_leaving, say_loss_jump, say_outside, say_silent
from alerts.types import AlertKind, Priority
from monitor.model.types import Estimate, Event, EventKind, Forecast, Side
from monitor.plant.people import Calling
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, Sump

LIKELY = 0.5
_ROUNDING = 1e-9
LOSS_STANDS_S = 86400.0
LOSS_CONFIDENCE = 0.5


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that asks for somebody. `exit_p50_h` is hours from now to the likely exit, where one is foreseen."""

    sump: str
    kind: AlertKind
    subject: str
    side: Side
    priority: Priority
    text: str
    exit_p50_h: float | None
    enter: bool

    @property
    def key(self) -> tuple[str, AlertKind, str]:
        """What makes it one condition: sump, kind and subject."""
        return self.sump, self.kind, self.subject


@dataclass(frozen=True, slots=True)
class Scene:
    """All that one sump's conditions are judged from."""

    plant: Plant
    sump: Sump
    estimate: Estimate
    forecast: Forecast | None
    events: tuple[Event, ...]
    now_s: float
    there: Attendance

    @property
    def ahead_h(self) -> float:
        """Hours since the forecast was made."""
        return 0.0 if self.forecast is None else max(self.now_s - self.forecast.made_s, 0.0) / 3600.0

    @property
    def calling(self) -> Calling:
        """When something becomes a call at this plant."""
        return self.plant.alerting.calling

    @property
    def cover_h(self) -> float:
        """Hours the sump has to last without anybody; the lead where somebody is always there."""
        return self.calling.lead_h if math.isinf(self.there.until_s) else self.there.hours_to_cover

    def chance_before(self, hours: float) -> float:
        """Chance that the sump leaves its band within so many hours from now."""
        return 0.0 if self.forecast is None else self.forecast.share_before(self.ahead_h + hours)

    def exit_h(self, exit_from_made_h: float) -> float:
        """Turn a forecast exit into hours from now."""
        return max(exit_from_made_h - self.ahead_h, 0.0)

    @property
    def exit_p50_h(self) -> float | None:
        """Hours to the likely exit; None without a forecast or beyond its horizon."""
        if self.forecast is None or self.forecast.exit_p50_h >= self.forecast.horizon_h:
            return None
        return self.exit_h(self.forecast.exit_p50_h)


def find_conditions(
    plant: Plant,
    sump: Sump,
    estimate: Estimate,
    forecast: Forecast | None,
    recent_events: Iterable[Event],
    now_s: float,
) -> tuple[Condition, ...]:
    """Return every condition of one sump that stands at `now_s`, the most urgent kind first."""
    mine = tuple(event for event in recent_events if event.sump == sump.id)
    scene = Scene(plant, sump, estimate, forecast, mine, now_s, attendance(plant.attended, now_s))
    return tuple(_all(scene))


def _all(scene: Scene) -> Iterator[Condition]:
    outside = _outside(scene) if scene.estimate.known else None
    if outside is not None:
        yield outside
    if scene.forecast is not None and not (outside is not None and outside.enter):
        yield from _leaving(scene, scene.forecast)
    yield from _loss_jump(scene)
    yield from _signals(scene)


def _leaving(scene: Scene, forecast: Forecast) -> Iterator[Condition]:
    chance = scene.chance_before(min(scene.cover_h, forecast.horizon_h - scene.ahead_h))
    if chance <= 0.0 or not is_the_moment(scene.there, scene.calling):
        return
    side = _likely_side(forecast)
    needed = scene.calling.chance_needed(low=side is Side.LOW, attended=scene.there.attended)
    enter = chance >= needed - _ROUNDING and still_valid(forecast, scene.estimate, scene.sump) is not None
    leaving = Leaving(
        side=side,
        chance=chance,
        exits_s=tuple(
            forecast.made_s + 3600.0 * hours if hours < forecast.horizon_h else math.inf
            for hours in (forecast.exit_p10_h, forecast.exit_p50_h, forecast.exit_p90_h)
        ),
        back_s=scene.there.back_s,
        cover_h=scene.cover_h,
    )
    text = say_leaving(scene.plant, scene.sump.id, leaving, scene.now_s)
    early_h = scene.exit_h(forecast.exit_p10_h)
    priority = _leaving_priority(scene.there, side, chance, is_near=early_h <= scene.calling.lead_h)
    yield Condition(scene.sump.id, AlertKind.LEAVES_BAND_UNATTENDED, "", side, priority, text, scene.exit_p50_h, enter)


def is_the_moment(there: Attendance, calling: Calling) -> bool:
    """Tell whether it is time to call about what will happen while nobody is there."""
    return not there.attended or there.hours_left <= calling.lead_h or math.isinf(there.until_s)


def _likely_side(forecast: Forecast) -> Side:
    """Return the forecast's side; where it says none, the likeliest side there is."""
    if forecast.side is not Side.NONE:
        return forecast.side
    real = {side: share for side, share in forecast.side_share.items() if side is not Side.NONE and share > 0.0}
    return max(real, key=lambda side: real[side], default=Side.NONE)


def _leaving_priority(there: Attendance, side: Side, chance: float, *, is_near: bool) -> Priority:
    """From consequence and time left: a pump that draws air is worth a call, a strong mix waits for the morning.

    While nobody is there the call for a low level comes the lead before its early exit: on a Friday night nobody is
    woken for Sunday.
    """
    if side is Side.LOW:
        return Priority.HIGH if chance >= LIKELY and (there.attended or is_near) else Priority.MEDIUM
    return Priority.MEDIUM if there.attended and chance >= LIKELY else Priority.LOW


def _outside(scene: Scene) -> Condition | None:
    judged = [*_level(scene), *_strength(scene)]
    if not judged:
        return None
    side, chance, enter = next((one for one in judged if one[2]), judged[0])
    text = say_outside(scene.plant, scene.sump, scene.estimate, side, chance)
    priority = Priority.HIGH if side is Side.LOW or _is_far_out(scene) else Priority.MEDIUM
    return Condition(scene.sump.id, AlertKind.OUTSIDE_BAND, "", side, priority, text, 0.0, enter)


def _level(scene: Scene) -> Iterator[tuple[Side, float, bool]]:
    lowest, volume, calling = scene.sump.lowest_l, scene.estimate.volume_l, scene.calling
    chance = _chance_below(volume, scene.estimate.volume_sd_l, lowest)
    if chance >= 1.0 - calling.sure or volume < lowest + calling.dead_level * scene.sump.full_l:
        yield Side.LOW, chance, chance >= calling.sure


def _strength(scene: Scene) -> Iterator[tuple[Side, float, bool]]:
    (low, high), strength = scene.sump.fluid.band_pct, scene.estimate.concentration_pct
    spread, calling = scene.estimate.concentration_sd_pct, scene.calling
    chance, dead = 1.0 - chance_between(strength, spread, low, high), calling.dead_band * (high - low)
    if chance >= 1.0 - calling.sure or not low + dead <= strength <= high - dead:
        side = Side.RICH if strength > (low + high) / 2 else Side.LEAN
        yield side, chance, chance >= calling.sure


def _chance_below(mean: float, spread: float, limit: float) -> float:
    return NormalDist(mean, spread).cdf(limit) if spread > 0.0 else float(mean < limit)


def _is_far_out(scene: Scene) -> bool:
    (low, high), strength = scene.sump.fluid.band_pct, scene.estimate.concentration_pct
    return not low - (high - low) / 2 <= strength <= high + (high - low) / 2


def _loss_jump(scene: Scene) -> Iterator[Condition]:
    jump = latest_loss_jump(scene.events, scene.now_s)
    if jump is None:
        return
    soon = scene.exit_p50_h is not None and scene.exit_p50_h < scene.cover_h
    priority = Priority.HIGH if soon else Priority.MEDIUM
    text = say_loss_jump(scene.plant, jump, scene.now_s)
    side = Side.NONE if scene.forecast is None else scene.forecast.side
    enter = jump.confidence >= LOSS_CONFIDENCE
    yield Condition(scene.sump.id, AlertKind.LOSS_JUMP, "", side, priority, text, scene.exit_p50_h, enter)


def latest_loss_jump(events: Iterable[Event], now_s: float) -> Event | None:
    """Return the latest loss jump noticed within a day before `now_s`: for conditions and recipe alike."""
    jumps = (event for event in events if event.kind is EventKind.LOSS_JUMP)
    fresh = (event for event in jumps if 0.0 <= now_s - event.detected_s <= LOSS_STANDS_S)
    return max(fresh, key=lambda event: (event.detected_s, event.time_s), default=None)


def _signals(scene: Scene) -> Iterator[Condition]:
    estimate = scene.estimate
    for position, signal in enumerate(estimate.silent):
        together = [other for other in estimate.silent if _fell_silent_together(scene, signal, other)]
        text = say_silent(
            scene.plant, scene.sump.id, together or [signal], estimate.last_heard_s.get(signal), scene.now_s
        )
        is_told = any(other in together for other in estimate.silent[:position])
        yield _signal(scene, AlertKind.SIGNAL_SILENT, signal.value, text, enter=not is_told)
    for signal in estimate.doubtful:
        about = (event for event in scene.events if _is_doubt_about(event, signal.value))
        detail = max(about, key=lambda event: event.detected_s, default=None)
        text = say_doubtful(scene.sump.id, signal, "" if detail is None else detail.detail)
        yield _signal(scene, AlertKind.SIGNAL_DOUBTFUL, signal.value, text, enter=True)


def _fell_silent_together(scene: Scene, one: Signal, other: Signal) -> bool:
    """Tell whether two signals went silent within two of their periods: one outage, one alert."""
    heard = [scene.estimate.last_heard_s.get(signal) for signal in (one, other)]
    if heard[0] is None or heard[1] is None:
        return heard[0] is heard[1]
    periods = [scene.sump.signals[signal].period_s for signal in (one, other) if signal in scene.sump.signals]
    return abs(heard[0] - heard[1]) <= 2.0 * max(periods, default=0.0) + 1.0


def _is_doubt_about(event: Event, signal: str) -> bool:
    return event.kind is EventKind.DOUBTFUL_SIGNAL and signal in event.detail


def _signal(scene: Scene, kind: AlertKind, signal: str, text: str, *, enter: bool) -> Condition:
    return Condition(scene.sump.id, kind, signal, Side.NONE, Priority.LOW, text, None, enter)
