"""Where a value lies in a Modbus unit: the address of a signal, read and checked. Pure.

    3/107                         unit 3, register 107 counted from 0 as on the wire; the rest by the source
    3/#40108                      the same register by its number in the manual: 4 holding, 3 input, 1 discrete, 0 coil
    3/input/#108                  number 108 of a table that is named, counted from 1: address 107 on the wire
    3/holding/@40107              address 40107 on the wire in as many words: bare, it could be either
    3/holding/107/float32/CDAB    with a data type, and with an order of the bytes

Numbers begin at 1 and addresses at 0 (Modbus Application Protocol V1.1b3, section 4.4); the leading digit of a five- or
six-digit number, which names its table, is common practice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

TABLES: Final = ("holding", "input", "coil", "discrete")
BIT_TABLES: Final = ("coil", "discrete")
WORD_ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
REGISTERS_OF: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4}
BIT: Final = "bit"
HIGHEST: Final = 65535
_LEADING: Final = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}
_PLACE: Final = re.compile(r"([@#]?)(\d{1,6})", re.ASCII)
_UNIT: Final = re.compile(r"\d{1,3}", re.ASCII)
_FORM: Final = 'write unit/register, such as "3/107", "3/#40108" or "3/input/107/float32/CDAB"'


@dataclass(frozen=True, slots=True)
class Defaults:
    """What the source says of all its signals, and which unit ids its line can carry."""

    table: str = "holding"
    data_type: str = "float32"
    word_order: str = "ABCD"
    lowest_unit: int = 1
    highest_unit: int = 247


@dataclass(frozen=True, slots=True)
class RegisterAddress:
    """Where a value lies: `first` is the address on the wire, `data_type` is "bit" for coils and discrete inputs."""

    unit: int
    table: str
    first: int
    data_type: str
    word_order: str

    @property
    def count(self) -> int:
        """How many registers (or bits) the value takes."""
        return REGISTERS_OF.get(self.data_type, 1)

    @property
    def end(self) -> int:
        """The address behind the last one of the value."""
        return self.first + self.count

    def overlaps(self, other: RegisterAddress) -> bool:
        """Tell whether two values share a register."""
        same = (self.unit, self.table) == (other.unit, other.table)
        return same and self.first < other.end and other.first < self.end

    @property
    def said(self) -> str:
        """The place in words."""
        kind = self.table if self.table in BIT_TABLES else f"{self.table} register"
        last = f" to {self.end - 1}" if self.count > 1 else ""
        return f"unit {self.unit}, {kind} {self.first}{last}"


def parse_registers(text: str, defaults: Defaults) -> RegisterAddress:
    """Read the address of a signal. Raises ValueError saying what would be right."""
    unit_text, *parts = text.split("/")
    unit = _unit(unit_text, defaults)
    table = parts.pop(0) if parts and parts[0] in TABLES else ""
    if not parts or len(parts) > 3:
        raise ValueError(_FORM)
    table, first = _place(parts[0], table, defaults.table)
    data_type, word_order = _form(parts[1:], table, defaults)
    found = RegisterAddress(unit, table, first, data_type, word_order)
    if found.end - 1 > HIGHEST:
        raise ValueError(f"goes beyond the last register, {HIGHEST}")
    return found


def _unit(text: str, defaults: Defaults) -> int:
    low, high = defaults.lowest_unit, defaults.highest_unit
    if not _UNIT.fullmatch(text):
        raise ValueError(_FORM)
    if not low <= int(text) <= high:
        raise ValueError(f"unit {int(text)} is none: a unit is {low} to {high} here")
    return int(text)


def _place(text: str, table: str, usual: str) -> tuple[str, int]:
    """Return table and address on the wire of what stands for the register."""
    match = _PLACE.fullmatch(text)
    if match is None:
        raise ValueError(f'"{text}" is no register: {_FORM}')
    sign, digits = match.groups()
    if sign == "#":
        return _numbered(digits, table, usual)
    table = table or usual
    if not sign and _like_a_number(digits, table):
        meant = f"{_LEADING[digits[0]]} register, address {int(digits[1:]) - 1} on the wire"
        text = f'register {digits} could be a number of the manual or an address: write "#{digits}" for the number'
        raise ValueError(f'{text} ({meant}) or "@{digits}" for the address')
    if int(digits) > HIGHEST:
        raise ValueError(f"register {digits} is beyond the last one, {HIGHEST}")
    return table, int(digits)


def _like_a_number(digits: str, table: str) -> bool:
    """Tell whether a bare register looks like a manual's number, whose first digit names the table."""
    if len(digits) < 5 or int(digits[1:]) == 0:
        return False
    meant = _LEADING.get(digits[0])
    return meant in {"holding", "input"} or (meant is not None and meant == table)


def _numbered(digits: str, table: str, usual: str) -> tuple[str, int]:
    """Return table and address of a number counted from 1; of five or more digits the first names a table."""
    if len(digits) < 5:
        number, named = int(digits), table or usual
    else:
        number, named = int(digits[1:]), _LEADING.get(digits[0], "")
        if not named:
            raise ValueError(f"#{digits}: the first digit is the table, 4 holding, 3 input, 1 discrete or 0 coil")
        if table and table != named:
            raise ValueError(f'#{digits} is a number of table {named}, and "{table}" stands before it: take one out')
    if not 1 <= number <= HIGHEST + 1:
        raise ValueError(f"#{digits} is no number: they begin at 1 and end at {HIGHEST + 1}")
    return named, number - 1


def _form(parts: list[str], table: str, defaults: Defaults) -> tuple[str, str]:
    """Return data type and order of the bytes."""
    if table in BIT_TABLES:
        if parts:
            raise ValueError(f'"{parts[0]}": a {table} is on or off and has no type')
        return BIT, defaults.word_order
    data_type = parts[0] if parts else defaults.data_type
    if data_type not in REGISTERS_OF:
        raise ValueError(f'"{data_type}" is no data type: use {", ".join(REGISTERS_OF)}')
    word_order = parts[1] if len(parts) > 1 else defaults.word_order
    if word_order not in WORD_ORDERS:
        raise ValueError(f'"{word_order}" is no order of bytes: use {", ".join(WORD_ORDERS)}')
    return data_type, word_order
