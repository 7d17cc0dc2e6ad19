"""All ways in of a plant, started, exchanged and stopped together; one that hangs keeps no other waiting."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

from adapters.acknowledging import acknowledge_inlets
from adapters.delivery import Clock, Deliver, Inlet, Reroutes, SourceHealth, SourceState
from adapters.dispensed import station_inlets
from adapters.inlet import Receipts, listens_as_before, make_inlets
from monitor.plant.errors import SourceError
from monitor.plant.types import Plant
from monitor.record.csv_in import CsvHistory
from monitor.reload import Exchanged
from monitor.together import within

log = logging.getLogger("bandkeeper.sources")

STOP_S: Final = 5.0
"""So long all sources together may take to stop; one that takes longer is left behind."""


class Sources:
    """One inlet for each source that some signal listens to, for what the mixing station reports, for acknowledgements.

    Nothing is connected before `start`. SourceError, naming the source, where one can never work as configured.
    """

    def __init__(self, plant: Plant, clock: Clock, receipts: Receipts) -> None:
        self._plant, self._clock, self._receipts = plant, clock, receipts
        self._faults: dict[str, str] = {}
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
        self._start(self._inlets, deliver)

    def _start(self, inlets: Mapping[str, Inlet], deliver: Deliver) -> None:
        """Start inlets; one that cannot even be started keeps no other from it."""
        for name, inlet in inlets.items():
            self._faults.pop(name, None)
            try:
                inlet.start(deliver)
            except Exception as error:
                log.exception("%s: does not start", name)
                self._faults[name] = str(error) or type(error).__name__

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
        _stop({name: inlet for name, inlet in self._inlets.items() if name not in kept})
        with suppress(SourceError):  # made once more, with the receipts of what the old ones took in until now
            wanted = self.made_for(plant)
        new = {name: inlet for name, inlet in wanted.items() if name not in kept}
        done.kept, done.opened = list(kept), list(new)
        done.closed = [name for name in self._inlets if name not in wanted]
        self._plant, self._inlets = plant, {name: kept.get(name, inlet) for name, inlet in wanted.items()}
        if self._deliver is not None:
            self._start(new, self._deliver)
        return done

    def stop(self) -> None:
        """End within seconds; what was not acknowledged stays with the senders."""
        _stop(self._inlets)

    def health(self) -> list[SourceHealth]:
        """Tell how each source stands."""
        return [self._health(name, inlet) for name, inlet in list(self._inlets.items())]

    def _health(self, name: str, inlet: Inlet) -> SourceHealth:
        fault = self._faults.get(name)
        if fault is not None:
            return _faulty(name, f"does not start: {fault}")
        try:
            return inlet.health()
        except Exception as error:  # noqa: BLE001 - one sick source must not hide how the others are
            return _faulty(name, f"cannot say how it is: {error or type(error).__name__}")


def _faulty(name: str, what: str) -> SourceHealth:
    return SourceHealth(name, SourceState.REFUSED, what, "an own fault: look at the log, restart the daemon, report it")


def _stop(inlets: Mapping[str, Inlet]) -> None:
    """Stop inlets side by side; one that does not end in time is said and left behind."""
    for name in within(STOP_S, {f"stop {name}": inlet.stop for name, inlet in inlets.items()}):
        log.warning("%s: does not end within %g s, it is left behind", name, STOP_S)
