"""From a TOML document to a `Plant`: all tables, the references between them and the checks that span keys."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path as FilePath
from typing import Any, get_args

from monitor.plant import schema
from monitor.plant.calendar import WeeklyCalendar, WeeklySpan
from monitor.plant.faults import Faults, dotted, listed, near, shown
from monitor.plant.lines import Path
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.sources import Address, Home, read_source
from monitor.plant.sumps import Known, read_sump
from monitor.plant.tables import Table, day_numbers, list_in, read_table, tables_in
from monitor.plant.types import Duty, Fluid, Plant, SourceSpec, StatusSpec, Sump, Water

TOP_KEYS = ("plant", "fluid", "water", "duty", "sump", "source", "publish", "status")
DEFAULT_ATTENDED = (WeeklySpan((0, 1, 2, 3, 4), 6 * 60, 22 * 60),)
DEFAULT_BUCKET_L = {"metric": 20.0, "us": 5 * L_PER_US_GAL}
DEFAULT_LEANEST_PCT = 1.0
DEFAULT_RICHEST_PCT = 15.0
_LISTEN = re.compile(r"(\[[0-9a-fA-F:.]+\]|[^:\s/]+):(\d{1,5})")


def build_plant(document: dict[str, Any], file: FilePath, faults: Faults) -> Plant | None:
    """Read the whole document; None if there is any fault."""
    return _Builder(document, file, faults).plant()


class _Builder:
    """One pass over a document. Each part is read once; faults gather as it goes."""

    def __init__(self, document: dict[str, Any], file: FilePath, faults: Faults) -> None:
        self.document = document
        self.file = file
        self.faults = faults

    def plant(self) -> Plant | None:
        self._refuse_unknown_tables()
        own = self._own()
        zone = own.get("zone", "UTC")
        fluids = {key: found for key, raw in self._named("fluid") if (found := _fluid(key, raw, self.faults))}
        waters = {key: found for key, raw in self._named("water") if (found := _water(key, raw, self.faults))}
        duties = {key: found for key, raw in self._named("duty") if (found := _duty(key, raw, zone, self.faults))}
        known = Known(
            fluids, waters, duties, {key: tuple(self._raw(key)) for key in ("fluid", "water", "duty", "source")}
        )
        sumps = self._sumps(known)
        sources = self._sources(own.get("id") or "plant")
        attended = WeeklyCalendar(zone, self._attended(own))
        publish, status = self._publish(), self._status()
        if self.faults.found:
            return None
        return Plant(
            file=self.file,
            name=own["name"],
            id=own["id"],
            zone=zone,
            units=own["units"],
            database=self.file.parent / own["database"],
            attended=attended,
            bucket_l=own["bucket"] or DEFAULT_BUCKET_L[own["units"]],
            fluids=fluids,
            waters=waters,
            duties=duties,
            sumps=sumps,
            sources=sources,
            publish_source=publish,
            status=status,
        )

    def _raw(self, key: str) -> dict[str, Any]:
        raw = self.document.get(key, {})
        return raw if isinstance(raw, dict) else {}

    def _named(self, key: str) -> Iterator[tuple[str, Any]]:
        """Go through the named tables under a key, refusing names that are no identifiers."""
        if key in self.document:
            for name, raw in tables_in(self.document[key], (key,), self.faults).items():
                check_name(name, (key, name), self.faults)
                yield name, raw

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
        return DEFAULT_ATTENDED if raw is None else _spans(raw, ("plant", "attended"), self.faults)

    def _sumps(self, known: Known) -> dict[str, Sump]:
        sumps = {key: found for key, raw in self._named("sump") if (found := read_sump(key, raw, known, self.faults))}
        self._refuse_doubles()
        return sumps

    def _addresses(self) -> Iterator[tuple[str, Address]]:
        """Go through the (source, address) of all signals, however faulty the rest of them is."""
        for sump, raw in self._raw("sump").items():
            signals = raw.get("signal") if isinstance(raw, dict) else None
            for name, signal in signals.items() if isinstance(signals, dict) else ():
                pair = (signal.get("source"), signal.get("address")) if isinstance(signal, dict) else (None, None)
                if isinstance(pair[0], str) and isinstance(pair[1], str) and pair[1].strip():
                    yield pair[0].strip(), Address(pair[1].strip(), ("sump", sump, "signal", name, "address"))

    def _refuse_doubles(self) -> None:
        first: dict[tuple[str, str], Path] = {}
        for source, address in self._addresses():
            owner = first.setdefault((source, address.text), address.path)
            if owner != address.path:
                text = f'"{address.text}" of source "{source}" is taken by {dotted(owner[:-1])}'
                self.faults.add(address.path, f"{text} (line {self.faults.lines.of(owner)}): give each signal its own")

    def _sources(self, plant_id: str) -> dict[str, SourceSpec]:
        home = Home(self.file.parent, plant_id)
        asked: dict[str, list[Address]] = {}
        for source, address in self._addresses():
            asked.setdefault(source, []).append(address)
        found = {}
        for key, raw in self._named("source"):
            source = read_source(raw, ("source", key), asked.get(key, []), home, self.faults)
            if source:
                found[key] = source
        self._refuse_shared_ports()
        return found

    def _refuse_shared_ports(self) -> None:
        first: dict[str, str] = {}
        for key, raw in self._raw("source").items():
            port = raw.get("port") if isinstance(raw, dict) else None
            if isinstance(port, str) and first.setdefault(port, key) != key:
                text = f'"{port}" is already the port of source.{first[port]}: one line can have one reader only'
                self.faults.add(("source", key, "port"), text)

    def _publish(self) -> str | None:
        if "publish" not in self.document:
            return None
        values = read_table(schema.PublishTable, self.document["publish"], ("publish",), self.faults)
        source = values.get("source")
        if source is None:
            return None
        path, sources = ("publish", "source"), self._raw("source")
        brokers = [key for key, raw in sources.items() if isinstance(raw, dict) and raw.get("kind") == "mqtt"]
        if source not in sources:
            self.faults.add(path, f"there is no [source.{source}]: {near(source, brokers)}use {listed(brokers)}")
        elif source not in brokers:
            self.faults.add(path, f'"{source}" is no MQTT source: use {listed(brokers)}')
        return str(source)

    def _status(self) -> StatusSpec | None:
        values = read_table(schema.StatusTable, self.document.get("status", {}), ("status",), self.faults)
        listen = values.get("listen", "off")
        if listen == "off":
            return None
        match = _LISTEN.fullmatch(listen)
        if match is None or not 1 <= int(match[2]) <= 65535:
            text = f'"{listen}" must be an address and a port, such as "127.0.0.1:8480", or "off"'
            self.faults.add(("status", "listen"), text)
            return None
        return StatusSpec(match[1].strip("[]"), int(match[2]))


def check_name(name: str, path: Path, faults: Faults) -> None:
    """Refuse a table name that is no identifier, with one that would be."""
    if not schema.IDENTIFIER.fullmatch(name):
        better = f', such as "{slug(name)}"' if slug(name) else ""
        faults.add(path, f'"{name}" is no identifier: use small letters, digits and hyphens, at most 63{better}')


def slug(name: str) -> str:
    """Make an identifier from a name: `Ferry Lane works` gives `ferry-lane-works`; empty if nothing is left."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss")).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:63].strip("-")


def _spans(raw: Any, path: Path, faults: Faults) -> tuple[WeeklySpan, ...]:
    spans = []
    for index, table in enumerate(list_in(raw, path, faults)):
        values = read_table(schema.SpanTable, table, (*path, index), faults)
        span = _span(values, (*path, index), faults)
        if span:
            spans.append(span)
    return tuple(spans)


def _span(v: Table, path: Path, faults: Faults) -> WeeklySpan | None:
    if not {"days", "from_", "to"} <= v.keys():
        return None
    if v["from_"] == 1440:
        faults.add((*path, "from"), '"24:00" is the end of a day: a span starts at "00:00" of the next')
        return None
    if v["from_"] == v["to"]:
        faults.add((*path, "to"), 'is the same as from, a span without length: a whole day is "00:00" to "24:00"')
        return None
    return WeeklySpan(day_numbers(v["days"]), v["from_"], v["to"])


def _fluid(key: str, raw: Any, faults: Faults) -> Fluid | None:
    path, before = ("fluid", key), len(faults.found)
    v = read_table(schema.FluidTable, raw, path, faults)
    low, high = v.get("band", (None, None))
    if low is not None and high is not None:
        v = _with_defaults(v, low, high)
        _check_band(v, low, high, path, faults)
    _check_make_up(v, low, path, faults)
    if len(faults.found) > before or low is None or "refractometer_factor" not in v:
        return None
    return Fluid(
        id=key,
        refractometer_factor=v["refractometer_factor"],
        band_pct=(low, high),
        target_pct=v["target"],
        leanest_make_up_pct=v["leanest_make_up"],
        richest_make_up_pct=v["richest_make_up"],
        hardness_limit_ppm=v["hardness_limit"],
    )


def _with_defaults(v: Table, low: float, high: float) -> Table:
    """Fill what follows from the band: aim at its middle, keep the usual make-ups around it."""
    follows = {
        "target": (low + high) / 2,
        "leanest_make_up": min(DEFAULT_LEANEST_PCT, low / 2) or DEFAULT_LEANEST_PCT,
        "richest_make_up": max(DEFAULT_RICHEST_PCT, high),
    }
    return v | {name: value for name, value in follows.items() if v.get(name, 0) is None}


def _check_band(v: Table, low: float, high: float, path: Path, faults: Faults) -> None:
    if not low < high:
        faults.add((*path, "band"), f"{low:g} must be less than {high:g}: lowest strength first, such as [6.0, 10.0]")
    elif "target" in v and not low < v["target"] < high:
        faults.add((*path, "target"), f"{v['target']:g} must lie inside the band, between {low:g} and {high:g}")


def _check_make_up(v: Table, low: float | None, path: Path, faults: Faults) -> None:
    leanest, richest, target = v.get("leanest_make_up"), v.get("richest_make_up"), v.get("target")
    if leanest == 0:
        faults.add((*path, "leanest_make_up"), "must be more than 0: plain water never goes into a working sump")
    elif leanest is not None and richest is not None and leanest >= richest:
        faults.add((*path, "leanest_make_up"), f"{leanest:g} must be less than richest_make_up, which is {richest:g}")
    elif leanest is not None and target is not None and leanest >= target:
        text = f"{leanest:g} must be less than the target {target:g}, else a rich sump can never be brought down to it"
        faults.add((*path, "leanest_make_up"), text)
    if richest is not None and low is not None and 0 < richest <= low:
        text = f"{richest:g} must be more than {low:g}, else a lean sump can never be brought back into its band"
        faults.add((*path, "richest_make_up"), text)


def _water(key: str, raw: Any, faults: Faults) -> Water | None:
    v = read_table(schema.WaterTable, raw, ("water", key), faults)
    return Water(key, max(v["hardness"], 0.0)) if "hardness" in v else None


def _duty(key: str, raw: Any, zone: str, faults: Faults) -> Duty | None:
    path, before = ("duty", key), len(faults.found)
    v = read_table(schema.DutyTable, raw, path, faults)
    spans = _spans(v["spans"], (*path, "spans"), faults) if "spans" in v else ()
    return None if len(faults.found) > before else Duty(key, WeeklyCalendar(zone, spans), v["expected"])
