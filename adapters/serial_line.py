"""Serial inlet: an instrument that writes lines of text. Opened exclusively, opened again when it comes back."""

from __future__ import annotations

import errno
import logging
import termios
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, Self

import serial

from adapters.delivery import Clock, Deliver, Delivery, Inlet, SourceState, Trouble
from adapters.intake import Arrivals, Batch
from adapters.line_reader import LineReader
from adapters.lines import JOINED, Framing, Line, LinePattern, frame, unfinished
from adapters.options import Options
from adapters.order import Order
from adapters.pace import Pace
from adapters.routes import Route
from adapters.threaded import ThreadedInlet
from monitor.plant.errors import SourceError
from monitor.plant.types import SourceSpec

log = logging.getLogger("bandkeeper.sources")

PARITIES: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_READ_S: Final = 0.5
_MOST_AT_ONCE: Final = 4096
_QUIET_S: Final = 0.05


@contextmanager
def plain_errors() -> Iterator[None]:
    """Raise OSError for what the system says of a port in another way."""
    try:
        yield
    except termios.error as error:
        raise OSError(*error.args) from error


@dataclass(frozen=True, slots=True)
class LineSettings:
    """A checked serial line."""

    source: str
    port: str
    baud: int
    data_bits: int
    parity: str
    stop_bits: int

    @classmethod
    def of(cls, spec: SourceSpec) -> Self:
        """Check a source's options without opening the port. Raises SourceError."""
        options = Options(spec)
        port = options.text("port")
        if port is None:
            raise SourceError(f'source {spec.id}: port is missing: write the device, like "/dev/ttyUSB0"')
        return cls(
            source=spec.id,
            port=port,
            baud=options.whole("baud", 9600, 50, 4_000_000),
            data_bits=options.whole("data_bits", 8, 5, 8),
            parity=options.one_of("parity", "none", *PARITIES),
            stop_bits=options.whole("stop_bits", 1, 1, 2),
        )

    def open(self, timeout_s: float = _READ_S, write_timeout_s: float | None = None) -> serial.Serial:
        """Open the port for ourselves alone. Raises OSError (SerialException is one)."""
        with plain_errors():
            return serial.Serial(
                self.port,
                self.baud,
                bytesize=self.data_bits,
                parity=PARITIES[self.parity],
                stopbits=self.stop_bits,
                timeout=timeout_s,
                write_timeout=write_timeout_s,
                exclusive=True,
            )


class SerialInlet(ThreadedInlet):
    """The way in from one serial line. A line cannot be asked again, so there is nothing to acknowledge."""

    def __init__(
        self,
        settings: LineSettings,
        routes: Mapping[str, tuple[Route, ...]],
        pattern: LinePattern,
        clock: Clock,
        *,
        pace: Pace | None = None,
    ) -> None:
        super().__init__(settings.source, "serial")
        self._settings = settings
        self._reader = LineReader(settings.source, routes, pattern)
        self._arrivals = Arrivals()
        self._clock = clock
        self._pace = pace or Pace(most_s=15.0)

    def reroute(self, other: Inlet) -> bool:
        """Take up the signals and the pattern of another inlet on the same port, which stays open."""
        if not isinstance(other, SerialInlet):
            return False
        settings, reader = other.reading
        if settings != self._settings:
            return False
        self._reader = reader
        return True

    @property
    def reading(self) -> tuple[LineSettings, LineReader]:
        """Which port it reads, and what takes its lines."""
        return self._settings, self._reader

    def _run(self, deliver: Deliver) -> None:
        while not self._stopping.is_set():
            self._board.beat()
            try:
                with self._settings.open() as port:
                    framing = _begin(port)
                    self._board.set(SourceState.UP, f"reading {self._settings.port}")
                    self._read(port, framing, deliver)
            except OSError as error:
                self._board.set(*port_trouble(self._settings.port, error))
            except MemoryError:  # ends the thread, and with it the daemon, which is started again
                raise
            except Exception:
                log.exception("%s: own fault while reading, the port is opened again", self.source)
            if not self._stopping.is_set():
                self._stopping.wait(self._pace.wait_s())

    def _read(self, port: serial.Serial, framing: Framing, deliver: Deliver) -> None:
        """Read until the port breaks off (OSError) or the inlet is stopped."""
        try:
            while not self._stopping.is_set():
                self._board.beat()
                data = port.read(max(1, min(port.in_waiting, _MOST_AT_ONCE)))
                if data:
                    self._pace.reset()
                    framing, lines = frame(framing, data)
                    self._hand_over(lines, deliver)
        finally:
            self._hand_over(unfinished(framing), deliver)

    def _hand_over(self, lines: list[Line], deliver: Deliver) -> None:
        if not lines:
            return
        batch = Batch()
        for line in lines:
            arrived_s = self._arrivals.at("", self._clock())
            self._reader.take(batch, line, arrived_s)
        self._board.count(len(lines), len(batch.readings), len(batch.rejected), arrived_s)
        deliver(Delivery(tuple(batch.readings), tuple(batch.rejected), passing=self.source))


def port_trouble(port: str, error: OSError) -> Trouble:
    """Explain why a port cannot be read now."""
    match error.errno:
        case errno.EACCES | errno.EPERM:
            remedy = "add the service's user to the group that owns the port (dialout on Debian)"
            return Trouble(SourceState.REFUSED, f"{port} may not be opened by this user", remedy)
        case errno.EAGAIN | errno.EBUSY:
            remedy = "end the other program; a port has one reader"
            return Trouble(SourceState.REFUSED, f"{port} is in use by another program", remedy)
        case errno.EINVAL:
            remedy = "check baud, data_bits, parity and stop_bits against what the port can do"
            return Trouble(SourceState.REFUSED, f"{port} does not take these settings", remedy)
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            return Trouble(SourceState.WAITING, f"{port} is not there", "plug the instrument in, or check port")
        case _:
            return Trouble(SourceState.WAITING, f"{port} broke off ({error})", "check plug and cable")


def serial_inlet(order: Order) -> Inlet:
    """Build the way in from a line of text."""
    spec, options = order.spec, Options(order.spec)
    channel, text = options.text("channel") or "", options.text("pattern")
    if text is None:
        raise SourceError(f"source {spec.id}: pattern is missing: write a regular expression with a group named value")
    pattern = LinePattern(text, decimal=options.one_of("decimal", ".", ".", ","), channel=channel)
    if not pattern.names_channels and channel not in order.routes:
        raise SourceError(
            f"source {spec.id}: channel is {channel!r}, and no signal listens to it: "
            f"write one of {', '.join(sorted(order.routes))}, or give the pattern a group channel"
        )
    return SerialInlet(LineSettings.of(spec), order.routes, pattern, order.clock)


def _begin(port: serial.Serial) -> Framing:
    """Listen for a moment: a line that talks at once was talking before, and we may have come in its middle."""
    with plain_errors():
        port.timeout = _QUIET_S
        first = port.read(1)
        port.timeout = _READ_S
    return frame(JOINED, first)[0] if first else Framing()
