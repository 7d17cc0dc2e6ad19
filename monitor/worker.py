"""The one thread that writes: takes deliveries off the queue, puts them on disk, moves the pipeline, hands changes on.

Order within a round: store, acknowledge, take in, pass the grid points that are due, store what changed. A round that
cannot be stored is kept and tried again; nothing is acknowledged before it is on disk. After a restart the record is
gone over slice by slice between rounds, so that input is stored and acknowledged meanwhile.
"""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import Any, Final

from adapters.delivery import Delivery
from monitor.give_back import give_back
from monitor.model.layout import BIN_S
from monitor.patience import SHORTEST_S, Patience
from monitor.pipeline import REVISABLE_S, Pipeline
from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.plant.reading import Entry, Reading, Rejected
from monitor.record.store import Record
from monitor.record.writer import Added
from monitor.rounds import Ask, Asked, Counters, Item, Office, Round, Shed, acknowledge, in_pieces, said_once
from monitor.snapshot import Changes
from monitor.waiting import MARK_S

log = logging.getLogger("bandkeeper.worker")

MOST_AT_ONCE: Final = 500
MOST_KEPT: Final = 5_000
MOST_WAITING: Final = 50_000
RETRY_S: Final = 2.0
ESTIMATES_EVERY_S: Final = 3600.0
SCARCE_S: Final = 20.0
OUT_OF_MEMORY: Final = "there is not enough memory to store what came in: raise the limit, or look what floods"
SLICE_S: Final = 3600.0
INPUT_FIRST_S: Final = 0.5  # after a start, before the record is gone over: what a broker holds is on disk first

Recall = Callable[[float, float], Iterable[Reading]]


class Worker:
    """Owns the record and the pipeline. `told` is called (on the worker's thread) with what each step changed."""

    def __init__(
        self,
        record: Record,
        pipeline: Pipeline,
        clock: Callable[[], float],
        told: Callable[[Changes], None],
        *,
        settle_s: float,
        gather_s: float = SHORTEST_S,
        office: Office | None = None,
    ) -> None:
        self.counters = Counters()
        self.shed = Shed()
        self._office = office
        self.trouble = self.step_trouble = self.post_trouble = self.upkeep_trouble = ""
        self.damaged: Callable[[str], None] = lambda _what: None
        self._round_at = time.monotonic()
        self.stepped_s: float | None = None
        self._recall: Recall | None = None
        self._input_until = -math.inf
        self._recalled_s = math.inf
        self._meanwhile: list[Added] = []
        self._later: list[Asked] = []
        self.behind = False
        self._record, self._pipeline, self._clock, self._told = record, pipeline, clock, told
        self._settle_s, self.gather_s = settle_s, gather_s
        self._patience: Patience | None = None
        self._looked_at = -math.inf
        self._unsaved: Changes | None = None
        self._keeping_up = False
        self._new_entries: set[str] = set()
        self._queue: queue.SimpleQueue[Item | None] = queue.SimpleQueue()
        self._scarce_at: float | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)

    def start(self, recall: Recall | None = None, from_s: float = math.inf) -> None:
        """Begin, with what `recall(from_s, to_s)` gives back of the record from a moment on."""
        self._recall, self._recalled_s = recall, from_s
        self.behind = recall is not None
        self._input_until = time.monotonic() + INPUT_FIRST_S
        self._thread.start()

    def exchange(self, pipeline: Pipeline, recall: Recall, from_s: float) -> None:
        """Go on with another pipeline, on this thread: between rounds it is led over the record up to now.

        All that was stored is on record, and a step that could not be stored is made again: nothing is handed over.
        """
        self._pipeline, self._recall, self._recalled_s = pipeline, recall, from_s
        self._unsaved, self.behind = None, True
        self._meanwhile.clear()

    def stop(self, within_s: float) -> None:
        """Store what waits and end."""
        self._stopping.set()
        self._queue.put(None)
        self._thread.join(within_s)

    @property
    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread.is_alive()

    @property
    def idle_s(self) -> float:
        """How long ago the thread last came round (real seconds)."""
        return time.monotonic() - self._round_at

    @property
    def waiting(self) -> int:
        """How many deliveries wait to be stored."""
        return self._queue.qsize()

    def deliver(self, delivery: Delivery) -> None:
        """Take a delivery (any thread, never blocks); beyond `MOST_WAITING` what nobody keeps is shed and counted."""
        if delivery.passing and self._queue.qsize() >= MOST_WAITING:
            self.counters.deliveries_shed = self.shed.take(delivery)
        else:
            self._queue.put(delivery)

    def submit(self, entry: Entry) -> Future[bool]:
        """Queue an entry; the future says whether it was new once it is on disk."""
        answer: Future[bool] = Future()
        self._queue.put((entry, answer))
        return answer

    def ask(self, what: Ask, *, patient: bool = False) -> Future[Any]:
        """Run something on the worker's thread, where pipeline and record may be touched.

        A patient one waits while the pipeline is `behind`: after a start, until the record has been gone over.
        """
        answer: Future[Any] = Future()
        self._queue.put(Asked(what, answer, patient))
        return answer

    def wake(self) -> None:
        """Look whether a grid point is due."""
        self._queue.put(None)

    def _run(self) -> None:
        pending: Round | None = None
        while True:
            self._round_at = time.monotonic()
            stopping = self._stopping.is_set()
            pending = pending if pending is not None else self._gather()
            if not self._store(pending):
                if stopping:
                    return
                self._stopping.wait(RETRY_S)
                self._gather_more(pending)
                continue
            pending = None
            self._go_over()
            self._step()
            self._catch_up()
            self._turn()
            self._keep_up()
            if self._stopping.is_set() and self._queue.empty():
                return

    def _gather(self) -> Round:
        found, patience = Round(), Patience(self.gather_s, self._patience)
        while len(found.deliveries) < MOST_AT_ONCE:
            try:
                until_s = patience.until_s if self._recall is None else min(patience.until_s, self._input_until)
                wait_s = None if until_s == math.inf else max(0.0, until_s - time.monotonic())
                item = self._queue.get(timeout=wait_s)
            except queue.Empty:
                break
            if item is None:
                if self._queue.empty() and (not found.something or self._has_to_look()):
                    break
                continue
            found.put(item)
            patience.heard(time.monotonic(), urgent=not isinstance(item, Delivery))
            self._patience = patience
            if isinstance(item, Delivery):
                self._input_until = -math.inf
        return found

    def _has_to_look(self) -> bool:
        """Tell whether a moment may be due that the pipeline has not been asked for, or the end."""
        return self._stopping.is_set() or self._moment() != self._looked_at

    def _moment(self) -> float:
        return (self._clock() - self._settle_s) // MARK_S

    def _gather_more(self, found: Round) -> None:
        """Let what came meanwhile join a round that the disk refused: people get their answer, input its place."""
        while len(found.deliveries) < MOST_KEPT and not self._queue.empty():
            item = self._queue.get()
            if item is not None:
                found.put(item)

    def _store(self, found: Round) -> bool:
        """Put a round on disk and answer for it; False if the disk refused (the round stays)."""
        readings = [reading for delivery in found.deliveries for reading in delivery.readings]
        rejected = [one for delivery in found.deliveries for one in delivery.rejected]
        receipts = [one for delivery in found.deliveries for one in delivery.receipts]
        entries = [entry for delivery in found.deliveries for entry in delivery.entries]
        entries += [entry for entry, _ in found.entries]
        try:
            if readings or rejected or entries:
                self._add(readings, entries, rejected, receipts)
                self.trouble, self._scarce_at = "", None
        except RecordError as error:
            return self._refused(found, error)
        except MemoryError:
            return self._out_of_memory(found)
        except Exception as error:
            log.exception("cannot store a round")
            return self._store_apart(found, error)
        for delivery in found.deliveries:
            acknowledge(delivery)
        for entry, answer in found.entries:
            answer.set_result(entry.id in self._new_entries)
        self._answer(found.asks)
        return True

    def _out_of_memory(self, found: Round) -> bool:
        """Keep a round that memory has no room for; MemoryError once that has lasted: a new start frees all."""
        now = time.monotonic()
        self._scarce_at = now if self._scarce_at is None else self._scarce_at
        if now - self._scarce_at > SCARCE_S:
            raise MemoryError(OUT_OF_MEMORY)
        return self._refused(found, RecordError(OUT_OF_MEMORY))

    def _store_apart(self, found: Round, error: Exception) -> bool:
        """Store what no round can hold by a fault of ours one by one: what is at fault is refused, the rest is not."""
        if len(found.deliveries) + len(found.entries) > 1:
            parts = [Round([delivery]) for delivery in found.deliveries]
            parts += [Round(entries=[entry]) for entry in found.entries]
        else:
            for _, answer in found.entries:
                answer.set_exception(error)
            parts = [Round([part]) for delivery in found.deliveries for part in in_pieces(delivery, error)]
        left = [part for part in parts if not self._store(part)]
        found.deliveries = [delivery for part in left for delivery in part.deliveries]
        found.entries = []
        self._answer(found.asks)
        found.asks = []
        return not found.deliveries

    def _add(
        self, readings: list[Reading], entries: list[Entry], rejected: list[Rejected], receipts: list[Any]
    ) -> None:
        since_s = self._clock() - REVISABLE_S - BIN_S
        added = self._record.add(readings, entries, rejected, receipts=receipts, revisable_from_s=since_s)
        self.counters.readings_accepted += len(added.readings)
        self.counters.readings_doubled += added.doubled_readings
        self.counters.readings_rejected += len(rejected) + len(added.refused)
        self.counters.entries_accepted += len(added.entries)
        self._new_entries = {entry.id for entry in added.entries}
        if self._recall is None:
            self._pipeline.take(added.readings, added.entries)
        else:
            self._meanwhile.append(added)

    def _refused(self, found: Round, error: RecordError) -> bool:
        self._note_trouble(error)
        for _, answer in found.entries:
            answer.set_exception(error)
        self._answer(found.asks)
        found.entries, found.asks = [], []
        return not found.deliveries

    def _answer(self, asks: Iterable[Asked]) -> None:
        for asked in asks:
            if asked.patient and self.behind:
                self._later.append(asked)
            else:
                asked.do()

    def _catch_up(self) -> None:
        """Answer what had to wait, once the record has been gone over."""
        if self.behind and self._recall is None:
            self.behind = False
            later, self._later = self._later, []
            self._answer(later)

    def _note_trouble(self, error: RecordError) -> None:
        self.counters.write_failures += 1
        if str(error) != self.trouble:
            log.warning("cannot write: %s; kept and tried again", error)
            if isinstance(error, DamagedRecordError):
                self.damaged(str(error))
        self.trouble = str(error)

    def _go_over(self) -> None:
        """Take the next slice of the record in, as far as it is not yet gone over; what came meanwhile comes last."""
        if self._recall is None or time.monotonic() < self._input_until:
            return
        last = self._recalled_s + SLICE_S > self._clock()
        to_s = math.inf if last else self._recalled_s + SLICE_S
        try:
            self._pipeline.take(list(self._recall(self._recalled_s, to_s)))
            for added in self._meanwhile if last else ():
                self._pipeline.take(added.readings, added.entries)
        except RecordError as error:
            self._note_trouble(error)
            self._stopping.wait(RETRY_S)
        except MemoryError:  # a new start frees all
            raise
        except Exception as error:  # noqa: BLE001 - input is still taken in and kept
            self._no_estimate(error)
            self._stopping.wait(RETRY_S)
        else:
            self._recalled_s = to_s
            if last:
                self._recall = None
                self._meanwhile.clear()

    def _step(self) -> None:
        """Pass the grid points that are due; one whose changes cannot be stored is stored before the next is passed."""
        try:
            if self._unsaved is not None:
                self._keep(self._unsaved, checkpoint=False)
            now_s, self._looked_at = self._clock(), self._moment()
            if self._office is not None:
                self._office.before_step()
            for changes in self._pipeline.run_until(min(now_s - self._settle_s, self._recalled_s)):
                self._unsaved = changes
                self._keep(changes, checkpoint=self._pipeline.checkpoint_due())
                if self._stopping.is_set():
                    break
        except RecordError as error:
            self._note_trouble(error)
        except Exception as error:  # noqa: BLE001 - input is still taken in and kept: gone over when the cause is mended
            self._no_estimate(error)

    def _no_estimate(self, error: Exception) -> None:
        self.counters.step_failures += 1
        self.step_trouble = said_once("no new estimate", self.step_trouble, error)

    def _turn(self) -> None:
        """Let the post office write what is due: escalations, reminders, reports."""
        if self._office is None or self._unsaved is not None or self._recall is not None:
            return
        try:
            self._office.turn(self._pipeline.snapshot, self._clock())
            self.post_trouble = ""
        except RecordError as error:
            self._note_trouble(error)
        except Exception as error:  # noqa: BLE001 - the watch goes on; what was due stays due
            self.post_trouble = said_once("cannot write messages", self.post_trouble, error)

    def _keep_up(self) -> None:
        """Do one small step of the record's upkeep where nothing waits."""
        if self._stopping.is_set() or self._recall is not None or not self._queue.empty():
            return
        went_on, self._keeping_up = self._keeping_up, False
        try:
            self._keeping_up = self._record.upkeep(self._clock())
            self.upkeep_trouble = ""
        except RecordError as error:
            self._note_trouble(error)
        except Exception as error:  # noqa: BLE001 - the watch goes on; the round is begun again in a minute
            self.upkeep_trouble = said_once("cannot keep the record in bounds", self.upkeep_trouble, error)
        if went_on and not self._keeping_up:
            give_back()

    def _keep(self, changes: Changes, *, checkpoint: bool) -> None:
        """Store what a step changed and tell it. A checkpoint goes with it only while no later input has come in."""
        with self._record.transaction():
            fresh = self._record.new_ones(changes.transitions)
            self._record.save(changes)
            if self._office is not None and fresh:
                self._office.moved(fresh, self._clock())
            if changes.snapshot.now_s % ESTIMATES_EVERY_S == 0.0:
                self._record.save_estimates(view.estimate for view in changes.snapshot.sumps.values())
            if checkpoint:
                time_s, blob = self._pipeline.checkpoint()
                # the state holds everything told of moments before the grid point, not of the point itself
                self._record.save_checkpoint(math.nextafter(time_s, 0.0), blob)
        self._unsaved = None
        self._round_at = time.monotonic()
        self.trouble = self.step_trouble = ""
        self._told(changes)
        give_back()
        self.counters.steps += 1
        self.stepped_s = self._clock()
