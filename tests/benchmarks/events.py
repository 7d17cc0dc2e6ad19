"""Score the events a replay noticed against what really happened (see `scoring` for the rules)."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.benchmarks.recording import DAY_S, HOUR_S, Floats, Recording, Row, number, seconds

TOLERANCE_S: Final = HOUR_S
VOLUME_FACTOR: Final = 2.0
LEAK_KINDS: Final = frozenset({"leak", "slow_leak", "overflow", "stuck_valve"})
SENSOR_KINDS: Final = frozenset(
    {"stuck", "drift", "swapped", "stuck_noisy", "noisy", "swapped_both", "scaled", "running_stuck"}
)
SOON_H: Final = 24.0
FIELD_LEAKS: Final = ("003", "017")
FIELD_LEAK_DAY: Final = 12
MONTH_S: Final = 30 * DAY_S


@dataclass(frozen=True)
class Happening:
    """Something that happened to a sump: added or taken litres at a time, or a state from a time to another."""

    sump: str
    from_s: float
    to_s: float
    volume_l: float = float("nan")
    mix_pct: float = float("nan")
    logged: int = 0
    kind: str = ""


def _share(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def _quantile(values: Sequence[float], level: float) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.quantile(known, level)) if known else float("nan")


def _of_kind(events: Sequence[Row], kind: str) -> list[Row]:
    return [event for event in events if event["kind"] == kind]


def services(recording: Recording) -> list[Happening]:
    """Return every top-up by people."""
    return [
        Happening(
            row["sump"],
            seconds(row["time"]),
            seconds(row["time"]),
            float(row["volume_l"]),
            number(row["mix_pct"]),
            int(row["logged"]),
            "top_up",
        )
        for row in recording.table("services")
    ]


def removals(recording: Recording) -> list[Happening]:
    """Return every removal and change-out by people."""
    return [
        Happening(
            row["sump"],
            seconds(row["time"]),
            seconds(row["time"]),
            float(row["volume_l"]),
            number(row["mix_pct"]),
            int(row["logged"]),
            row["kind"],
        )
        for row in recording.table("removals")
    ]


def changes(recording: Recording, kinds: frozenset[str]) -> list[Happening]:
    """Return the changes of the given kinds; one that never ended ends with the recording."""
    end = recording.span_s()[1]
    return [
        Happening(row["sump"], seconds(row["from"]), seconds(row["to"]) if row["to"] else end, kind=row["kind"])
        for row in recording.table("changes")
        if row["kind"] in kinds
    ]


def leaks(recording: Recording) -> list[Happening]:
    """Return the leaks: as changes.csv tells, else those that the recordings' own note names."""
    if recording.table("changes") or recording.table("losses"):
        return changes(recording, LEAK_KINDS)
    start, end = recording.span_s()
    leaking = [sump for sump in recording.full_l() if sump.endswith(FIELD_LEAKS)]
    return [Happening(sump, start + FIELD_LEAK_DAY * DAY_S, end, kind="leak") for sump in leaking]


def stretch(sampled: Mapping[str, Floats], happening: Happening) -> tuple[float, float]:
    """Return the last reading before and the first reading after something happened, an hour added on both sides."""
    seen = sampled.get(happening.sump, np.empty(0))
    at = int(np.searchsorted(seen, happening.from_s, side="right"))
    before = seen[at - 1] if at else happening.from_s
    after = seen[at] if at < len(seen) else happening.from_s
    return float(before) - TOLERANCE_S, float(after) + TOLERANCE_S


def match(
    truth: Sequence[Happening], events: Sequence[Row], sampled: Mapping[str, Floats], factor: float = VOLUME_FACTOR
) -> dict[int, int]:
    """Pair events with happenings one to one, nearest in time first; event index -> happening index."""
    pairs = []
    windows = [stretch(sampled, happening) for happening in truth]
    for e, event in enumerate(events):
        at, volume = seconds(event["time"]), abs(number(event["volume_l"]))
        for h, (happening, (low, high)) in enumerate(zip(truth, windows, strict=True)):
            alike = happening.volume_l / factor <= volume <= happening.volume_l * factor
            if happening.sump == event["sump"] and low <= at <= high and alike:
                pairs.append((abs(at - happening.from_s), e, h))
    matched: dict[int, int] = {}
    taken: set[int] = set()
    for _, e, h in sorted(pairs):
        if e not in matched and h not in taken:
            matched[e] = h
            taken.add(h)
    return matched


def top_up_figures(recording: Recording, events: Sequence[Row], sampled: Mapping[str, Floats]) -> dict[str, float]:
    """Return precision, recall, errors and delay of the unlogged top-ups."""
    missed_by_book = [service for service in services(recording) if service.logged != 1]
    charges = [removal for removal in removals(recording) if removal.kind == "charge"]
    said = _of_kind(events, "unlogged_top_up")
    right = match(missed_by_book, said, sampled)
    excused = set(match(charges, said, sampled, factor=1e9)) - set(right)
    hit = {h for h in right.values() if missed_by_book[h].logged == 0}
    wanted = sum(service.logged == 0 for service in missed_by_book)
    errors = [abs(number(said[e]["volume_l"]) / missed_by_book[h].volume_l - 1) for e, h in right.items()]
    mixes = [abs(number(said[e]["mix_pct"]) - missed_by_book[h].mix_pct) for e, h in right.items()]
    delays = [(seconds(said[e]["detected_at"]) - missed_by_book[h].from_s) / HOUR_S for e, h in right.items()]
    return {
        "unlogged top-ups: cases": float(wanted),
        "unlogged top-ups: precision": _share(len(right), len(said) - len(excused)),
        "unlogged top-ups: recall": _share(len(hit), wanted),
        "unlogged top-ups: volume error, median": _quantile(errors, 0.5),
        "unlogged top-ups: mix error points, median": _quantile(mixes, 0.5),
        "unlogged top-ups: said after h, median": _quantile(delays, 0.5),
    }


def removal_figures(recording: Recording, events: Sequence[Row], sampled: Mapping[str, Floats]) -> dict[str, float]:
    """Return precision and recall of the unlogged removals (change-outs half taken are excused)."""
    truth = removals(recording)
    taken = [removal for removal in truth if removal.kind == "removal" and removal.logged != 1]
    charges = [removal for removal in truth if removal.kind == "charge"]
    said = _of_kind(events, "unlogged_removal")
    if not said and not truth:
        return {}
    right = match(taken, said, sampled)
    excused = set(match(charges, said, sampled, factor=1e9)) - set(right)
    hit = {h for h in right.values() if taken[h].logged == 0}
    return {
        "unlogged removals: cases": float(sum(removal.logged == 0 for removal in taken)),
        "unlogged removals: precision": _share(len(right), len(said) - len(excused)),
        "unlogged removals: recall": _share(len(hit), sum(removal.logged == 0 for removal in taken)),
    }


def _during(event: Row, truth: Sequence[Happening], grace_s: float) -> int | None:
    at = seconds(event["detected_at"])
    for i, happening in enumerate(truth):
        if happening.sump == event["sump"] and happening.from_s <= at <= happening.to_s + grace_s:
            return i
    return None


def state_event_figures(name: str, truth: Sequence[Happening], said: Sequence[Row], sump_s: float) -> dict[str, float]:
    """Return delays, share told and false calls of states that start at a time (leaks, sick sensors).

    A state never told has an infinite delay.
    """
    delays = [float("inf")] * len(truth)
    false = 0
    for event in said:
        i = _during(event, truth, DAY_S)
        if i is None:
            false += 1
        else:
            delays[i] = min(delays[i], (seconds(event["detected_at"]) - truth[i].from_s) / HOUR_S)
    return {
        f"{name}: cases": float(len(truth)),
        f"{name}: told": _share(sum(delay < float("inf") for delay in delays), len(truth)),
        f"{name}: told within 24 h": _share(sum(delay <= SOON_H for delay in delays), len(truth)),
        f"{name}: delay h, median": statistics.median(delays) if delays else float("nan"),
        f"{name}: delay h, worst": max(delays, default=float("nan")),
        f"{name}: false a sump-month": false / (sump_s / MONTH_S),
    }


def event_figures(recording: Recording, events: Sequence[Row]) -> dict[str, float]:
    """Return every figure about events."""
    start, end = recording.span_s()
    sampled = recording.sampled_s()
    sump_s = (end - start) * len(recording.full_l())
    result = top_up_figures(recording, events, sampled) | removal_figures(recording, events, sampled)
    result |= state_event_figures("loss jump", leaks(recording), _of_kind(events, "loss_jump"), sump_s)
    sick = changes(recording, SENSOR_KINDS)
    doubts = _of_kind(events, "doubtful_signal")
    return result | state_event_figures("sick sensor", sick, doubts, sump_s)
