"""From a [source.…] table to a `SourceSpec`, with the checks that span several keys.

`SourceSpec.options` always holds every key of its kind; None means not given.

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
| modbus | port, host | str or None, exactly one of them |
| | tcp_port, baud, data_bits, stop_bits | int |
| | parity | "none", "even" or "odd" |
| | registers | "holding" or "input" |
| | data_type | "int16", "uint16", "int32", "uint32" or "float32" |
| | word_order | "ABCD", "CDAB", "BADC" or "DCBA" |
| | timeout | float seconds |
| | unit_ids | tuple of int, from the addresses of the signals |

`SourceSpec.payload` is json, number, senml or iolink for mqtt, line for serial, register for modbus.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path as FilePath
from typing import Any, cast

from monitor.plant.faults import Faults, listed, near, shown
from monitor.plant.linear import compile_linear
from monitor.plant.lines import Path
from monitor.plant.source_schema import SOURCE_TABLES
from monitor.plant.tables import Table, read_table
from monitor.plant.types import SourceKind, SourceSpec

MODBUS_ADDRESS = re.compile(r"(\d{1,3})/(\d{1,5})")
_CREDENTIALS = "$CREDENTIALS_DIRECTORY/"
_FILES = ("password_file", "ca_file", "client_certificate", "client_key")


@dataclass(frozen=True, slots=True)
class Address:
    """One address that a signal asks of a source, and where it stands in the file."""

    text: str
    path: Path


def read_source(key: str, raw: Any, addresses: Sequence[Address], home: Home, faults: Faults) -> SourceSpec | None:
    """Read one source table; None if it has faults."""
    path, before = ("source", key), faults.noted
    kind = raw.get("kind") if isinstance(raw, dict) else None
    if not isinstance(kind, str) or kind not in SOURCE_TABLES:
        _refuse_kind(raw, kind, path, faults)
        return None
    values = read_table(SOURCE_TABLES[kind], raw, path, faults)
    finish = {"mqtt": _mqtt, "serial": _serial, "modbus": _modbus}[kind]
    options = finish(values, path, addresses, home, faults)
    if faults.noted > before:
        return None
    return SourceSpec(key, cast("SourceKind", kind), values["payload"], options)


@dataclass(frozen=True, slots=True)
class Home:
    """Where the plant file lies, what its plant is called, and the folder of systemd credentials if there is one."""

    folder: FilePath
    plant_id: str
    credentials: str | None

    def file(self, written: str) -> FilePath:
        """Resolve a path of the plant file; one of a systemd credential only where there are credentials."""
        if self.credentials and written.startswith(_CREDENTIALS):
            return FilePath(self.credentials) / written.removeprefix(_CREDENTIALS)
        return self.folder / written


def _refuse_kind(raw: Any, kind: Any, path: Path, faults: Faults) -> None:
    kinds = listed(SOURCE_TABLES, quoted=True)
    if not isinstance(raw, dict):
        faults.add(path, f"{shown(raw)} must be a table with at least kind = {kinds}")
    elif kind is None:
        faults.miss((*path, "kind"), f"is missing: use {kinds}")
    else:
        hint = near(kind, SOURCE_TABLES) if isinstance(kind, str) else ""
        faults.add((*path, "kind"), f"{shown(kind)} is no kind of source: {hint}use {kinds}")


def _mqtt(v: Table, path: Path, addresses: Sequence[Address], home: Home, faults: Faults) -> Mapping[str, object]:
    for address in addresses:
        if any(sign in address.text for sign in "+#\0"):
            faults.add(address.path, f'"{address.text}" must be one MQTT topic, without the wildcards + and #')
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


def _modbus(v: Table, path: Path, addresses: Sequence[Address], _home: Home, faults: Faults) -> Mapping[str, object]:
    if ("port" in v and "host" in v) and bool(v["port"]) == bool(v["host"]):
        text = "needs exactly one of port (a serial device, RTU) and host (a gateway, TCP)"
        faults.add((*path, "host") if v["host"] else path, text)
    units = {_unit_id(address, faults) for address in addresses}
    return {
        "port": v.get("port"),
        "host": v.get("host"),
        "tcp_port": v.get("tcp_port"),
        "baud": v.get("baud"),
        "data_bits": 8,
        "parity": v.get("parity"),
        "stop_bits": v.get("stop_bits"),
        "registers": v.get("registers"),
        "data_type": v.get("data_type"),
        "word_order": v.get("word_order"),
        "timeout": v.get("timeout"),
        "unit_ids": tuple(sorted(unit for unit in units if unit is not None)),
    }


def _unit_id(address: Address, faults: Faults) -> int | None:
    match = MODBUS_ADDRESS.fullmatch(address.text)
    if match and 1 <= int(match[1]) <= 247 and int(match[2]) <= 65535:
        return int(match[1])
    text = f'"{address.text}" must be unit/register: unit 1 to 247, register 0 to 65535 as on the wire, such as "3/107"'
    faults.add(address.path, text)
    return None
