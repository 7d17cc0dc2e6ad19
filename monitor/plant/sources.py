"""From a [source.…] table to a `SourceSpec`, with the checks that span several keys.

A kind of source is a table (its keys) and a function that checks what spans several of them and gives the options; it
is registered by one line in `KINDS`. `SourceSpec.options` always holds every key of its kind; None means not given.

| kind | option | value |
|---|---|---|
| mqtt | host, port | str, int (1883, or 8883 with TLS) |
| | protocol | "3.1.1" or "5" |
| | tls | bool |
| | username, client_id | str or None, str |
| | password_file, ca_file, client_certificate, client_key | absolute `Path` or None |
| | keep_alive, session_expiry | int seconds |
| | allow_plain_password | bool |
| serial | port | str, the device |
| | baud, data_bits, stop_bits | int |
| | parity | "none", "even" or "odd" |
| | pattern | str, a regular expression with the group `value` |
| | decimal | "." or "," |
| | channel | str or None: the channel of lines whose pattern has no group `channel` |

`SourceSpec.payload` is json, number, senml or iolink for mqtt, line for serial. The options of modbus and folder stand
in `source_modbus.py` and `source_folder.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import reduce
from ipaddress import ip_address
from operator import or_
from typing import Annotated, Any, Final, NamedTuple

from pydantic import GetPydanticSchema

from monitor.plant.faults import Faults, listed, near, shown
from monitor.plant.linear import compile_linear
from monitor.plant.lines import Path
from monitor.plant.places import Address, Home
from monitor.plant.process_data import parse_where
from monitor.plant.schema import TableModel
from monitor.plant.source_folder import FolderTable, folder_options
from monitor.plant.source_modbus import ModbusTable, modbus_options
from monitor.plant.source_schema import MqttTable, SerialTable
from monitor.plant.tables import Table, read_table
from monitor.plant.types import SourceSpec

_PARTS = ("senml", "iolink")
_FILES = ("password_file", "ca_file", "client_certificate", "client_key")


def read_source(key: str, raw: Any, addresses: Sequence[Address], home: Home, faults: Faults) -> SourceSpec | None:
    """Read one source table; None if it has faults."""
    path, before = ("source", key), faults.noted
    kind = raw.get("kind") if isinstance(raw, dict) else None
    if not isinstance(kind, str) or kind not in KINDS:
        _refuse_kind(raw, kind, path, faults)
        return None
    values = read_table(KINDS[kind].table, raw, path, faults)
    options = KINDS[kind].options(values, path, addresses, home, faults)
    if faults.noted > before:
        return None
    return SourceSpec(key, kind, values["payload"], options)


def _refuse_kind(raw: Any, kind: Any, path: Path, faults: Faults) -> None:
    kinds = listed(KINDS, quoted=True)
    if not isinstance(raw, dict):
        faults.add(path, f"{shown(raw)} must be a table with at least kind = {kinds}")
    elif kind is None:
        faults.miss((*path, "kind"), f"is missing: use {kinds}")
    else:
        hint = near(kind, KINDS) if isinstance(kind, str) else ""
        faults.add((*path, "kind"), f"{shown(kind)} is no kind of source: {hint}use {kinds}")


def _mqtt(v: Table, path: Path, addresses: Sequence[Address], home: Home, faults: Faults) -> Mapping[str, object]:
    for address in addresses:
        _check_topic(address, v.get("payload", "json"), faults)
    wanted = bool(v.get("ca_file") or v.get("client_certificate") or v.get("port") == 8883)
    tls = wanted if v.get("tls") is None else v["tls"]
    _check_log_in(v, path, tls=tls, faults=faults)
    _check_host(v, path, faults)
    for key, least, most in (("keep_alive", 5, 65535), ("session_expiry", 1, 4294967294)):
        if not least <= v.get(key, least) <= most:
            faults.add((*path, key), f"must be {least} s to {most} s")
    files = {key: home.file(v[key]) if v.get(key) else None for key in _FILES}
    return {
        "host": v.get("host"),
        "port": v.get("port") or (8883 if tls else 1883),
        "protocol": v.get("protocol"),
        "tls": tls,
        "username": v.get("username"),
        **files,
        "client_id": v.get("client_id") or f"bandkeeper-{home.plant_id}-{path[-1]}",
        "keep_alive": round(v.get("keep_alive", 60)),
        "session_expiry": round(v.get("session_expiry", 0)),
        "allow_plain_password": v.get("allow_plain_password"),
    }


def _check_topic(address: Address, payload: str, faults: Faults) -> None:
    topic, mark, selector = address.text.partition("?") if payload in _PARTS else (address.text, "", "")
    if any(sign in topic for sign in "+#\0") or not topic:
        faults.add(address.path, f'"{address.text}" must be one MQTT topic, without the wildcards + and #')
    elif topic.startswith("$share/"):
        faults.add(address.path, f'"{address.text}" is a shared subscription: write the topic alone, without $share/…/')
    if payload == "iolink":
        try:
            parse_where(selector)
        except ValueError as error:
            faults.add(address.path, f'"{mark}{selector}": {error}')


def _check_log_in(v: Table, path: Path, *, tls: bool, faults: Faults) -> None:
    if v.get("password_file") and v.get("username", "") is None:
        faults.miss((*path, "username"), "is missing: a password_file needs the name to log in with")
    pair = {"client_certificate", "client_key"} & v.keys()
    given = {key for key in pair if v[key] is not None}
    if len(pair) == 2 and len(given) == 1:
        (missing,) = pair - given
        faults.miss((*path, missing), "is missing: client_certificate and client_key go together")
    if v.get("tls") is False and (v.get("ca_file") or v.get("client_certificate")):
        faults.add((*path, "tls"), "is false, but ca_file or client_certificate ask for TLS: take one of them out")
    plain = v.get("password_file") and not tls and not is_loopback(v.get("host", "127.0.0.1"))
    if plain and not v.get("allow_plain_password"):
        text = "would send the password unencrypted to another machine: use TLS (tls = true, ca_file = "
        faults.add((*path, "password_file"), f'{text}"…"), or say allow_plain_password = true')


def _check_host(v: Table, path: Path, faults: Faults) -> None:
    host = v.get("host")
    if not host:
        return
    if "@" in host:
        faults.add((*path, "host"), "must be the host alone: log in with username and password_file, never here")
    elif "://" in host or "/" in host or host.count(":") == 1 or any(sign.isspace() for sign in host):
        faults.add((*path, "host"), f'"{host}" must be a name or address alone, such as "127.0.0.1"; use port and tls')


def is_loopback(host: str) -> bool:
    """Tell whether a host is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _serial(v: Table, path: Path, addresses: Sequence[Address], _home: Home, faults: Faults) -> Mapping[str, object]:
    pattern, channel = v.get("pattern"), v.get("channel")
    if pattern is not None and "channel" not in compile_linear(pattern).groupindex:
        channel = _only_channel(channel, path, addresses, faults)
    return {
        "port": v.get("port"),
        "baud": v.get("baud"),
        "data_bits": v.get("data_bits"),
        "parity": v.get("parity"),
        "stop_bits": v.get("stop_bits"),
        "pattern": pattern,
        "decimal": v.get("decimal"),
        "channel": channel,
    }


def _only_channel(channel: str | None, path: Path, addresses: Sequence[Address], faults: Faults) -> str | None:
    """Find the one channel of a line whose pattern has no channel group."""
    asked = sorted({address.text for address in addresses})
    if channel is None and len(asked) > 1:
        text = f"has no group named channel, but signals ask for {listed(asked, last='and')}: add (?P<channel>…)"
        faults.add((*path, "pattern"), text)
    for address in addresses:
        if channel is not None and address.text != channel:
            text = f'"{address.text}" never comes: every line of this source is channel "{channel}"'
            faults.add(address.path, f"{text}, as its pattern has no group named channel")
    return channel if channel is not None or len(asked) != 1 else asked[0]


Finish = Callable[[Table, Path, Sequence[Address], Home, Faults], Mapping[str, object]]


class Kind(NamedTuple):
    """A kind of source: its table, and what makes its options, noting the faults that span several keys."""

    table: type[TableModel]
    options: Finish


KINDS: Final[dict[str, Kind]] = {
    "mqtt": Kind(MqttTable, _mqtt),
    "serial": Kind(SerialTable, _serial),
    "modbus": Kind(ModbusTable, modbus_options),
    "folder": Kind(FolderTable, folder_options),
}


def _any_table(_source: Any, handler: Callable[[Any], Any]) -> Any:
    return handler(reduce(or_, (kind.table for kind in KINDS.values())))


SourceTable = Annotated[TableModel, GetPydanticSchema(_any_table)]
"""The table of any kind of source, for the schema of the whole file."""
