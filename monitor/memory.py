"""What the pipeline remembers beside the estimator: open alerts, what was said already, the sequence of demands."""

from __future__ import annotations

import json
import zlib
from base64 import b64decode
from collections.abc import Container, Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Self

from alerts import lifecycle
from alerts.care import Care
from alerts.codec import alert_from_json, alert_to_json
from alerts.conditions import Condition
from alerts.outage import Gaps
from alerts.types import Alert, AlertKind, Recipe, Transition
from alerts.upkeep import emptied
from monitor.model.pieces import joined, listed, mapped
from monitor.model.silence import Silence
from monitor.model.types import Event, EventKind
from monitor.plant.people import Calling
from monitor.plant.reading import Entry, EntryKind, Signal
from monitor.plant.types import Plant

RECENT_S: Final = 48 * 3600.0
SAME_S: Final = 3 * 3600.0
_TOUCHING: Final = frozenset({EntryKind.TOP_UP, EntryKind.REMOVAL, EntryKind.CHARGE})
_SEEN: Final = frozenset({EventKind.UNLOGGED_TOP_UP, EventKind.UNLOGGED_REMOVAL})
KEPT_OF_ABSENT: Final = ("landings", "usual", "hygiene", "minerals")
"""What is kept of sumps that are gone from the plant file, should they come back."""


@dataclass(slots=True)
class Memory:
    """Everything of the pipeline that is not the estimator's state."""

    alerts: dict[str, Alert] = field(default_factory=dict)
    recent: list[Event] = field(default_factory=list)
    silent: dict[str, set[Signal]] = field(default_factory=dict)
    sequence: int = 0
    care: Care = field(default_factory=Care)
    emptied: dict[str, tuple[float, str]] = field(default_factory=dict)
    raises: lifecycle.Raises = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    gaps: Gaps = field(default_factory=Gaps)
    absent: dict[str, dict[str, Any]] = field(default_factory=dict)

    def note_entries(self, plant: Plant, entries: Iterable[Entry]) -> None:
        """Note which sumps somebody touched, which were emptied for cleaning, and which are filled again."""
        for entry in sorted(entries, key=lambda one: (one.time_s, one.id)):
            if entry.sump in plant.sumps:
                if entry.kind in _TOUCHING:
                    self.touched.add(entry.sump)
                state = emptied(plant.sumps[entry.sump], entry, self.emptied.get(entry.sump))
                self.emptied.pop(entry.sump, None)
                if state is not None:
                    self.emptied[entry.sump] = state

    def step_alerts(
        self,
        conditions: Iterable[Condition],
        recipes: Mapping[str, Recipe],
        out_of_use: Mapping[str, str],
        events: Iterable[Event],
        now_s: float,
        calling: Calling,
    ) -> tuple[Transition, ...]:
        """Move all alerts on; `events` are this step's."""
        touched = self.touched | {event.sump for event in events if event.kind in _SEEN}
        self.alerts, transitions = lifecycle.step(
            self.alerts, conditions, recipes, now_s, suppressed=out_of_use, raises=self.raises, calling=calling
        )
        self.raises = lifecycle.noted(self.raises, transitions, touched, now_s)
        self.touched = set()
        return transitions

    def news(self, found: Iterable[Event], silences: Iterable[Event], now_s: float) -> list[Event]:
        """Return what was not said before, stamped with the moment it is said first."""
        self.recent = [event for event in self.recent if event.detected_s > now_s - RECENT_S]
        fresh = [event for event in found if event.detected_s > now_s - RECENT_S and not self._said(event)]
        fresh += silences
        said = [_at(event, now_s) for event in fresh]
        self.recent += said
        return said

    def _said(self, event: Event) -> bool:
        return any(
            old.id == event.id
            or (old.sump == event.sump and old.kind == event.kind and abs(old.time_s - event.time_s) < SAME_S)
            for old in self.recent
        )

    def silences(self, silent: Mapping[str, tuple[Signal, ...]], silence: Silence, now_s: float) -> list[Event]:
        """Return an event for each signal that just fell silent."""
        events = []
        for sump, signals in silent.items():
            before = self.silent.get(sump, set())
            events += [_fell_silent(sump, s, silence, now_s) for s in signals if s not in before]
            self.silent[sump] = set(signals)
        return events

    def to_bytes(self, engine: bytes, silence: Silence) -> bytes:
        """Write everything down, with the engine's own bytes."""
        body = {
            "alerts": f"[{', '.join(map(alert_to_json, self.alerts.values()))}]",
            "recent": listed(self.recent, lambda some: [asdict(event) for event in some]),
            "silent": mapped(self.silent, lambda some: {sump: sorted(signals) for sump, signals in some.items()}),
            "sequence": json.dumps(self.sequence),
            "care": self.care.to_json(),
            "emptied": mapped(self.emptied),
            "touched": json.dumps(sorted(self.touched)),
            "gaps": joined({"since": mapped(self.gaps.since), "past": mapped(self.gaps.past)}),
            "raises": listed(self.raises.items(), lambda some: [[*key, list(times)] for key, times in some]),
            "heard": mapped(silence.heard),
            "since_s": json.dumps(silence.since_s),
            "listens": mapped(silence.listens_to()),
            "added_s": mapped(silence.added_s),
            "absent": joined({name: mapped(some) for name, some in self.absent.items()}),
        }
        return zlib.compress(b"\n".join((joined(body).encode(), engine)), level=6)

    @classmethod
    def from_bytes(cls, blob: bytes, silence: Silence) -> tuple[Self, bytes]:
        """Read what `to_bytes` wrote; of sumps that are gone from the plant file little is kept."""
        head, engine = _unpacked(blob)
        body: dict[str, Any] = json.loads(head)
        known = silence.heard
        care, absent = _parted(body, known)
        for sump, heard in body["heard"].items():
            if sump in known:
                known[sump].update({Signal(name): time_s for name, time_s in heard.items()})
        silence.since_s = body["since_s"]
        if "listens" in body:
            silence.listened = {sump: [Signal(s) for s in names] for sump, names in body["listens"].items()}
            added = {sump: signals for sump, signals in body["added_s"].items() if sump in known}
            silence.added_s = {sump: {Signal(s): at for s, at in signals.items()} for sump, signals in added.items()}
        alerts = [alert_from_json(json.dumps(one)) for one in body["alerts"]]
        memory = cls(
            alerts={alert.id: alert for alert in alerts if not alert.sump or alert.sump in known},
            recent=[_event(one) for one in body["recent"] if one["sump"] in known],
            silent={sump: {Signal(s) for s in names} for sump, names in body["silent"].items() if sump in known},
            sequence=body["sequence"],
            gaps=_gaps(body.get("gaps", {}), known),
            touched={s for s in body.get("touched", ()) if s in known},
            raises={
                (s, AlertKind(kind), of): tuple(t) for s, kind, of, t in body.get("raises", ()) if not s or s in known
            },
            care=Care.from_json(care, known),
            emptied={s: (one[0], one[1]) for s, one in body.get("emptied", {}).items() if s in known},
            absent=absent,
        )
        return memory, engine or _engine_in(body)

    @staticmethod
    def engine_part(blob: bytes) -> bytes:
        """Return the engine's own bytes out of what `to_bytes` wrote."""
        head, engine = _unpacked(blob)
        return engine or _engine_in(json.loads(head))


def _unpacked(blob: bytes) -> tuple[bytes, bytes]:
    """Return the first line, which is JSON, and the rest; in a record of the first releases all is in the line."""
    head, _, engine = zlib.decompress(blob).partition(b"\n")
    return head, engine


def _engine_in(body: dict[str, Any]) -> bytes:
    return b64decode(body["engine"])


def _parted(body: dict[str, Any], known: Container[str]) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return what was kept of people's acts with that of sumps that are back, and that of sumps that are gone."""
    care, before = dict(body.get("care", {})), body.get("absent", {})
    absent = {}
    for name in KEPT_OF_ABSENT:
        every = {**before.get(name, {}), **care.get(name, {})}
        care[name] = {sump: one for sump, one in every.items() if sump in known}
        absent[name] = {sump: one for sump, one in every.items() if sump not in known}
    return care, absent


def _gaps(body: dict[str, Any], known: Container[str]) -> Gaps:
    past = {s: {of: [(e, t) for e, t in some] for of, some in one.items()} for s, one in body.get("past", {}).items()}
    return Gaps(
        {sump: since for sump, since in body.get("since", {}).items() if sump in known},
        {sump: one for sump, one in past.items() if sump in known},
    )


def _event(one: dict[str, Any]) -> Event:
    return Event(**{**one, "kind": EventKind(one["kind"])})


def _at(event: Event, now_s: float) -> Event:
    return event if event.detected_s == now_s else Event(**{**_fields(event), "detected_s": now_s})


def _fields(event: Event) -> dict[str, Any]:
    return {name: getattr(event, name) for name in Event.__slots__}


def _fell_silent(sump: str, signal: Signal, silence: Silence, now_s: float) -> Event:
    last_s = silence.last_heard_s(sump, signal)
    since_s = last_s if last_s is not None else (silence.since_s or now_s)
    detail = f"{signal.value} not heard" + ("" if last_s is None else f" for {(now_s - last_s) / 3600.0:.1f} h")
    return Event(
        id=f"{sump}-silent-{signal.value}-{int(since_s)}",
        sump=sump,
        kind=EventKind.SILENT_SIGNAL,
        time_s=since_s,
        detected_s=now_s,
        volume_l=None,
        mix_pct=None,
        confidence=0.99,
        detail=detail,
    )
