"""What is wrong with the units of a bus, and what people can do about it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from adapters.bus_plan import Block
from adapters.delivery import SourceState, Trouble

TOLD_AFTER: Final = 2
"""A unit that did not answer so often in a row is told; a single answer that was lost is not."""
_MOST_NAMED: Final = 8
_EXCEPTIONS: Final = {
    # Modbus Application Protocol V1.1b3, section 7
    1: ("illegal function", "it does not know this table: check registers, or the table in the address"),
    2: ("illegal data address", "it has no such register: check table and register, address or number of the manual"),
    3: ("illegal data value", "it does not give so many registers: check the data type"),
    4: ("device failure", "look at the instrument"),
    5: ("acknowledged, still at work", "it is asked again by itself"),
    6: ("device busy", "it is asked again by itself"),
    8: ("memory parity error", "the instrument's memory is damaged: look at the instrument"),
    10: ("gateway path unavailable", "check the gateway's settings"),
    11: ("the gateway gets no answer", "check unit number, cable and power"),
}
_NOISY: Final = "check cable, terminating resistors, baud rate and parity, and that no two units have one address"


class Why(NamedTuple):
    """Why a unit gave no answer that can be used, empty where nothing came at all, and what helps."""

    said: str
    remedy: str


MUTE: Final = Why("", "check its power, unit number, cable, and baud rate and parity")
LATE: Final = Why("it answers too late", "write a longer timeout for the source")


def garbled(said: str) -> Why:
    """Explain an answer that cannot be read."""
    return Why(said, _NOISY)


def behind_gateway(code: int) -> Why:
    """Explain that a gateway answers in place of a unit."""
    return Why(*_EXCEPTIONS[code])


def refusal(code: int) -> str:
    """Return an exception code in words."""
    return f"{_EXCEPTIONS.get(code, ('a code of its own', ''))[0]} (exception {code})"


class Grievances:
    """What is wrong with the units of one bus now."""

    def __init__(self, place: str, units: Sequence[int]) -> None:
        self._place, self._units = place, units
        self._mute: dict[int, Why] = {}
        self._refused: dict[tuple[int, str], int] = {}

    def answered(self, unit: int) -> None:
        """Note that a unit is there."""
        self._mute.pop(unit, None)

    def content(self, block: Block) -> None:
        """Note that a block was given."""
        self._refused.pop((block.unit, block.said), None)

    def failed(self, unit: int, why: Why, failures: int) -> None:
        """Note that a unit gave no answer that can be used."""
        if failures >= TOLD_AFTER:
            self._mute[unit] = why

    def refused(self, block: Block, code: int) -> None:
        """Note that a unit refuses a block."""
        self._refused[block.unit, block.said] = code

    def state(self) -> Trouble:
        """Return how the source stands, in words. Without a remedy all is well."""
        if self._mute:
            why = next((why for why in self._mute.values() if why.said), MUTE)
            return Trouble(SourceState.WAITING, self._missing(why), why.remedy)
        if self._refused:
            (unit, what), code = next(iter(self._refused.items()))
            more = f", and {len(self._refused) - 1} more" if len(self._refused) > 1 else ""
            remedy = _EXCEPTIONS.get(code, ("", "see the instrument's manual for this code"))[1]
            return Trouble(SourceState.REFUSED, f"unit {unit} refuses {what}: {refusal(code)}{more}", remedy)
        return Trouble(SourceState.UP, f"reading {self._place}", "")

    def _missing(self, why: Why) -> str:
        """Say which units are missing and why."""
        units, others = sorted(self._mute), len(self._units) - len(self._mute)
        if not others and not why.said:
            return f"no unit answers at {self._place} ({_named(units)})"
        named = f"unit {units[0]}" if len(units) == 1 else f"units {_named(units)}"
        gives = "gives" if len(units) == 1 else "give"
        rest = f"; {others} of {len(self._units)} at {self._place} {'does' if others == 1 else 'do'}" if others else ""
        return f"{named} {gives} no answer{f' that can be used ({why.said})' if why.said else ''}{rest}"


def _named(units: Iterable[int]) -> str:
    texts = [str(unit) for unit in units]
    more = f" and {len(texts) - _MOST_NAMED} more" if len(texts) > _MOST_NAMED else ""
    return ", ".join(texts[:_MOST_NAMED]) + more
