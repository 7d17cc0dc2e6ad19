"""What was done and what was noticed, in words and as marks under the drawings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.model.types import Event, EventKind
from monitor.plant.reading import Entry
from monitor.plant.show import show_volume
from monitor.plant.types import Plant
from monitor.status.charts import Mark
from monitor.status.words import ENTRIES, at


@dataclass(frozen=True, slots=True)
class Done:
    """A line of what was done or noticed."""

    when: str
    what: str
    seen: bool


def marks(entries: Iterable[Entry], events: Iterable[Event], plant: Plant) -> list[Mark]:
    """Return the marks under the drawings: filled for what was logged, a ring for what was only noticed."""
    shape = {"top_up": "in", "charge": "in", "removal": "out"}
    out = [Mark(e.time_s, shape.get(e.kind.value, "check"), say_entry(e, plant)) for e in entries]
    return out + [Mark(e.time_s, "seen", say_event(e, plant)) for e in events]


def say_entry(entry: Entry, plant: Plant) -> str:
    """Say a line of the log book."""
    parts = [ENTRIES[entry.kind]]
    if entry.volume_l is not None:
        parts.append(show_volume(entry.volume_l, plant.units))
    if entry.mix_pct is not None:
        parts.append(f"at {entry.mix_pct:g} %")
    if entry.value is not None:
        parts.append(f"{entry.value:g} {entry.unit}".rstrip())
    return " ".join(parts) + (f" ({entry.note})" if entry.note else "")


def say_event(event: Event, plant: Plant) -> str:
    """Say what was noticed, with its size in the plant's units."""
    size = "" if event.volume_l is None else f"about {show_volume(event.volume_l, plant.units)} "
    mix = "" if event.mix_pct is None else f"at {event.mix_pct:.1f} % "
    words = {
        EventKind.UNLOGGED_TOP_UP: f"{size}{mix}went in",
        EventKind.UNLOGGED_REMOVAL: f"{size}went out",
        EventKind.LOSS_JUMP: f"{size}a day more is lost than before",
    }
    return words.get(event.kind) or event.detail or event.kind.value.replace("_", " ")


def done(entries: Iterable[Entry], events: Iterable[Event], plant: Plant, now_s: float) -> tuple[Done, ...]:
    """Return what was done and noticed, newest first."""
    lines = [(e.time_s, say_entry(e, plant), False) for e in entries]
    lines += [(e.time_s, say_event(e, plant), True) for e in events]
    lines.sort(key=lambda line: line[0], reverse=True)
    return tuple(Done(at(time_s, now_s, plant.zone), what, seen) for time_s, what, seen in lines)
