"""Modbus inlet: units on a line (RTU) or behind TCP, asked for their registers at the period of each signal.

A reading is stamped with its arrival. A register cannot be asked for its past, so there is nothing to acknowledge; what
is not yet on disk is counted. One mute unit costs the others at most one time-out each time it is asked again.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Self

from adapters.bus_plan import Block, Point, Schedule, apart, blocks_of
from adapters.bus_wire import Garbled, Late, Master, Mute, Refused, SerialWire, TcpWire, Wire
from adapters.bus_words import LATE, MUTE, Grievances, Why, behind_gateway, garbled, refusal
from adapters.delivery import Clock, Deliver, Delivery, Inlet, SourceState, Trouble
from adapters.intake import Arrivals, Batch, Piece
from adapters.options import Options
from adapters.order import Order
from adapters.pace import Pace
from adapters.register_values import sample_of
from adapters.sample import PayloadError, Sample
from adapters.serial_line import LineSettings, port_trouble
from adapters.threaded import ThreadedInlet
from monitor.plant.errors import SourceError
from monitor.plant.reading import Quality
from monitor.plant.registers import parse_registers
from monitor.plant.source_modbus import defaults_of
from monitor.plant.types import SourceSpec

log = logging.getLogger("bandkeeper.sources")

_LONGEST_WAIT_S: Final = 30.0
_BUSY: Final = (5, 6)
_NO_SUCH: Final = (2, 3)
_BEHIND_A_GATEWAY: Final = (10, 11)
_MUTE_BEFORE_ANEW: Final = 3


@dataclass(frozen=True, slots=True)
class BusSettings:
    """A checked bus: a line, or a host and port."""

    source: str
    line: LineSettings | None
    host: str
    tcp_port: int
    timeout_s: float

    @classmethod
    def of(cls, spec: SourceSpec) -> Self:
        """Check a source's options without opening anything. Raises SourceError."""
        options = Options(spec)
        host, port = options.text("host"), options.text("port")
        if (host is None) == (port is None):
            raise SourceError(f"source {spec.id}: write either port (a serial device) or host (a gateway)")
        return cls(
            source=spec.id,
            line=None if port is None else LineSettings.of(spec),
            host=host or "",
            tcp_port=options.whole("tcp_port", 502, 1, 65535),
            timeout_s=options.number("timeout", 1.0, 0.02, 10.0),
        )

    @property
    def place(self) -> str:
        """Where the units are."""
        return self.line.port if self.line is not None else f"{self.host}:{self.tcp_port}"

    def open(self) -> Wire:
        """Open the line or connection. Raises OSError."""
        if self.line is not None:
            return SerialWire(self.line, self.timeout_s)
        return TcpWire(self.host, self.tcp_port)

    def trouble(self, error: OSError) -> Trouble:
        """Explain why line or connection are not there."""
        if self.line is not None:
            return port_trouble(self.line.port, error)
        match error:
            case socket.gaierror():
                return Trouble(
                    SourceState.WAITING, f"the host name {self.host} is not found", "check host and the network"
                )
            case ConnectionRefusedError():
                remedy = "switch the gateway on, or check host and tcp_port"
                return Trouble(SourceState.WAITING, f"nothing answers at {self.place}", remedy)
            case TimeoutError():
                return Trouble(
                    SourceState.WAITING, f"{self.place} does not answer", "check the network and the gateway"
                )
            case _:
                remedy = "it is tried again by itself; check gateway and cable"
                return Trouble(SourceState.WAITING, f"the connection to {self.place} was lost ({error})", remedy)


class _Anew(Exception):  # noqa: N818 - no error: nobody behind the connection answers, another one may help
    """The connection is to be opened again."""


class ModbusInlet(ThreadedInlet):
    """The way in from the units of one line or gateway."""

    def __init__(
        self,
        settings: BusSettings,
        points: Iterable[Point],
        clock: Clock,
        *,
        pace: Pace | None = None,
        schedule: Callable[[Sequence[Block], float], Schedule] = Schedule,
    ) -> None:
        super().__init__(settings.source, "modbus")
        self._settings = settings
        self._schedule = schedule(blocks_of(points), time.monotonic())
        self._clock = clock
        self._arrivals = Arrivals()
        self._grievances = Grievances(settings.place, self._schedule.units())
        self._pace = pace or Pace(most_s=15.0)
        self._mute_in_a_row = 0
        self._lock = threading.Lock()
        self._outstanding = 0

    def _unconfirmed(self) -> int:
        return self._outstanding

    def _run(self, deliver: Deliver) -> None:
        while not self._stopping.is_set():
            self._board.beat()
            try:
                wire = self._settings.open()
                try:
                    self._poll(Master(wire, self._settings.timeout_s, self._stopping.is_set), deliver)
                finally:
                    wire.close()
            except _Anew:
                pass
            except OSError as error:
                self._board.set(*self._settings.trouble(error))
            except MemoryError:  # ends the thread, and with it the daemon, which is started again
                raise
            except Exception:
                log.exception("%s: own fault while asking, the bus is opened again", self.source)
            if not self._stopping.is_set():
                self._stopping.wait(self._pace.wait_s())

    def _poll(self, master: Master, deliver: Deliver) -> None:
        """Ask what is due until line or connection break off (OSError) or the inlet is stopped."""
        self._mute_in_a_row = 0
        self._board.set(*self._grievances.state())
        while not self._stopping.is_set():
            self._board.beat()
            block = self._schedule.next(time.monotonic())
            if block is None:
                self._stopping.wait(min(self._schedule.wait_s(time.monotonic()), _LONGEST_WAIT_S))
                continue
            self._ask(master, block, deliver)

    def _ask(self, master: Master, block: Block, deliver: Deliver) -> None:
        try:
            words = self._read(master, block)
        except Mute:
            self._failed(block, MUTE)
        except Late:
            self._failed(block, LATE)
        except Garbled as said:
            self._failed(block, garbled(str(said)))
        except Refused as refused:
            self._refused(block, refused.code, deliver)
        else:
            self._answered(block)
            self._grievances.content(block)
            self._hand_over(block, lambda point: sample_of(_words(words, block, point), point.at), deliver)
        if not self._stopping.is_set():
            self._board.set(*self._grievances.state())

    def _read(self, master: Master, block: Block) -> list[int]:
        """Ask for a block; once more where the answer was garbled, for then the unit is there."""
        try:
            return master.read(block.unit, block.table, block.first, block.count)
        except Garbled:
            if self._stopping.is_set():
                raise
            master.settle()
            return master.read(block.unit, block.table, block.first, block.count)

    def _answered(self, block: Block) -> None:
        self._pace.reset()
        self._mute_in_a_row = 0
        self._schedule.answered(block, time.monotonic())
        self._grievances.answered(block.unit)

    def _failed(self, block: Block, why: Why) -> None:
        if self._stopping.is_set():
            return
        self._schedule.failed(block, time.monotonic())
        self._grievances.failed(block.unit, why, self._schedule.failures(block.unit))
        self._mute_in_a_row += 1
        if self._settings.line is None and self._mute_in_a_row >= _MUTE_BEFORE_ANEW:
            self._board.set(*self._grievances.state())
            raise _Anew

    def _refused(self, block: Block, code: int, deliver: Deliver) -> None:
        if code in _BEHIND_A_GATEWAY:  # the gateway lives, the unit does not answer it
            self._schedule.failed(block, time.monotonic())
            self._grievances.failed(block.unit, behind_gateway(code), self._schedule.failures(block.unit))
            self._mute_in_a_row = 0
            return
        self._answered(block)
        if code in _NO_SUCH and len(block.points) > 1:  # one of them is not there: the others are
            self._schedule.replace(block, apart(block))
            return
        if code not in _BUSY:
            self._grievances.refused(block, code)
        sample = Sample(None, quality=Quality.BAD, reason=f"unit {block.unit} refuses {block.said}: {refusal(code)}")
        self._hand_over(block, lambda _point: sample, deliver)

    def _hand_over(self, block: Block, sample: Callable[[Point], Sample], deliver: Deliver) -> None:
        batch, arrived_s = Batch(), self._arrivals.at(f"{block.unit}/{block.table}/{block.first}", self._clock())
        for point in block.points:
            said = sample(point)
            for route in point.routes:
                try:
                    batch.readings.append(route.reading(said, arrived_s))
                except PayloadError as error:
                    piece = Piece(point.at.said, repr(said.value).encode(), arrived_s)
                    batch.refuse(self.source, piece, f"{route.sump} {route.spec.signal.value}: {error}")
        self._board.count(1, len(batch.readings), len(batch.rejected), arrived_s)
        with self._lock:
            self._outstanding += 1
        deliver(Delivery(tuple(batch.readings), tuple(batch.rejected), self._done, passing=self.source))

    def _done(self) -> None:
        with self._lock:
            self._outstanding -= 1


def _words(words: Sequence[int], block: Block, point: Point) -> Sequence[int]:
    begin = point.at.first - block.first
    return words[begin : begin + point.at.count]


def modbus_inlet(order: Order) -> Inlet:
    """Build the way in from the units of a bus."""
    defaults = defaults_of(order.spec.options)
    points = []
    for address, routes in order.routes.items():
        try:
            points.append(Point(parse_registers(address, defaults), routes))
        except ValueError as error:
            raise SourceError(f'source {order.spec.id}: address "{address}": {error}') from None
    return ModbusInlet(BusSettings.of(order.spec), points, order.clock)
