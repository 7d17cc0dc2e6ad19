"""[source.…] with kind = "modbus": instruments that are asked for their registers, over a line (RTU) or TCP.

`SourceSpec.payload` is "register", and its options are:

| option | value |
|---|---|
| port, host | str or None, exactly one of them |
| tcp_port, baud, data_bits, stop_bits | int |
| parity | "none", "even" or "odd" |
| registers, data_type, word_order | what addresses leave out, see `registers.py` |
| timeout | float seconds |
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal

from pydantic import Field

from monitor.plant.faults import Faults, dotted
from monitor.plant.lines import Path
from monitor.plant.places import Address, Home
from monitor.plant.registers import Defaults, RegisterAddress, parse_registers
from monitor.plant.schema import Duration, Port, Text
from monitor.plant.source_schema import Baud, LineTable
from monitor.plant.tables import Table

SHORTEST_S: Final = 0.02
LONGEST_S: Final = 10.0
_OVER_TCP: Final = (0, 255)


class ModbusTable(LineTable):
    """Instruments that are asked for their registers."""

    kind: Literal["modbus"]
    port: Text | None = Field(None, description="device of the line (RTU); either this or host")
    host: Text | None = Field(None, description="name or address of the gateway (TCP); either this or port")
    tcp_port: Port = Field(502, description="TCP port of the gateway")
    baud: Baud = Field(19200, description="bits a second")
    payload: Literal["register"] = Field("register", description="what comes: registers")
    registers: Literal["holding", "input", "coil", "discrete"] = Field(
        "holding", description="which table is read, where an address does not say it"
    )
    data_type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] = Field(
        "float32", description="what the registers of a value hold, where an address does not say it"
    )
    word_order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = Field(
        "ABCD", description="order of the bytes of two or four registers, where an address does not say it"
    )
    timeout: Duration = Field(1.0, description="how long a unit may take to answer", examples=["1 s"])


def modbus_options(
    v: Table, path: Path, addresses: Sequence[Address], _home: Home, faults: Faults
) -> Mapping[str, object]:
    """Check what spans several keys, and every address."""
    if ("port" in v and "host" in v) and bool(v["port"]) == bool(v["host"]):
        text = "needs exactly one of port (a serial device, RTU) and host (a gateway, TCP)"
        faults.add((*path, "host") if v["host"] else path, text)
    host = v.get("host")
    if host and ("/" in host or "@" in host or host.count(":") == 1 or any(sign.isspace() for sign in host)):
        faults.add((*path, "host"), f'"{host}" must be a name or address alone, such as "192.0.2.7"; use tcp_port')
    if not SHORTEST_S <= v.get("timeout", 1.0) <= LONGEST_S:
        faults.add((*path, "timeout"), f"must be {SHORTEST_S:g} s to {LONGEST_S:g} s: the whole line waits so long")
    _check_addresses(addresses, defaults_of(v), faults)
    keys = ("port", "host", "tcp_port", "baud", "parity", "stop_bits", "registers", "data_type", "word_order")
    return {**{key: v.get(key) for key in keys}, "data_bits": 8, "timeout": v.get("timeout")}


def defaults_of(options: Mapping[str, object]) -> Defaults:
    """Return what the options of a source say for addresses that leave it out."""
    low, high = _OVER_TCP if options.get("host") else (1, 247)
    table, data_type, order = (str(options.get(key) or usual) for key, usual in _USUAL.items())
    return Defaults(table, data_type, order, low, high)


_USUAL: Final = {"registers": "holding", "data_type": "float32", "word_order": "ABCD"}


def _check_addresses(addresses: Sequence[Address], defaults: Defaults, faults: Faults) -> None:
    found: list[tuple[RegisterAddress, Address]] = []
    for address in addresses:
        try:
            here = parse_registers(address.text, defaults)
        except ValueError as error:
            faults.add(address.path, f'"{address.text}": {error}')
            continue
        for other, owner in found:
            if here.overlaps(other) and owner.text != address.text:
                text = f'"{address.text}" ({here.said}) lies over "{owner.text}" of {dotted(owner.path[:-1])}'
                faults.add(address.path, f"{text}: check register and data type")
        found.append((here, address))
