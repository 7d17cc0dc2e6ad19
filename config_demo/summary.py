"""The closing words of the demo: what was measured in this run, in plain lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from alerts.types import AlertKind
from config_demo.crew import Act, Crew, Poured
from config_demo.story import UNTOUCHED, ZONE
from config_demo.watch import Said, Spell, Watch, middle, noticed
from monitor.model.types import Event, EventKind

_MOST_NAMED = 4
_ACTIONABLE = (AlertKind.LEAVES_BAND_UNATTENDED, AlertKind.OUTSIDE_BAND, AlertKind.LOSS_JUMP)


@dataclass(frozen=True, slots=True)
class Summary:
    """All that a run measured. Litres, percent points, shares; times in Unix seconds."""

    from_s: float
    to_s: float
    real_s: float
    readings_sent: int
    readings_taken_in: int
    top_ups: int
    logged: int
    noticed: Sequence[tuple[Poured, Event]]
    events: Sequence[Event]
    alerts: int
    alerts_before_night: int
    alerts_acted_on: int
    alerts_for_untouched: int
    silent_alerts: int
    acts: Sequence[Act]
    landings_inside: int
    avoided: int
    spells: Sequence[Spell]
    untouched_said: Said | None
    off_pct: float | None
    off_volume_share: float | None
    leak_found_after_h: float | None
    cut_short: bool

    @property
    def landed(self) -> list[Act]:
        """The acts whose landing was looked at."""
        return [act for act in self.acts if act.landed]

    @property
    def untouched(self) -> list[Spell]:
        """The spells outside its band of the sump that nobody touched."""
        return [spell for spell in self.spells if spell.sump == UNTOUCHED]

    def lines(self) -> list[tuple[str, str]]:
        """Return the summary as pairs of what and how much."""
        return [
            ("time", self._time()),
            ("readings", f"{self.readings_sent:,} sent, {self.readings_taken_in:,} taken in"),
            ("top-ups", self._top_ups()),
            ("alerts", self._alerts()),
            ("recipes", self._recipes()),
            ("exits avoided", self._avoided()),
            (f"{UNTOUCHED}, untouched", self._untouched()),
            ("leak", self._leak()),
            ("estimate", self._estimate()),
        ]

    def _time(self) -> str:
        days, real = (self.to_s - self.from_s) / 86_400.0, self.real_s
        pace = (self.to_s - self.from_s) / real if real > 0.0 else 0.0
        ended = ", cut short" if self.cut_short else ""
        return f"{days:.1f} days in {real:.0f} s, {pace:,.0f} times as fast as life{ended}"

    def _top_ups(self) -> str:
        unlogged = self.top_ups - self.logged
        words = (
            f"{self.top_ups} poured in, {self.logged} logged, {len(self.noticed)} of {unlogged} unlogged ones noticed"
        )
        off = middle([abs((event.volume_l or 0.0) - pour.volume_l) / pour.volume_l for pour, event in self.noticed])
        after = middle([(event.detected_s - pour.time_s) / 3600.0 for pour, event in self.noticed])
        if off is None or after is None:
            return words
        return f"{words} after {after:.1f} h, volume off by {100.0 * off:.0f} % (medians)"

    def _alerts(self) -> str:
        return (
            f"{self.alerts} raised, {self.alerts_before_night} of them before an unattended time,"
            f" {self.alerts_acted_on} acted on, {self.alerts_for_untouched} for {UNTOUCHED} left alone"
        )

    def _recipes(self) -> str:
        landed = self.landed
        if not landed:
            return "none carried out"
        off = middle([abs(act.said_pct - (act.truth_pct or 0.0)) for act in landed])
        return (
            f"{len(self.acts)} carried out, {self.landings_inside} of {len(landed)} landings inside the stated"
            f" interval, {off:.2f} points beside the promise (median)"
        )

    def _avoided(self) -> str:
        others = [spell for spell in self.spells if spell.sump != UNTOUCHED]
        words = f"{self.avoided} (left alone, the same sump would have gone out)"
        if not others:
            return words + "; none came all the same"
        night = sum(not spell.attended for spell in others)
        which = ", ".join(f"{spell.sump} {spell.side.value} {local(spell.from_s)}" for spell in others[:_MOST_NAMED])
        more = "…" if len(others) > _MOST_NAMED else ""
        return f"{words}; {len(others)} came all the same, {night} of them unattended: {which}{more}"

    def _untouched(self) -> str:
        if not self.untouched:
            return "stayed inside its band"
        first = self.untouched[0]
        hours = sum(((spell.to_s or self.to_s) - spell.from_s) / 3600.0 for spell in self.untouched)
        words = f"left its band {local(first.from_s)} ({first.side.value}) and was out for {hours:.0f} h"
        said = self.untouched_said
        if said is None:
            return words
        likely = f"likely {local(said.p50_s)} ({local(said.p10_s)} to {local(said.p90_s)})"
        return f"{words}; said {local(said.time_s)}: {likely}"

    def _leak(self) -> str:
        if self.leak_found_after_h is None:
            return "not noticed in this run"
        return f"noticed {self.leak_found_after_h:.1f} h after it began"

    def _estimate(self) -> str:
        if self.off_pct is None or self.off_volume_share is None:
            return "not yet held against the truth"
        return (
            f"off by {self.off_pct:.2f} points of concentration and {100.0 * self.off_volume_share:.1f} % of full"
            " (medians over all sumps, hourly)"
        )


def local(time_s: float) -> str:
    """Write a time as people of the works say it: `Thu 04:10`."""
    return f"{datetime.fromtimestamp(time_s, UTC).astimezone(ZoneInfo(ZONE)):%a %H:%M}"


def landing_lines(acts: Sequence[Act]) -> list[tuple[str, ...]]:
    """Return a row for each landing: when, sump, said, interval, truth, estimate, inside."""
    return [
        (
            local(act.time_s),
            act.sump,
            f"{act.said_pct:.1f} %",
            f"{act.said_p10:.1f}–{act.said_p90:.1f}",
            f"{act.truth_pct:.2f} %",
            f"{act.estimate_pct:.2f} %",
            "inside" if act.inside else "outside",
        )
        for act in acts
        if act.landed
    ]


def sum_up(
    watch: Watch,
    crew: Crew,
    poured: Sequence[Poured],
    *,
    sent: int,
    taken_in: int,
    real_s: float,
    leak: tuple[str, float] | None,
    cut_short: bool,
) -> Summary:
    """Count everything at the end. `leak` is the sump and the moment it began; `poured` is every top-up there was."""
    watch.finish()
    alerts, events = list(watch.alerts.values()), list(watch.events.values())
    acted_ids = {alert_id for act in crew.acts for alert_id in act.alert_ids}
    return Summary(
        from_s=watch.start_s,
        to_s=watch.world.now_s,
        real_s=real_s,
        readings_sent=sent,
        readings_taken_in=taken_in,
        top_ups=len(poured),
        logged=sum(pour.logged for pour in poured),
        noticed=noticed(poured, events),
        events=events,
        alerts=len(alerts),
        alerts_before_night=sum(alert.kind is AlertKind.LEAVES_BAND_UNATTENDED for alert in alerts),
        alerts_acted_on=sum(alert.id in acted_ids for alert in alerts),
        alerts_for_untouched=sum(alert.sump == UNTOUCHED and alert.kind in _ACTIONABLE for alert in alerts),
        silent_alerts=sum(alert.kind is AlertKind.SIGNAL_SILENT for alert in alerts),
        acts=crew.acts,
        landings_inside=sum(act.inside for act in crew.acts if act.landed),
        avoided=len(watch.avoided),
        spells=sorted(watch.spells, key=lambda spell: spell.from_s),
        untouched_said=watch.first_said.get(UNTOUCHED),
        off_pct=middle(watch.off_pct),
        off_volume_share=middle(watch.off_volume),
        leak_found_after_h=_found_after(leak, events),
        cut_short=cut_short,
    )


def _found_after(leak: tuple[str, float] | None, events: Sequence[Event]) -> float | None:
    if leak is None:
        return None
    sump, from_s = leak
    said = [e.detected_s for e in events if e.sump == sump and e.kind is EventKind.LOSS_JUMP and e.detected_s >= from_s]
    return (min(said) - from_s) / 3600.0 if said else None
