"""All ways in of a plant, started, exchanged and stopped together; one that hangs keeps no other waiting."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from typing import Final

from adapters.acknowledging import acknowledge_inlets
from adapters.delivery import Clock, Deliver, Inlet, Reroutes, SourceHealth
from adapters.dispensed import station_inlets
from adapters.inlet import Receipts, listens_as_before, make_inlets
from monitor.plant.errors import SourceError
from monitor.plant.types import Plant
from monitor.record.csv_in import CsvHistory
from monitor.reload import Exchanged

log = logging.getLogger("bandkeeper.sources")

STOP_S: Final = 5.0
"""So long all sources together may take to stop; one that takes longer is left behind."""


class Sources:
    """One inlet for each source that some signal listens to, for what the mixing station reports, for acknowledgements.

    Nothing is connected before `start`. SourceError, naming the source, where one can never work as configured.
    """

    def __init__(self, plant: Plant, clock: Clock, receipts: Receipts) -> None:
        self._plant, self._clock, self._receipts = plant, clock, receipts
        self._inlets = self.made_for(plant)
        self._deliver: Deliver | None = None

    def made_for(self, plant: Plant) -> dict[str, Inlet]:
        """Return inlets for a plant, by source, not connected to anything."""
        inlets = [
            *make_inlets(plant, self._clock, self._receipts, CsvHistory()),
            *station_inlets(plant, self._clock),
            *acknowledge_inlets(plant, self._clock),
        ]
        return {inlet.source: inlet for inlet in inlets}

    def start(self, deliver: Deliver) -> None:
        """Begin to take input in; returns at once."""
        self._deliver = deliver
        _start(self._inlets.values(), deliver)

    def exchange(self, plant: Plant) -> Exchanged:
        """Go on with another plant file; inlets that can take up its routes keep their connection.

        SourceError, with nothing changed, where one of its sources can never work.
        """
        wanted = self.made_for(plant)
        done = Exchanged()
        kept: dict[str, Inlet] = {}
        for name, inlet in self._inlets.items():
            other, same = wanted.get(name), listens_as_before(self._plant, plant, name)
            if other is not None and (same or (isinstance(inlet, Reroutes) and inlet.reroute(other))):
                kept[name] = inlet
        _stop([inlet for name, inlet in self._inlets.items() if name not in kept])
        with suppress(SourceError):  # made once more, with the receipts of what the old ones took in until now
            wanted = self.made_for(plant)
        new = [inlet for name, inlet in wanted.items() if name not in kept]
        done.kept, done.opened = list(kept), [inlet.source for inlet in new]
        done.closed = [name for name in self._inlets if name not in wanted]
        self._plant, self._inlets = plant, {name: kept.get(name, inlet) for name, inlet in wanted.items()}
        if self._deliver is not None:
            _start(new, self._deliver)
        return done

    def stop(self) -> None:
        """End within seconds; what was not acknowledged stays with the senders."""
        _stop(list(self._inlets.values()))

    def health(self) -> list[SourceHealth]:
        """Tell how each source stands."""
        return [inlet.health() for inlet in list(self._inlets.values())]


def _start(inlets: Iterable[Inlet], deliver: Deliver) -> None:
    for inlet in inlets:
        inlet.start(deliver)


def _stop(inlets: list[Inlet]) -> None:
    """Stop inlets side by side; what does not end in time is said and left to its thread, which holds nothing up."""
    threads = {
        inlet.source: threading.Thread(target=inlet.stop, name=f"stop {inlet.source}", daemon=True) for inlet in inlets
    }
    for thread in threads.values():
        thread.start()
    until = time.monotonic() + STOP_S
    for source, thread in threads.items():
        thread.join(max(0.0, until - time.monotonic()))
        if thread.is_alive():
            log.warning("%s: does not stop within %g s, it is left behind", source, STOP_S)
