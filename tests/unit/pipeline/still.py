"""A daemon whose worker does one round when told, on a clock of the test's own: real record, no threads."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import numpy as np

from adapters.delivery import Delivery
from monitor.daemon import Daemon
from monitor.model.types import Estimate, Forecast
from monitor.pipeline import Pipeline
from monitor.plant.reading import Entry, Reading
from monitor.plant.types import Plant
from monitor.rounds import Round
from monitor.snapshot import Changes
from tests.unit.pipeline.shop import BEGIN_S

SETTLE_S = 45.0


class Still:
    """One life of the daemon. `changes` is what its steps said; `kill` ends it without a word."""

    def __init__(self, plant: Plant, now_s: float = BEGIN_S) -> None:
        self.now_s = now_s
        self.acknowledged: list[Reading] = []
        self.changes: list[Changes] = []
        self.daemon = Daemon(plant, lambda: self.now_s, settle_s=SETTLE_S)
        self.worker = self.daemon._worker
        self.worker._told = self.changes.append
        self.worker._recall, self.worker._recalled_s = self.daemon._recall, self.daemon._resume()
        while self.worker._recall is not None:
            self.round()

    @property
    def pipeline(self) -> Pipeline:
        return self.daemon._pipeline

    def round(self, readings: Sequence[Reading] = (), entries: Iterable[Entry] = ()) -> bool:
        """Do one round with this input; tell whether the disk took it."""
        answers: list[tuple[Entry, Future[bool]]] = [(entry, Future()) for entry in entries]
        delivery = Delivery(tuple(readings), done=lambda: self.acknowledged.extend(readings))
        if not self.worker._store(Round([delivery], answers)):
            return False
        self.worker._go_over()
        self.worker._step()
        self.worker._catch_up()
        return True

    def reload(self, plant: Plant) -> None:
        """Go on by another plant file, as the worker does when it is told to."""
        self.daemon._exchange(plant)
        while self.worker.behind:
            self.round()

    def hear(self, now_s: float, readings: Sequence[Reading] = (), entries: Iterable[Entry] = ()) -> None:
        """Let the clock come to `now_s` and hear something then."""
        self.now_s = now_s
        assert self.round(readings, entries)

    def on_record(self) -> list[Reading]:
        return list(self.daemon.reader().readings(-math.inf, math.inf))

    def kill(self) -> None:
        """End it as a power cut would: nothing more is written."""
        self.daemon._record._db.close()
        self.daemon._lock.release()  # as the kernel would


def with_record(plant: Plant, path: Path) -> Plant:
    """Give the plant with its record in this file."""
    return replace(plant, database=path)


def state_of(pipeline: Pipeline) -> dict[str, bytes]:
    """Give every array of the estimator's state as bytes."""
    state = pipeline.engine._state
    return {name: np.asarray(getattr(state, name)).tobytes() for name in type(state).__slots__}


def believed(pipeline: Pipeline) -> dict[str, Estimate]:
    """Give the estimates without what only tells when input arrived."""
    views = pipeline.snapshot.sumps.values()
    return {view.sump: replace(view.estimate, last_heard_s={}, silent=()) for view in views}


def foreseen(pipeline: Pipeline) -> dict[str, Forecast]:
    return dict(pipeline.refreshed_forecasts())
