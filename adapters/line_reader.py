"""One text line to readings of the signals of its channel, with a fence around each. Pure."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from adapters.intake import Batch, Piece
from adapters.lines import Line, LinePattern, LineSample
from adapters.routes import Route
from adapters.sample import PayloadError, Sample
from monitor.plant.reading import Signal

log = logging.getLogger("bandkeeper.sources")


class LineReader:
    """Takes the lines of one serial source.

    A line is for the signals whose address is its channel. Where the pattern has a group `temperature`, a coolant
    temperature on that channel takes it, and all other signals take `value`.
    """

    def __init__(self, source: str, routes: Mapping[str, tuple[Route, ...]], pattern: LinePattern) -> None:
        self._source = source
        self._routes = routes
        self._pattern = pattern

    def take(self, batch: Batch, line: Line, arrived_s: float) -> None:
        """Add the readings of a line to the batch, or its refusal."""
        piece = Piece("a line", line.raw, arrived_s)
        try:
            said = self._pattern.read(line)
        except PayloadError as error:
            batch.refuse(self._source, piece, str(error))
            return
        piece = Piece(f"channel {said.channel}" if said.channel else "a line", line.raw, arrived_s)
        routes = self._routes.get(said.channel)
        if routes is None:
            batch.refuse(self._source, piece, self._unknown(said.channel))
            return
        for route in routes:
            self._take_one(batch, route, said, piece)

    def _take_one(self, batch: Batch, route: Route, said: LineSample, piece: Piece) -> None:
        try:
            batch.readings.append(route.reading(self._sample(route, said), piece.arrived_s))
        except PayloadError as error:
            batch.refuse(self._source, piece, f"{route.sump} {route.spec.signal.value}: {error}")
        except MemoryError:
            raise
        except Exception as error:
            log.exception("%s: own fault while reading a line", self._source)
            batch.refuse(self._source, piece, f"own fault while reading it ({error!r}): please report it")

    def _sample(self, route: Route, said: LineSample) -> Sample:
        if route.spec.signal is not Signal.COOLANT_TEMPERATURE or not self._pattern.has_temperature:
            return said.value
        if said.temperature is None:
            raise PayloadError("the line holds no temperature: it must stand where the pattern has its group")
        return said.temperature

    def _unknown(self, channel: str) -> str:
        if not channel:
            return "the line names no channel: give the pattern a group channel, or the source a channel"
        known = ", ".join(sorted(self._routes)[:8])
        return f"no signal of the plant file listens to channel {channel!r}: known are {known}"
