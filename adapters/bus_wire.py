"""One question and its answer on a line (RTU) or over TCP. Frames, check sums and messages are pymodbus's.

The transport is ours, so that a wait ends by the monotonic clock (a clock that is set back must not hold the line),
what is wrong with a port is known, and a mute unit, a garbled answer and a refusal are told apart.
"""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Callable
from typing import Final, Protocol

import serial
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerBase, FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from adapters.serial_line import LineSettings, plain_errors

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)  # what it would say is said in the source's health

_REQUESTS: Final[dict[str, type[ModbusPDU]]] = {
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
}
_SLICE_S: Final = 0.1
_CONNECT_S: Final = 5.0
_LEAST_GAP_S: Final = 0.00175
_SHORTEST_RTU: Final = 5
_MOST_KEPT: Final = 1024
_QUIET_S: Final = 0.05
_MOST_QUIET_S: Final = 0.5
_LATE: Final = "a late answer to another question came"


class Mute(Exception):  # noqa: N818 - it is the line's state, not an error of ours
    """Nothing came back in time."""


class Garbled(Exception):  # noqa: N818 - as above
    """Something came back that is no answer to the question; the text says what."""


class Late(Exception):  # noqa: N818 - as above
    """An answer to an earlier question came, and none to this one."""


class Refused(Exception):  # noqa: N818 - as above
    """The unit answers with an exception code (Modbus Application Protocol V1.1b3, section 7)."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}")
        self.code = code


class Wire(Protocol):
    """A line or connection that is open."""

    framer: FramerBase

    def send(self, frame: bytes) -> None:
        """Send a question; what came unasked before is dropped. Raises OSError."""
        ...

    def receive(self, wanted: int) -> bytes:
        """Return what comes within a tenth of a second, about as much as wanted. Raises OSError if it broke off."""
        ...

    def settle(self) -> None:
        """Let what is still under way pass. Raises OSError."""
        ...

    def close(self) -> None:
        """Close it."""
        ...


class SerialWire:
    """A serial line to itself. Between two frames it rests for three and a half characters, as RTU asks."""

    def __init__(self, settings: LineSettings, timeout_s: float) -> None:
        self.framer: FramerBase = FramerRTU(DecodePDU(is_server=False))
        self._gap_s = max(3.5 * 11 / settings.baud, _LEAST_GAP_S)
        self._port: serial.Serial = settings.open(min(_SLICE_S, timeout_s), _CONNECT_S)

    def send(self, frame: bytes) -> None:
        """Send a question after a rest."""
        time.sleep(self._gap_s)
        self._drop_input()
        self._port.write(frame)

    def receive(self, wanted: int) -> bytes:
        """Return what comes."""
        return bytes(self._port.read(max(1, wanted)))

    def settle(self) -> None:
        """Wait until the line is quiet, half a second at most."""
        end_s = time.monotonic() + _MOST_QUIET_S
        while time.monotonic() < end_s:
            self._drop_input()
            time.sleep(_QUIET_S)
            if not self._port.in_waiting:
                return

    def _drop_input(self) -> None:
        with plain_errors():
            self._port.reset_input_buffer()

    def close(self) -> None:
        """Close the port."""
        self._port.close()


class TcpWire:
    """A connection to a gateway or an instrument. Answers carry the number of their question."""

    def __init__(self, host: str, tcp_port: int) -> None:
        self.framer: FramerBase = FramerSocket(DecodePDU(is_server=False))
        self._socket = socket.create_connection((host, tcp_port), timeout=_CONNECT_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, frame: bytes) -> None:
        """Send a question."""
        self._socket.settimeout(_CONNECT_S)
        self._socket.sendall(frame)
        self._socket.settimeout(_SLICE_S)

    def receive(self, wanted: int) -> bytes:
        """Return what comes."""
        try:
            data = self._socket.recv(max(_MOST_KEPT, wanted))
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionResetError("the other side closed the connection")
        return data

    def settle(self) -> None:
        """Give the connection up: where the next answer would begin is not known any more."""
        raise ConnectionAbortedError("what came is no Modbus TCP")

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class Master:
    """Asks units for registers, one question at a time."""

    def __init__(self, wire: Wire, timeout_s: float, stopping: Callable[[], bool] = lambda: False) -> None:
        self._wire, self._timeout_s, self._stopping = wire, timeout_s, stopping
        self._number = 0

    def read(self, unit: int, table: str, first: int, count: int) -> list[int]:
        """Return `count` registers (0 to 65535) or bits (0 or 1) from `first` on.

        Raises Mute, Late, Garbled or Refused for what the unit does, OSError where line or connection broke off.
        """
        self._number = self._number % 65_000 + 1
        number = self._number if isinstance(self._wire.framer, FramerSocket) else 0
        asked = _REQUESTS[table](address=first, count=count, dev_id=unit, transaction_id=number)
        frame = self._wire.framer.buildFrame(asked)
        self._wire.send(frame)
        return _content(self._answer(asked, frame), asked)

    def settle(self) -> None:
        """Let what is still under way pass."""
        self._wire.settle()

    def _answer(self, asked: ModbusPDU, frame: bytes) -> bytes:
        """Return the message of the unit that was asked, without its frame."""
        end_s = time.monotonic() + self._timeout_s
        buffer, odd = b"", ""
        while True:
            buffer += self._wire.receive(_wanted(asked, len(buffer)))
            buffer = buffer.removeprefix(frame)  # an adapter that hears its own question
            if not frame.startswith(buffer):
                message, buffer, said = self._unpacked(asked, buffer)
                if message:
                    return message
                odd = said or odd
            if len(buffer) > _MOST_KEPT:
                raise Garbled("more came than any answer has")
            if time.monotonic() >= end_s or self._stopping():
                raise _nothing_good(odd, buffer)

    def _unpacked(self, asked: ModbusPDU, buffer: bytes) -> tuple[bytes, bytes, str]:
        """Return the wanted message if it is whole, what is left of the buffer, and what was odd in it."""
        odd = ""
        while buffer:
            try:
                used, unit, number, message = self._wire.framer.decode(buffer)
            except ModbusException:
                return b"", b"", "what came is no answer"
            if not used:
                break
            buffer = buffer[used:]
            if message and unit == asked.dev_id and number == asked.transaction_id:
                return bytes(message), buffer, ""
            if not message:
                odd = "the check sum does not fit"
            elif unit != asked.dev_id:
                odd = f"unit {unit} answered instead"
            else:
                odd = _LATE
        return b"", buffer, odd


def _nothing_good(odd: str, buffer: bytes) -> Mute | Late | Garbled:
    if odd == _LATE and not buffer:
        return Late()
    return Garbled(odd or "the answer broke off") if odd or buffer else Mute()


def _wanted(asked: ModbusPDU, have: int) -> int:
    """Return how many bytes are still to come: first those that every answer has, then the rest of a good one."""
    return _SHORTEST_RTU - have if have < _SHORTEST_RTU else max(1, _length(asked) - have)


def _length(asked: ModbusPDU) -> int:
    """Return how long the whole RTU frame of a good answer is."""
    content = (asked.count + 7) // 8 if asked.function_code in {1, 2} else 2 * asked.count
    return _SHORTEST_RTU + content


def _content(message: bytes, asked: ModbusPDU) -> list[int]:
    try:
        answer = DecodePDU(is_server=False).decode(message)
    except ModbusException as error:
        raise Garbled(f"the answer cannot be read ({error})") from None
    if answer is None or answer.function_code & 0x7F != asked.function_code:
        raise Garbled("the answer is to another question")
    if answer.isError():
        raise Refused(answer.exception_code)
    found = [int(bit) for bit in answer.bits] if asked.function_code in {1, 2} else list(answer.registers)
    whole = len(found) == asked.count if asked.function_code in {3, 4} else asked.count <= len(found) < asked.count + 8
    if not whole:
        raise Garbled(f"the answer holds {len(found)} values where {asked.count} were asked for")
    return found[: asked.count]
