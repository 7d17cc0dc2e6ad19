"""From a TOML document to a `Plant`: all tables, the references between them and the checks that span keys."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, TypeVar

from monitor.plant import schema
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
from monitor.plant.faults import Faults, dotted, listed, near
from monitor.plant.fluids import read_fluid, read_station, read_water
from monitor.plant.keeping import read_record
from monitor.plant.lines import Path
from monitor.plant.names import check_name, slug
from monitor.plant.people import Closure, closed_days
from monitor.plant.people_build import Ground, read_alerting, read_closures, split_address
from monitor.plant.places import Address, Home
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.sources import read_source
from monitor.plant.spans import read_duty, read_spans
from monitor.plant.sumps import Known, read_sump
from monitor.plant.tables import Table, read_table, tables_in
from monitor.plant.types import Plant, SourceSpec, StatusSpec, Sump

TOP_KEYS = (
    *("plant", "fluid", "water", "duty", "sump", "source", "publish", "status", "station", "record"),
    *("channel", "person", "group", "on_call", "route", "reports", "alerts", "closed"),
)
DEFAULT_ATTENDED = (WeeklySpan((0, 1, 2, 3, 4), 6 * 60, 22 * 60),)
DEFAULT_BUCKET_L = {"metric": 20.0, "us": 5 * L_PER_US_GAL}
_T = TypeVar("_T")
_LISTEN = re.compile(r"(\[[0-9a-fA-F:.]+\]|[^:\s/]+):(\d{1,5})")


def build_plant(
    document: dict[str, Any], file: FilePath, faults: Faults, credentials: str | None = None
) -> Plant | None:
    """Read the whole document of the plant file at `file`; None if there is any fault.

    `credentials` is the folder of systemd credentials, if there is one.
    """
    return _Builder(document, file, faults, credentials).plant()


class _Builder:
    """One pass over a document. Each part is read once; faults gather as it goes."""

    def __init__(self, document: dict[str, Any], file: FilePath, faults: Faults, credentials: str | None) -> None:
        self.document = document
        self.file = file
        self.faults = faults
        self.credentials = credentials

    def plant(self) -> Plant | None:
        self._refuse_unknown_tables()
        own = self._own()
        zone = own.get("zone", "UTC")
        fluids = self._each("fluid", read_fluid)
        waters = self._each("water", read_water)
        duties = self._each("duty", lambda key, raw, faults: read_duty(key, raw, zone, faults))
        known = Known(
            fluids, waters, duties, {key: tuple(self._raw(key)) for key in ("fluid", "water", "duty", "source")}
        )
        sumps = self._sumps(known)
        closures = read_closures(self.document.get("closed", []), self._raw("sump"), self.faults)
        sources = self._sources(self._home(own))
        attended = WeeklyCalendar(zone, self._attended(own), closed_days(closures))
        publish, status, bucket_l = self._publish(), self._status(self._home(own)), _bucket_l(own)
        station = read_station(self.document["station"], bucket_l, self.faults) if "station" in self.document else None
        database = self.file.parent / own.get("database", "bandkeeper.db")
        record = read_record(self.document.get("record", {}), database, self.file.parent, self.faults)
        ground = Ground(self._home(own), zone, self._areas(), attended)
        alerting = read_alerting(self.document, closures, ground, self.faults)
        if self.faults.noted:
            return None
        return Plant(
            file=self.file,
            name=own["name"],
            id=own["id"],
            zone=zone,
            units=own["units"],
            database=database,
            attended=attended,
            bucket_l=bucket_l,
            fluids=fluids,
            waters=waters,
            duties=duties,
            sumps={key: _with_closed_duty(sump, closures) for key, sump in sumps.items()},
            sources=sources,
            publish_source=publish,
            status=status,
            station=station,
            alerting=alerting,
            keeping=record.keeping,
            backup=record.backup,
            gather_s=record.gather_s,
        )

    def _raw(self, key: str) -> dict[str, Any]:
        raw = self.document.get(key, {})
        return raw if isinstance(raw, dict) else {}

    def _each(self, kind: str, read: Callable[[str, Any, Faults], _T | None]) -> dict[str, _T]:
        """Read the named tables of a kind, refusing names that are no identifiers; faulty ones are left out."""
        found: dict[str, _T] = {}
        for name, raw in tables_in(self.document.get(kind, {}), (kind,), self.faults).items():
            check_name(name, (kind, name), self.faults)
            value = read(name, raw, self.faults)
            if value is not None:
                found[name] = value
        return found

    def _refuse_unknown_tables(self) -> None:
        for key in self.document:
            if key not in TOP_KEYS:
                hint = near(key, TOP_KEYS)
                self.faults.add((key,), f"is no table of a plant file: {hint}use {listed(TOP_KEYS)}")
        if not self._raw("sump") and "sump" not in self.document:
            self.faults.miss(("sump",), "is missing: a plant has at least one [sump.NAME]")

    def _own(self) -> Table:
        if "plant" not in self.document:
            self.faults.miss(("plant",), 'is missing: begin with [plant], a name = "…" and a zone = "…"')
            return {}
        own = read_table(schema.PlantTable, self.document["plant"], ("plant",), self.faults)
        if own.get("id") is None and "name" in own and "id" in own:
            own["id"] = slug(own["name"])
            if not own["id"]:
                self.faults.miss(
                    ("plant", "id"), f'is missing, and none can be made from "{own["name"]}": write id = "…"'
                )
        return own

    def _attended(self, own: Table) -> tuple[WeeklySpan, ...]:
        raw = own.get("attended")
        return DEFAULT_ATTENDED if raw is None else read_spans(raw, ("plant", "attended"), self.faults)

    def _sumps(self, known: Known) -> dict[str, Sump]:
        sumps = self._each("sump", lambda key, raw, faults: read_sump(key, raw, known, faults))
        self._refuse_doubles()
        return sumps

    def _addresses(self) -> Iterator[tuple[str, Address]]:
        """Go through the (source, address) of all signals, however faulty the rest of them is."""
        for sump, raw in self._raw("sump").items():
            signals = raw.get("signal") if isinstance(raw, dict) else None
            for name, signal in signals.items() if isinstance(signals, dict) else ():
                pair = (signal.get("source"), signal.get("address")) if isinstance(signal, dict) else (None, None)
                if isinstance(pair[0], str) and isinstance(pair[1], str) and pair[1].strip():
                    path = ("sump", sump, "signal", name, "address")
                    yield pair[0].strip(), Address(pair[1].strip(), path, frozenset(signal))

    def _refuse_doubles(self) -> None:
        first: dict[tuple[str, str], Path] = {}
        for source, address in self._addresses():
            owner = first.setdefault((source, address.text), address.path)
            if owner != address.path:
                text = f'"{address.text}" of source "{source}" is taken by {dotted(owner[:-1])}'
                self.faults.add(address.path, f"{text} (line {self.faults.lines.of(owner)}): give each signal its own")

    def _home(self, own: Table) -> Home:
        return Home(self.file.parent, own.get("id") or "plant", self.credentials)

    def _areas(self) -> dict[str, str]:
        """Return the area of every sump, however faulty the rest of it is."""
        tables = {key: raw for key, raw in self._raw("sump").items() if isinstance(raw, dict)}
        return {key: raw["area"].strip() if isinstance(raw.get("area"), str) else "" for key, raw in tables.items()}

    def _sources(self, home: Home) -> dict[str, SourceSpec]:
        asked: dict[str, list[Address]] = {}
        for source, address in self._addresses():
            asked.setdefault(source, []).append(address)
        found = self._each("source", lambda key, raw, faults: read_source(key, raw, asked.get(key, []), home, faults))
        self._refuse_shared_ports()
        return found

    def _refuse_shared_ports(self) -> None:
        """Refuse a line or a folder that two sources read: each has one reader."""
        first: dict[tuple[str, str], str] = {}
        for key, raw in self._raw("source").items():
            for what in ("port", "path"):
                place = raw.get(what) if isinstance(raw, dict) else None
                if isinstance(place, str) and first.setdefault((what, place), key) != key:
                    owner = f"source.{first[what, place]}"
                    text = f'"{place}" is already the {what} of {owner}: one line or folder can have one reader only'
                    self.faults.add(("source", key, what), text)

    def _publish(self) -> str | None:
        if "publish" not in self.document:
            return None
        values = read_table(schema.PublishTable, self.document["publish"], ("publish",), self.faults)
        source = values.get("source")
        if source is None:
            return None
        path, sources = ("publish", "source"), self._raw("source")
        brokers = [key for key, raw in sources.items() if isinstance(raw, dict) and raw.get("kind") == "mqtt"]
        use = f"use {listed(brokers)}" if brokers else 'add a source with kind = "mqtt"'
        if source not in sources:
            self.faults.add(path, f"there is no [source.{source}]: {near(source, brokers)}{use}")
        elif source not in brokers:
            self.faults.add(path, f'"{source}" is no MQTT source: {use}')
        return str(source)

    def _status(self, home: Home) -> StatusSpec | None:
        values = read_table(schema.StatusTable, self.document.get("status", {}), ("status",), self.faults)
        listen, address = values.get("listen", "off"), values.get("address")
        if address is not None and split_address(address) is None:
            self.faults.add(("status", "address"), 'must be a web address, such as "https://bandkeeper.example.org"')
        if listen == "off":
            return None
        match = _LISTEN.fullmatch(listen)
        if match is None or not 1 <= int(match[2]) <= 65535:
            text = f'"{listen}" must be an address and a port, such as "127.0.0.1:8480", or "off"'
            self.faults.add(("status", "listen"), text)
            return None
        certificate, key = (home.file(values[k]) if values.get(k) else None for k in ("certificate", "certificate_key"))
        if (certificate is None) != (key is None):
            missing = "certificate" if certificate is None else "certificate_key"
            self.faults.miss(("status", missing), "is missing: certificate and certificate_key go together")
        host, port = match[1].strip("[]"), int(match[2])
        address, tokens = (address or "").rstrip("/"), values.get("tokens", False)
        return StatusSpec(host, port, address, certificate, key, tokens)


def _bucket_l(own: Table) -> float:
    """Return what a bucket holds: as told, else as usual with the plant's units."""
    told: float | None = own.get("bucket")
    return told if told is not None else DEFAULT_BUCKET_L[own.get("units", "metric")]


def _with_closed_duty(sump: Sump, closures: tuple[Closure, ...]) -> Sump:
    """Let a sump's machine stand still on the days on which the plant is closed or it is shut down."""
    days = closed_days(closures, sump.id)
    if sump.duty is None or not days:
        return sump
    return replace(sump, duty=replace(sump.duty, calendar=replace(sump.duty.calendar, closed=days)))
