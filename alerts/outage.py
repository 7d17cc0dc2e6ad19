"""Silent signals: which silence is worth somebody's time, and one alert for one outage.

A silence calls while somebody is there to look at sensor, cable and gateway (nobody is woken for it; where no attended
hours are set, at once). A signal that is often away for some hours and comes back by itself calls only when it is away
for longer than it was lately: what is usual is learnt from each signal's own last silences, a day at most.

Where at least half of the sumps that hear from a source fall silent there, and three at least, that is one outage: one
alert for the source, and none for each of its signals. It stands until less than a quarter of them are silent.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from alerts.attendance import attendance
from alerts.conditions import Condition
from alerts.types import Alert, AlertKind, Priority
from alerts.words import moment
from monitor.model.types import Estimate, Side
from monitor.plant.reading import Signal
from monitor.plant.types import Plant

KEPT_S: Final = 14 * 86400.0
LONGEST_S: Final = 86400.0
HABIT: Final = 2
MANY: Final = 3
ENTERS: Final = 0.5
STANDS: Final = 0.25


@dataclass(slots=True)
class Gaps:
    """Since when each silent signal was last heard, and how long its last silences were: (end, seconds)."""

    since: dict[str, dict[str, float]] = field(default_factory=dict)
    past: dict[str, dict[str, list[tuple[float, float]]]] = field(default_factory=dict)

    def note(self, estimates: Mapping[str, Estimate], now_s: float) -> None:
        """Take in which signals are silent now."""
        for sump, estimate in estimates.items():
            silent, before = {signal.value for signal in estimate.silent}, self.since.get(sump, {})
            for signal in set(before) - silent:
                self._end(sump, signal, before.pop(signal), now_s)
            for signal in silent - set(before):
                heard_s = estimate.last_heard_s.get(Signal(signal))
                self.since.setdefault(sump, {})[signal] = now_s if heard_s is None else heard_s

    def _end(self, sump: str, signal: str, since_s: float, now_s: float) -> None:
        known = self.past.setdefault(sump, {}).get(signal, [])
        kept = [one for one in known if one[0] > now_s - KEPT_S]
        self.past[sump][signal] = [*kept, (now_s, now_s - since_s)]

    def usual_s(self, sump: str, signal: str, now_s: float) -> float:
        """Return for how long a signal is away now and then (seconds); 0 where that is no habit."""
        lengths = [length for end_s, length in self.past.get(sump, {}).get(signal, ()) if end_s > now_s - KEPT_S]
        return min(max(lengths), LONGEST_S) if len(lengths) >= HABIT else 0.0

    def is_unusual(self, condition: Condition, now_s: float) -> bool:
        """Tell whether a signal is away for longer than it usually is."""
        since_s = self.since.get(condition.sump, {}).get(condition.subject, now_s)
        return now_s - since_s > self.usual_s(condition.sump, condition.subject, now_s)


def with_outages(
    plant: Plant,
    found: Mapping[str, tuple[Condition, ...]],
    estimates: Mapping[str, Estimate],
    gaps: Gaps,
    alerts: Iterable[Alert],
    now_s: float,
) -> list[Condition]:
    """Return all conditions, with those about silent signals as they are worth a call, and the outages of sources.

    `alerts` are those that stand: an outage that was said keeps its signals quiet until it is over.
    """
    said = {one.subject for one in alerts if one.kind is AlertKind.SIGNAL_SILENT and not one.sump}
    known = {one.subject: one for one in _outages(plant, estimates, now_s)}
    outages = {source: one for source, one in known.items() if one.enter or source in said}
    calls_now = plant.attended.covers(now_s) or attendance(plant.attended, now_s).back_s == float("inf")
    every = list(outages.values())
    for sump, conditions in found.items():
        for one in conditions:
            if one.kind is AlertKind.SIGNAL_SILENT:
                source = plant.sumps[sump].signals[Signal(one.subject)].source
                calls = calls_now and source not in outages and gaps.is_unusual(one, now_s)
                every.append(replace(one, enter=one.enter and calls))
            else:
                every.append(one)
    return every


def _outages(plant: Plant, estimates: Mapping[str, Estimate], now_s: float) -> Iterable[Condition]:
    listening: dict[str, set[str]] = {}
    silent: dict[str, dict[str, float]] = {}
    for name, estimate in estimates.items():
        for signal, spec in plant.sumps[name].signals.items():
            listening.setdefault(spec.source, set()).add(name)
            if signal in estimate.silent:
                heard_s = estimate.last_heard_s.get(signal, now_s)
                quiet = silent.setdefault(spec.source, {})
                quiet[name] = min(quiet.get(name, heard_s), heard_s)
    for source, quiet in silent.items():
        count, share = len(quiet), len(quiet) / len(listening[source])
        if count >= MANY and share >= STANDS:
            since = moment(plant, sorted(quiet.values())[count // 2], now_s)
            text = (
                f"{source}: {count} of {len(listening[source])} sumps are silent since about {since}; check gateway, "
                "network and power there, and read levels by hand until then."
            )
            enter = share >= ENTERS
            yield Condition("", AlertKind.SIGNAL_SILENT, source, Side.NONE, Priority.MEDIUM, text, None, enter)
