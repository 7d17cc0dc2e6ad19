"""Modbus: frames, register numbers and the four orders of 32 bits, against the specification and hand arithmetic.

Marks: [S] read in the source named beside it, [M] from memory of it, [D] computed here.
"""

from __future__ import annotations

import struct

import minimalmodbus
import pytest
from pymodbus.framer import FramerRTU

from adapters.bus_wire import Garbled, Master, Refused
from adapters.register_values import sample_of
from monitor.plant.reading import Quality
from monitor.plant.registers import Defaults, RegisterAddress, parse_registers


# 123456.0 is 47 F1 20 00 as IEC 60559 single [D]. The order of two registers is left to the device [C].
@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("ABCD", [0x47F1, 0x2000]),
        ("CDAB", [0x2000, 0x47F1]),
        ("BADC", [0xF147, 0x0020]),
        ("DCBA", [0x0020, 0xF147]),
    ],
)
def test_float_in_the_four_orders(order: str, words: list[int]) -> None:
    assert sample_of(words, RegisterAddress(1, "holding", 0, "float32", order)).value == 123456.0


def test_another_float() -> None:
    """0x4465 0x229A is 916.540649 [S, manual of a general Modbus library; D]."""
    value = sample_of([0x4465, 0x229A], RegisterAddress(1, "holding", 0, "float32", "ABCD")).value
    assert value == pytest.approx(916.540649, abs=5e-7)


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize(
    ("data_type", "form", "number"),
    [
        ("int16", ">h", -2514),
        ("uint16", ">H", 62_000),
        ("int32", ">i", -70_000),
        ("uint32", ">I", 3_000_000_000),
        ("float32", ">f", 251.5),
        ("float64", ">d", 251.4),
    ],
)
def test_every_type_in_every_order(data_type: str, form: str, number: float, order: str) -> None:
    """The bytes by the standard library's struct, put in order by hand."""
    octets = struct.pack(form, number)
    words = [octets[n : n + 2] for n in range(0, len(octets), 2)]
    if len(words) > 1 and order in {"CDAB", "DCBA"}:
        words.reverse()
    if len(words) > 1 and order in {"BADC", "DCBA"}:
        words = [word[::-1] for word in words]
    registers = [int.from_bytes(word, "big") for word in words]
    assert sample_of(registers, RegisterAddress(1, "holding", 0, data_type, order)).value == number


@pytest.mark.parametrize(("order", "name"), [("ABCD", 0), ("DCBA", 1), ("BADC", 2), ("CDAB", 3)])
def test_the_orders_are_those_of_another_library(order: str, name: int) -> None:
    """Minimalmodbus numbers big 0, little 1, big with swapped bytes 2, little with swapped bytes 3 [S, its manual]."""
    octets = minimalmodbus._float_to_bytes(916.5406494140625, byteorder=name)
    words = list(struct.unpack(">HH", octets))
    assert sample_of(words, RegisterAddress(1, "holding", 0, "float32", order)).value == 916.5406494140625


@pytest.mark.parametrize(
    ("words", "data_type"),
    [
        ([0xFFFF], "uint16"),
        ([0xFFFF], "int16"),
        ([0xFFFF, 0xFFFF], "uint32"),
        ([0xFFFF, 0xFFFF], "float32"),
        ([0x7FC0, 0x0000], "float32"),
        ([0x7F80, 0x0000], "float32"),
        ([0xFF80, 0x0000], "float32"),
        ([0x7FF0, 0, 0, 0], "float64"),
    ],
)
def test_what_devices_write_where_they_have_no_value(words: list[int], data_type: str) -> None:
    """All bits set means offline: common practice, no source. NaN and infinities by IEC 60559 [M]."""
    sample = sample_of(words, RegisterAddress(3, "input", 7, data_type, "ABCD"))
    assert (sample.value, sample.quality) == (None, Quality.BAD)
    assert sample.reason.startswith("unit 3, input register 7")


@pytest.mark.parametrize(
    ("text", "table", "first"),
    [
        ("1/#40108", "holding", 107),  # number n is address n - 1 [S: "registers 1-4 are addressed as 0-3"]
        ("1/holding/#108", "holding", 107),
        ("1/107", "holding", 107),
        ("1/#30001", "input", 0),
        ("1/#400001", "holding", 0),  # six digits: common practice, no source
        ("1/#465536", "holding", 65535),
        ("1/#10197", "discrete", 196),
        ("1/#00020", "coil", 19),
        ("1/holding/@40107", "holding", 40107),
    ],
)
def test_numbers_begin_at_1_and_addresses_at_0(text: str, table: str, first: int) -> None:
    """Modbus Application Protocol V1.1b3 section 4.4 [M]; the leading digit is common practice."""
    at = parse_registers(text, Defaults(data_type="uint16"))
    assert (at.table, at.first) == (table, first)


class _Tape:
    """A line on which the answer lies ready and the question is kept."""

    def __init__(self, answer: str) -> None:
        from pymodbus.framer import FramerBase
        from pymodbus.pdu import DecodePDU

        self.framer: FramerBase = FramerRTU(DecodePDU(is_server=False))
        self.sent = b""
        self._answer = bytes.fromhex(answer)

    def send(self, frame: bytes) -> None:
        self.sent = frame

    def receive(self, wanted: int) -> bytes:
        piece, self._answer = self._answer[:wanted], self._answer[wanted:]
        return piece

    def settle(self) -> None: ...

    def close(self) -> None: ...


def _framed(body: str) -> str:
    """Put the check sum behind a body, by another library."""
    return body + str(minimalmodbus._calculate_crc(bytes.fromhex(body)).hex())


# Check sums: low byte first, as in "Modbus over serial line" V1.02 section 6.2.2 [D].
@pytest.mark.parametrize(
    ("unit", "first", "count", "frame"),
    [
        (1, 0, 10, "01 03 00 00 00 0A C5 CD"),
        (17, 107, 3, "11 03 00 6B 00 03 76 87"),
        (1, 107, 3, "01 03 00 6B 00 03 74 17"),
    ],
)
def test_questions_on_the_line(unit: int, first: int, count: int, frame: str) -> None:
    tape = _Tape(_framed(f"{unit:02x} 03 {2 * count:02x}" + " 00 07" * count))
    assert Master(tape, 0.1).read(unit, "holding", first, count) == [7] * count
    assert tape.sent == bytes.fromhex(frame)


def test_the_check_sum_of_the_standards_text() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37 [D]; pymodbus writes the low byte first."""
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B


def test_the_specifications_example() -> None:
    """Section 6.3: request 03 00 6B 00 03, response 03 06 02 2B 00 00 00 64: 555, 0, 100 [M]."""
    tape = _Tape(_framed("01 03 06 02 2B 00 00 00 64"))
    assert Master(tape, 0.1).read(1, "holding", 107, 3) == [555, 0, 100]
    assert tape.sent[1:6] == bytes.fromhex("03 00 6B 00 03")


def test_input_registers_and_coils() -> None:
    """Section 6.4: 04 02 00 0A is 10; section 6.1: coils 20 to 38 of CD 6B 05, the lowest bit first [M]."""
    assert Master(_Tape(_framed("01 04 02 00 0A")), 0.1).read(1, "input", 8, 1) == [10]
    bits = Master(_Tape(_framed("01 01 03 CD 6B 05")), 0.1).read(1, "coil", 19, 19)
    assert bits == [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]


@pytest.mark.parametrize("code", [1, 2, 3, 4, 6, 11])
def test_exceptions(code: int) -> None:
    """Section 7: the function with its highest bit set, and a code [M]."""
    with pytest.raises(Refused) as refused:
        Master(_Tape(_framed(f"01 83 {code:02x}")), 0.1).read(1, "holding", 0, 1)
    assert refused.value.code == code


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("01 03 02 00 0A 00 00", "check sum"),
        (_framed("02 03 02 00 0A"), "unit 2 answered"),
        (_framed("01 04 02 00 0A"), "another question"),
        (_framed("01 03 04 00 0A 00 0B"), "2 values where 1"),
        ("01 03 02 00", "broke off"),
        ("FF FF FF FF FF FF FF FF", "check sum"),
    ],
)
def test_what_is_no_answer(answer: str, said: str) -> None:
    with pytest.raises(Garbled, match=said):
        Master(_Tape(answer), 0.1).read(1, "holding", 0, 1)


def test_an_adapter_that_hears_its_own_question() -> None:
    tape = _Tape("01 03 00 6B 00 01" + _framed("01 03 00 6B 00 01")[-4:] + _framed("01 03 02 02 2B"))
    assert Master(tape, 0.1).read(1, "holding", 107, 1) == [555]
