"""The roof: wires sources, record, pipeline, publishing and the status page together; owns threads and signals."""

from __future__ import annotations

import logging
import math
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import replace
from itertools import chain
from types import TracebackType
from typing import Final, Self

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from adapters.delivery import Receipt
from alerts import lifecycle
from alerts.types import Alert, AlertState, Transition
from monitor.desk import Desk
from monitor.fittings import Fittings
from monitor.health import Doctor
from monitor.keys import link_key
from monitor.lock import RecordLock
from monitor.nightly import Nightly
from monitor.outward import Outward
from monitor.own_alerts import OwnAlerts
from monitor.pipeline import Pipeline
from monitor.plant.calendar import forget_time_zones
from monitor.plant.errors import BandkeeperError, PlantFileError, SourceError
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading
from monitor.plant.types import Plant
from monitor.post import PostOffice
from monitor.recall import AWAY_S, LOOK_BACK_S, away, closed_lately, gone, past, recalled, resume
from monitor.record.mend import report
from monitor.record.store import Record
from monitor.reload import Outcome, differences, in_force, shapes, since
from monitor.snapshot import Changes, Snapshot
from monitor.sources import Sources
from monitor.status.app import create_app
from monitor.status.feed import Feed
from monitor.status.serve import StatusServer, check_listener, must_have_tokens
from monitor.together import within
from monitor.worker import Worker

log = logging.getLogger("bandkeeper")

TICK_S: Final = 1.0
STOP_S: Final = 10.0
GOOD_BYE_S: Final = 6.0
SET_BACK_S: Final = 1200.0
LOOK_EVERY_S: Final = 10.0
RELOAD_S: Final = 90.0


def wall_clock() -> float:
    """Return now in Unix seconds."""
    return time.time()


class Daemon(Desk):
    """The whole product in one process. `clock` gives Unix seconds; `tick_s` is how often (really) it is looked at."""

    def __init__(
        self,
        plant: Plant,
        clock: Callable[[], float],
        *,
        tick_s: float = TICK_S,
        settle_s: float = 0.0,
        found_damaged: Callable[[], None] = lambda: None,
        doubts: Callable[[], str] = lambda: "",
    ) -> None:
        self._doubts = doubts
        self._found_damaged, self._is_damaged = found_damaged, False
        self._clock, self._tick_s, self._settle_s = clock, tick_s, settle_s
        self._lock = RecordLock.take(plant.database)
        with ExitStack() as undo:
            undo.callback(self._lock.release)
            self._record = open_record(plant, clock())
            undo.callback(self._record.close)
            self._wire(plant)
            undo.pop_all()

    def _wire(self, plant: Plant) -> None:
        self._reader, self._key = self._record.reader(self._damaged), link_key(plant.database)
        pipeline = self._new_pipeline(since(plant, self._record.settle(shapes(plant), self._clock())))
        times = {"settle_s": self._settle_s, "gather_s": plant.gather_s}
        self._worker = Worker(self._record, pipeline, self._clock, self._told, **times, office=self)
        self._worker.damaged = self._damaged
        self._nightly = Nightly(plant, self._clock, self._damaged)
        recent = self._reader.transitions(self._clock() - lifecycle.DAY_S, math.inf)
        calling = plant.alerting.calling
        self._own = OwnAlerts(self._record, self.moved, self._reader.alerts(open_only=True), recent, calling)
        self._look_at = 0.0
        self._feed = Feed()
        self._sources = Sources(plant, self._clock, self._receipts)
        self._now = self._fit(pipeline)
        self._before: Snapshot | None = None
        self._outcome = Outcome(done=True, lines=())
        self._undone = []
        self._left_out: deque[tuple[float, float]] = deque()
        self._server = self._make_server()
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        self._started = False

    def _new_pipeline(self, plant: Plant) -> Pipeline:
        return Pipeline(plant, self._past, self._reader.latest_checkpoint, settle_s=self._settle_s)

    def _fit(self, pipeline: Pipeline, before: Fittings | None = None) -> Fittings:
        """Make what hangs on a pipeline's plant file, from what hung on an earlier one."""
        plant = pipeline.plant
        stream = plant.publish_source is not None
        office = PostOffice(plant, self._record, self._key, seen_alert=self._alert, stream=stream)
        office.reached_nobody = 0 if before is None else before.office.reached_nobody
        out = Outward(plant, self._clock, None if before is None else before.out)
        doctor = Doctor(self._reader, self._clock, self._worker, self._sources, out, self._nightly)
        return Fittings(plant, pipeline, office, out, doctor)

    @property
    def _pipeline(self) -> Pipeline:
        return self._now.pipeline

    @property
    def _out(self) -> Outward:
        return self._now.out

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Go on from the record and begin to take input in. SourceError if the status page cannot be served."""
        from_s = self._resume()
        if self._server is not None:
            self._server.start()
        self._worker.start(self._recall, from_s)
        self._out.start()
        self._sources.start(self._heard)
        self._scheduler.add_job(self._worker.wake, "interval", seconds=self._tick_s, id="tick")
        self._scheduler.start()
        self._nightly.start()
        self._started = True
        log.info("%s: %d sumps, record %s", self.plant.name, len(self.plant.sumps), self.plant.database)

    def stop(self) -> None:
        """End within seconds, whatever hangs: sources first, then what waits is stored, then the ways out."""
        if self._started:
            self._scheduler.shutdown(wait=False)
        self._sources.stop()
        good_byes: dict[str, Callable[[], object]] = {"stop the page": self._server.stop} if self._server else {}
        if self._started:
            self._nightly.stop()
            self._worker.stop(STOP_S)
            good_byes["stop sending"] = self._out.stop
        self._feed.close()
        for name in within(GOOD_BYE_S, good_byes):
            log.warning("%s: not done within %g s, it is left behind", name, GOOD_BYE_S)
        if self._worker.alive:
            log.error(
                "the writer does not end: what it was storing comes again, or is found again, after the next start"
            )
        else:
            self._record.close()
        self._lock.release()
        self._started = False

    @property
    def status_url(self) -> str:
        """The address of the page; empty if there is none."""
        return "" if self._server is None else self._server.url

    @property
    def status_port(self) -> int:
        """The port of the status page, 0 without one."""
        return 0 if self._server is None else self._server.port

    def _resume(self) -> float:
        """Take the last checkpoint; return the moment from which the record has to be gone over."""
        now_s, closed = self._clock(), closed_lately(self._reader, self._clock())
        standing = [
            *self._reader.alerts(open_only=True),
            *(one for one in closed if one.state is not AlertState.NORMAL),
        ]
        moves = [self._reader.transitions(alert.raised_s, math.inf, alert.id)[-1:] for alert in standing]
        absent = self._reader.sumps().difference(self.plant.sumps)
        self._out.remember(closed, chain.from_iterable(moves), absent)
        ended = gone(self.plant, standing, now_s)
        with self._record.transaction():
            self._end(ended, self._now.office)
            if (span := away(self._reader, now_s)) is not None:
                self._record.note_away(*span)
        self._tell(ended)
        return resume(self._pipeline, self._reader, now_s)

    def _end(self, moves: Sequence[Transition], office: PostOffice) -> None:
        """Put the end of alerts on record, with the messages about it."""
        self._record.save_transitions(moves)
        office.moved(moves, self._clock())

    def _tell(self, moves: Sequence[Transition]) -> None:
        if moves:
            self._out.moved(moves)
            self._feed.publish((), (move.alert_id for move in moves))

    def reload(self) -> Outcome:
        """Read the plant file again and go on by it; a faulty one leaves the old one in force. For the main thread.

        The pipeline is made anew from the record as after a restart, while input is stored and acknowledged as always.
        """
        self._outcome = self._reloaded()
        level = logging.INFO if self._outcome.done else logging.ERROR
        for line in (*self._outcome.lines, *self._outcome.remarks):
            log.log(level, "plant file read anew: %s", line)
        self._lock.note(done=self._outcome.done, text=self._outcome.text)
        return self._outcome

    def _reloaded(self) -> Outcome:
        old = self.plant
        forget_time_zones()
        try:
            plant, waits = in_force(old, load_plant(old.file))
            sources = self._sources.exchange(plant)
        except PlantFileError as error:
            return Outcome(done=False, lines=tuple(map(str, error.faults)))
        except SourceError as error:
            return Outcome(done=False, lines=(str(error),))
        try:
            self._ask(lambda: self._exchange(plant), within_s=RELOAD_S)
        except Exception as error:  # one of ours that is unforeseen ends nothing either: the old file works
            if not isinstance(error, BandkeeperError):
                log.exception("own fault while taking up the plant file")
            self._sources.exchange(old)
            return Outcome(done=False, lines=(str(error) or type(error).__name__,))
        self._out.take_over()
        lines = (*differences(old, plant).lines(), *sources.lines())
        return Outcome(done=True, lines=lines or ("nothing has changed",), remarks=waits)

    def _exchange(self, plant: Plant) -> None:
        """Go on by another plant file, on the worker's thread: all of it, or nothing."""
        old, now_s = self._now, self._clock()
        pipeline = self._new_pipeline(since(plant, self._reader.sinces(shapes(plant), now_s)))
        from_s = resume(pipeline, self._reader, now_s, old.pipeline.silence.listens_to())
        new, ended = self._fit(pipeline, old), gone(plant, old.pipeline.memory.alerts.values(), now_s)
        with self._record.transaction():
            self._record.settle(shapes(plant), now_s)
            self._end(ended, new.office)
        self._record.keep(plant.keeping)
        self._nightly.plant = plant
        self._worker.gather_s = plant.gather_s
        self._own.calling = plant.alerting.calling
        self._before, self._now = _only(old.pipeline.snapshot, plant), new
        self._worker.exchange(pipeline, self._recall, from_s)
        new.out.switch()
        self._tell(ended)

    def leapt(self, from_s: float, to_s: float) -> None:
        """Take note that the clock was set and is believed now (any thread): nobody watched what it left out."""
        if to_s > from_s + AWAY_S:
            self._left_out.append((from_s + AWAY_S, to_s))

    def _turn_back(self, now_s: float) -> None:
        """Go on from the last checkpoint before now: the clock was set back behind what the pipeline has passed.

        What was told of the time ahead stays on record and waits until it comes.
        """
        log.warning("the clock was set back: going on from the record as it was by then")
        old = self._now
        pipeline = self._new_pipeline(old.plant)
        from_s = resume(pipeline, self._reader, now_s, old.pipeline.silence.listens_to())
        self._before, self._now = old.pipeline.snapshot, replace(old, pipeline=pipeline)
        self._worker.exchange(pipeline, self._recall, from_s)
        old.out.turn_back(now_s)

    def _past(self, from_s: float, to_s: float) -> Iterator[Reading]:
        return past(self._reader, self._clock, from_s, to_s)

    def _recall(self, from_s: float, to_s: float) -> Iterator[Reading]:
        return recalled(self._reader, self._clock, from_s, to_s)

    def _receipts(self, source: str) -> list[Receipt]:
        return [Receipt(source, *row) for row in self._reader.receipts(source)]

    def _make_server(self) -> StatusServer | None:
        listen = self.plant.status
        if listen is None:
            return None
        check_listener(listen.host, has_tokens=bool(self._reader.tokens()), always=listen.tokens)
        app = create_app(self, open_without_token=not must_have_tokens(listen.host, always=listen.tokens))
        return StatusServer(app, listen.host, listen.port, certificate=listen.certificate, key=listen.certificate_key)

    def _damaged(self, what: str) -> None:
        """Leave word that the record is damaged, and let whoever runs this start over: a start mends it."""
        if not self._is_damaged:
            self._is_damaged = True
            log.error("%s", what)
            with suppress(OSError):
                report(self.plant.database, what)
            self._found_damaged()

    def _told(self, changes: Changes) -> None:
        self._out.told(changes)
        self._feed.publish(changes.snapshot.sumps, (t.alert_id for t in changes.transitions))

    def _alert(self, alert_id: str) -> Alert | None:
        return self._pipeline.memory.alerts.get(alert_id) or self._own.alerts.get(alert_id)

    # What the worker asks (see monitor.rounds.Office).

    def moved(self, transitions: Sequence[Transition], now_s: float) -> None:
        """Write what new transitions call for."""
        self._now.office.moved(transitions, now_s)

    def before_step(self) -> None:
        """Take note of what the clock left out: no alert is raised of it. Let go of a picture that is shown no more."""
        if not self._worker.behind:
            self._before = None
        while self._left_out:
            self._record.note_away(*self._left_out[0])
            from_s, _ = self._left_out.popleft()
            self._pipeline.resume((), self._reader.times_away(from_s - LOOK_BACK_S))

    def turn(self, snapshot: Snapshot, now_s: float) -> None:
        """Write what is due, and look at the watch itself now and then."""
        if (self._pipeline.stands_at_s or now_s) > now_s + SET_BACK_S:
            self._turn_back(now_s)
            return
        self._act_again()
        self._now.office.turn(snapshot, now_s)
        if time.monotonic() < self._look_at:
            return
        self._look_at = time.monotonic() + LOOK_EVERY_S
        moves = self._own.turn(chain(self._now.doctor.troubles(), self._faulty_file()), now_s)
        self._tell(moves)


def open_record(plant: Plant, now_s: float) -> Record:
    """Open the record of a plant, mended where it has to be, and say so."""
    backups = None if plant.backup is None else plant.backup.folder
    record = Record.open_mended(plant.database, backups, now_s=now_s, keeping=plant.keeping)
    for mishap in record.mishaps:
        log.error("%s: %s", mishap.what, mishap.remedy)
    return record


def _only(picture: Snapshot, plant: Plant) -> Snapshot:
    """Leave out of a picture what another plant file does not know."""
    sumps = {name: view for name, view in picture.sumps.items() if name in plant.sumps}
    return replace(picture, sumps=sumps, alerts=tuple(a for a in picture.alerts if not a.sump or a.sump in plant.sumps))
