"""All ways in of a plant, started and stopped together."""

from __future__ import annotations

from adapters.delivery import Clock, Deliver, Inlet, SourceHealth
from adapters.dispensed import station_inlets
from adapters.inlet import Receipts, make_inlets
from monitor.plant.types import Plant
from monitor.record.csv_in import CsvHistory


class Sources:
    """One inlet for each source that some signal listens to, and one for what the mixing station reports.

    Nothing is connected before `start`. SourceError, naming the source, where one can never work as configured.
    """

    def __init__(self, plant: Plant, clock: Clock, receipts: Receipts) -> None:
        self._inlets: list[Inlet] = [*make_inlets(plant, clock, receipts, CsvHistory()), *station_inlets(plant, clock)]

    def start(self, deliver: Deliver) -> None:
        """Begin to take input in; returns at once."""
        for inlet in self._inlets:
            inlet.start(deliver)

    def stop(self) -> None:
        """End within seconds; what was not acknowledged stays with the senders."""
        for inlet in self._inlets:
            inlet.stop()

    def health(self) -> list[SourceHealth]:
        """Tell how each source stands."""
        return [inlet.health() for inlet in self._inlets]
