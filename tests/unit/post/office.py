"""A post office over a record in a folder, with a clock the test moves and alerts that the test raises."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from alerts import lifecycle
from alerts.conditions import Condition
from alerts.types import Alert, AlertKind, Priority, Transition
from monitor.model.checks import CheckWorth
from monitor.model.types import Side
from monitor.plant.file import load_plant
from monitor.plant.types import Plant
from monitor.post import PostOffice
from monitor.record.outbox import Outbox
from monitor.record.store import Record
from monitor.snapshot import Snapshot, SumpView
from tests.unit.record.things import estimate, recipe

PEOPLE = Path(__file__).parents[2] / "cases" / "plant_files" / "people" / "plant.toml"
KEY = b"k" * 32


def at(text: str, zone: str = "Europe/Lisbon") -> float:
    """Return a wall time as Unix seconds."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()


class Office:
    """Everything between a change and the outbox; `restart` closes it all and opens it again."""

    def __init__(self, folder: Path, plant: Plant | None = None, *, stream: bool = False) -> None:
        self.plant = plant or load_plant(PEOPLE)
        self.path = folder / "bandkeeper.db"
        self.alerts: dict[str, Alert] = {}
        self._stream = stream
        self.now_s = 0.0
        self._open()

    def _open(self) -> None:
        self.record = Record.open(self.path, now_s=0.0)
        self.post = PostOffice(self.plant, self.record, KEY, seen_alert=self.alerts.get, stream=self._stream)

    def restart(self) -> None:
        """Close the record and open it again, as a new process would."""
        self.record.close()
        self._open()

    def close(self) -> None:
        self.record.close()

    def raise_alert(self, now_s: float, priority: Priority = Priority.HIGH, kind: str = "outside_band") -> Alert:
        """Raise an alert of lathe-04 at a moment."""
        text = "lathe-04 is rich: 10.6 %."
        found = Condition("lathe-04", AlertKind(kind), "", Side.RICH, priority, text, 0.0, enter=True)
        living, moves = lifecycle.step({}, [found], {"lathe-04": recipe()}, now_s)
        (alert,) = living.values()
        self.alerts[alert.id] = alert
        self.moved(moves, now_s)
        return alert

    def acknowledge(self, alert: Alert, who: str, now_s: float) -> None:
        moved, move = lifecycle.acknowledge(alert, who, now_s)
        assert move is not None
        self.alerts[alert.id] = moved
        self.moved((move,), now_s)

    def moved(self, moves: tuple[Transition, ...], now_s: float) -> None:
        """Store changes as the worker does."""
        with self.record.transaction():
            fresh = self.record.new_ones(moves)
            self.record.save_transitions(moves)
            self.post.moved(fresh, now_s)

    def turn(self, now_s: float, checks: tuple[CheckWorth, ...] = (), picture_s: float | None = None) -> None:
        """Let what is due be written, from a picture of now (or of `picture_s`) with some hand checks that pay."""
        seen_s = now_s if picture_s is None else picture_s
        view = SumpView("lathe-04", replace(estimate(0), time_s=seen_s), None, recipe())
        picture = Snapshot(seen_s, {"lathe-04": view}, tuple(self.alerts.values()), checks=checks)
        self.post.turn(picture, now_s)

    def rows(self) -> list[dict[str, Any]]:
        """Return the outbox, oldest first."""
        return rows_of(self.path)

    def told(self) -> list[tuple[str, str]]:
        """Return (person, what) of all messages: what is raised, escalate-1, remind-1, hand-over and so on."""
        return [(row["person"], _what(row["event"])) for row in self.rows()]

    def outbox(self) -> Outbox:
        return Outbox(self.path)


def rows_of(path: Path) -> list[dict[str, Any]]:
    """Return the outbox of a record, oldest first."""
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute("SELECT * FROM outbox ORDER BY id")]


def _what(event: str) -> str:
    for word in ("-escalate-", "-remind-"):
        if word in event:
            return word.strip("-") + event.rpartition(word)[2].join(["-", ""])
    for word in ("hand-over", "morning", "all-is-well"):
        if event.startswith(word):
            return word
    return event.rpartition("-")[2]
