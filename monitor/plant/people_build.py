"""From the tables about people to `Alerting`, with the checks that span them."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, TypeVar, cast
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from monitor.plant import people_schema as schema
from monitor.plant.calendar import WeeklyCalendar
from monitor.plant.faults import Faults, listed, near, shown
from monitor.plant.lines import Path
from monitor.plant.names import check_name
from monitor.plant.people import (
    PRIORITIES,
    Alerting,
    Calling,
    ChannelKind,
    ChannelSpec,
    Closure,
    OnCall,
    Person,
    Reach,
    Reports,
    Route,
    closed_days,
)
from monitor.plant.places import Home
from monitor.plant.rota import About, silent_hours
from monitor.plant.sources import is_loopback
from monitor.plant.spans import read_spans
from monitor.plant.tables import Table, list_in, read_table, tables_in

DAY_S = 86400.0
LONGEST_CLOSURE = 400
KINDS = (
    "leaves_band_unattended",
    "outside_band",
    "lowest_near",
    "loss_jump",
    "landed_off",
    "check_overdue",
    "limit_passed",
    "signal_silent",
    "signal_doubtful",
    "source_down",
    "own_fault",
)
"""The kinds of alerts a route may name (those of `alerts.types.AlertKind`)."""
_PORTS = {"starttls": 587, "tls": 465, "plain": 25}
_MAIL = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")
_PHONE = re.compile(r"\+?[0-9][0-9 ()/-]{3,30}")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Ground:
    """What the tables about people stand on."""

    home: Home
    zone: str
    sumps: Mapping[str, str]  # id to area
    attended: WeeklyCalendar


def read_closures(raw: Any, sumps: Collection[str], faults: Faults) -> tuple[Closure, ...]:
    """Read [[closed]]."""
    found = []
    for index, table in enumerate(list_in(raw, ("closed",), faults)):
        path: Path = ("closed", index)
        v = read_table(schema.ClosedTable, table, path, faults)
        if "from_" not in v:
            continue
        first = v["from_"]
        last = first if v.get("to") is None else v["to"]
        named = tuple(v.get("sumps") or ())
        _refuse_unknown(named, sumps, (*path, "sumps"), "[sump.{}]", faults)
        if not first <= last < first + LONGEST_CLOSURE:
            faults.add((*path, "to"), f"{date.fromordinal(last)} must not lie before from, nor over a year after it")
            continue
        found.append(Closure(first, last, v.get("name", "closed"), named))
    return tuple(found)


def read_alerting(
    document: Mapping[str, Any], closures: tuple[Closure, ...], ground: Ground, faults: Faults
) -> Alerting:
    """Read everything about people; with faults the result is not to be used."""
    before = faults.noted
    closed = closed_days(closures)
    channels = _each(document, "channel", lambda key, raw: _channel(key, raw, ground.home, faults), faults)
    known = _raw(document, "channel")
    people = _each(document, "person", lambda key, raw: _person(key, raw, known, closed, ground.zone, faults), faults)
    names = _raw(document, "person")
    groups = _each(document, "group", lambda key, raw: _group(key, raw, names, faults), faults)
    on_call = _each(document, "on_call", lambda key, raw: _on_call(key, raw, names, ground.zone, faults), faults)
    everybody = _everybody(document, faults)
    routes = _each(document, "route", lambda key, raw: _route(key, raw, everybody, ground, faults), faults)
    reports = _reports(document.get("reports", {}), everybody, faults)
    calling = _calling(document.get("alerts", {}), faults)
    alerting = Alerting(channels, people, groups, on_call, routes, reports, closures, calling)
    if faults.noted == before and routes and not reports.accept_gaps:
        _refuse_gaps(alerting, ground, faults)
    return alerting


def _each(
    document: Mapping[str, Any], kind: str, read: Callable[[str, Any], _T | None], faults: Faults
) -> dict[str, _T]:
    found: dict[str, _T] = {}
    for name, raw in tables_in(document.get(kind, {}), (kind,), faults).items():
        check_name(name, (kind, name), faults)
        value = read(name, raw)
        if value is not None:
            found[name] = value
    return found


def _raw(document: Mapping[str, Any], key: str) -> dict[str, Any]:
    raw = document.get(key, {})
    return raw if isinstance(raw, dict) else {}


def _everybody(document: Mapping[str, Any], faults: Faults) -> dict[str, str]:
    """Return every name that can be told something; one name means one thing."""
    found: dict[str, str] = {}
    for kind in ("person", "group", "on_call"):
        for name in _raw(document, kind):
            if found.setdefault(name, kind) != kind:
                faults.add((kind, name), f'"{name}" is a {found[name]} already: give each its own name')
    return found


def _channel(key: str, raw: Any, home: Home, faults: Faults) -> ChannelSpec | None:
    path: Path = ("channel", key)
    before = faults.noted
    kind = raw.get("kind") if isinstance(raw, dict) else None
    kinds = listed(schema.CHANNEL_TABLES, quoted=True)
    if not isinstance(kind, str) or kind not in schema.CHANNEL_TABLES:
        if isinstance(raw, dict) and kind is not None:
            faults.add((*path, "kind"), f"{shown(kind)} is no kind of channel: use {kinds}")
        else:
            faults.miss((*path, "kind"), f"is missing: use {kinds}")
        return None
    v = read_table(schema.CHANNEL_TABLES[kind], raw, path, faults)
    options = (_mail if kind == "mail" else _webhook)(v, path, home, faults)
    if faults.noted > before:
        return None
    return ChannelSpec(key, cast("ChannelKind", kind), v["form"], options)


def _mail(v: Table, path: Path, home: Home, faults: Faults) -> dict[str, object]:
    security = v.get("security", "starttls")
    if v.get("sender") and not _MAIL.fullmatch(v["sender"]):
        faults.add((*path, "sender"), f'"{v["sender"]}" is no mail address, such as "bandkeeper@example.org"')
    if v.get("password_file") and v.get("username", "") is None:
        faults.miss((*path, "username"), "is missing: a password_file needs the name to log in with")
    host = v.get("host", "127.0.0.1")
    if "@" in host or "/" in host or any(sign.isspace() for sign in host):
        faults.add((*path, "host"), 'must be a name or address alone, such as "mail.example.org"; log in with username')
    elif v.get("username") and security == "plain" and not (is_loopback(host) or v.get("allow_plain_password")):
        text = 'would log in unencrypted on another machine: use security = "starttls" or "tls", or say '
        faults.add((*path, "security"), f"{text}allow_plain_password = true")
    return {
        "host": host,
        "port": v.get("port") or _PORTS[security],
        "security": security,
        "sender": v.get("sender"),
        "username": v.get("username"),
        "password_file": home.file(v["password_file"]) if v.get("password_file") else None,
        "ca_file": home.file(v["ca_file"]) if v.get("ca_file") else None,
        "timeout": v.get("timeout"),
    }


def _webhook(v: Table, path: Path, home: Home, faults: Faults) -> dict[str, object]:
    url = v.get("url", "https://localhost")
    parts = split_address(url)
    if parts is None:
        faults.add((*path, "url"), 'must be a web address, such as "https://desk.example.org/bandkeeper"')
    elif parts[2]:
        faults.add((*path, "url"), "must not hold a log-in: sign with secret_file instead")
    elif parts[0] == "http" and not (is_loopback(parts[1]) or v.get("allow_plain")):
        faults.add((*path, "url"), "would cross the network unencrypted: use https, or say allow_plain = true")
    return {
        "url": url,
        "proxy": _proxy(v.get("proxy"), path, faults),
        "secret_file": home.file(v["secret_file"]) if v.get("secret_file") else None,
        "ca_file": home.file(v["ca_file"]) if v.get("ca_file") else None,
        "timeout": v.get("timeout"),
    }


def _proxy(url: str | None, path: Path, faults: Faults) -> str | None:
    parts = None if url is None else split_address(url)
    if url is not None and (parts is None or parts[0] != "http" or parts[2] or urlsplit(url).path.strip("/")):
        text = 'must be a proxy\'s address without a log-in, such as "http://proxy.example.org:3128"'
        faults.add((*path, "proxy"), text)
    return url


def split_address(url: str) -> tuple[str, str, bool] | None:
    """Return scheme, host and whether a log-in stands in the address; None if it is no web address."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    if parts.scheme not in {"http", "https"} or not parts.hostname or any(sign.isspace() for sign in url):
        return None
    return parts.scheme, parts.hostname, parts.username is not None


def _person(
    key: str, raw: Any, channels: Mapping[str, Any], closed: frozenset[int], zone: str, faults: Faults
) -> Person | None:
    path, before = ("person", key), faults.noted
    v = read_table(schema.PersonTable, raw, path, faults)
    reach = _reach(v["reach"], (*path, "reach"), channels, faults) if "reach" in v else ()
    there = v.get("there")
    spans = () if there is None else read_spans(there, (*path, "there"), faults)
    quiet = () if v.get("quiet") is None else read_spans(v["quiet"], (*path, "quiet"), faults)
    if faults.noted > before:
        return None
    return Person(
        key,
        v["name"],
        reach,
        None if there is None else WeeklyCalendar(zone, spans, closed),
        WeeklyCalendar(zone, quiet),
        tuple(v["quiet_lets_through"]),
    )


def _reach(raw: Any, path: Path, channels: Mapping[str, Any], faults: Faults) -> tuple[Reach, ...]:
    found = []
    tables = list_in(raw, path, faults)
    if isinstance(raw, list) and not raw:
        faults.add(path, 'needs at least one way, such as { channel = "post", to = "a@example.org" }')
    for index, table in enumerate(tables):
        v = read_table(schema.ReachTable, table, (*path, index), faults)
        if "channel" not in v:
            continue
        _refuse_unknown([v["channel"]], channels, (*path, index, "channel"), "[channel.{}]", faults)
        _check_address(v.get("to"), channels.get(v["channel"]), (*path, index, "to"), faults)
        found.append(Reach(v["channel"], v.get("to") or ""))
    return tuple(found)


def _check_address(to: str | None, channel: Any, path: Path, faults: Faults) -> None:
    kind = channel.get("kind") if isinstance(channel, dict) else None
    short = isinstance(channel, dict) and channel.get("form") == "short"
    if kind == "mail" and to is None:
        faults.miss(path, 'is missing: the mail address, such as "a@example.org"')
    elif kind == "mail" and to is not None and not _MAIL.fullmatch(to):
        faults.add(path, f'"{to}" is no mail address, such as "a@example.org"')
    elif kind == "webhook" and short and to is None:
        faults.miss(path, 'is missing: the phone number that the gateway sends to, such as "+351 900 000 000"')
    elif kind == "webhook" and short and to is not None and not (_PHONE.fullmatch(to) or _MAIL.fullmatch(to)):
        faults.add(path, f'"{to}" is no phone number, such as "+351 900 000 000"')


def _group(key: str, raw: Any, people: Collection[str], faults: Faults) -> tuple[str, ...] | None:
    path, before = ("group", key), faults.noted
    v = read_table(schema.GroupTable, raw, path, faults)
    _refuse_unknown(v.get("people", ()), people, (*path, "people"), "[person.{}]", faults)
    return None if faults.noted > before else tuple(dict.fromkeys(v["people"]))


def _on_call(key: str, raw: Any, people: Collection[str], zone: str, faults: Faults) -> OnCall | None:
    path, before = ("on_call", key), faults.noted
    v = read_table(schema.OnCallTable, raw, path, faults)
    _refuse_unknown(v.get("people", ()), people, (*path, "people"), "[person.{}]", faults)
    days = v.get("turn", DAY_S) / DAY_S
    if days != int(days):
        faults.add((*path, "turn"), 'must be whole days, such as "7 d": hand-over is at midnight')
    return None if faults.noted > before else OnCall(key, tuple(v["people"]), zone, v["from_"], int(days))


def _route(key: str, raw: Any, everybody: Collection[str], ground: Ground, faults: Faults) -> Route | None:
    path, before = ("route", key), faults.noted
    v = read_table(schema.RouteTable, raw, path, faults)
    for name in ("to", "escalate_to"):
        _refuse_unknown(v.get(name) or (), everybody, (*path, name), "person, group or on_call {}", faults)
    _refuse_unknown(v.get("areas") or (), set(ground.sumps.values()), (*path, "areas"), "sump with the area {}", faults)
    _refuse_unknown(v.get("kinds") or (), KINDS, (*path, "kinds"), "kind of alert {}", faults)
    pair = [v.get("escalate_after"), v.get("escalate_to")]
    if (pair[0] is None) != (pair[1] is None) and {"escalate_after", "escalate_to"} <= v.keys():
        missing = "escalate_after" if pair[0] is None else "escalate_to"
        faults.miss((*path, missing), "is missing: escalate_after and escalate_to go together")
    if v.get("remind_every") is not None and v["remind_every"] < 60:
        faults.add((*path, "remind_every"), 'must be a minute or more, such as "1 h"')
    if faults.noted > before:
        return None
    return Route(
        key,
        tuple(v["to"]),
        tuple(v["priorities"]),
        tuple(v["areas"] or ()),
        tuple(v["kinds"] or ()),
        v["when"],
        v["every_change"],
        v["escalate_after"],
        tuple(v["escalate_to"] or ()),
        v["remind_every"],
        v["reminders"],
    )


def _reports(raw: Any, everybody: Collection[str], faults: Faults) -> Reports:
    v = read_table(schema.ReportsTable, raw, ("reports",), faults)
    for name in ("to", "all_is_well_to"):
        _refuse_unknown(v.get(name) or (), everybody, ("reports", name), "person, group or on_call {}", faults)
    to = tuple(v.get("to") or ())
    return Reports(
        to,
        v.get("hand_over"),
        bool(v.get("morning")),
        bool(v.get("monthly")),
        v.get("all_is_well"),
        tuple(v.get("all_is_well_to") or to),
        bool(v.get("accept_gaps")),
    )


def _calling(raw: Any, faults: Faults) -> Calling:
    v = read_table(schema.AlertsTable, raw, ("alerts",), faults)
    if v.get("hold", 0.0) < v.get("off_delay", 0.0):
        faults.add(("alerts", "hold"), "must not be shorter than off_delay: it is for alerts that come and go")
    in_seconds = {"lead": "lead_s", "off_delay": "off_delay_s", "hold": "hold_s"}
    return Calling(**{in_seconds.get(key, key): value for key, value in v.items()})


def _refuse_unknown(names: Iterable[str], known: Collection[str], path: Path, what: str, faults: Faults) -> None:
    for name in names:
        if name not in known:
            faults.add(path, f"there is no {what.format(name)}: {near(name, known)}use {listed(sorted(known))}")


def _refuse_gaps(alerting: Alerting, ground: Ground, faults: Faults) -> None:
    """Refuse routes by which a high alert would reach nobody in some hours of a common week."""
    for area in dict.fromkeys(ground.sumps.values()):
        gaps = gaps_of(alerting, area, ground.zone, replace(ground.attended, closed=frozenset()))
        if gaps:
            where = f" of area {area}" if area else ""
            text = f"a high alert{where} reaches nobody at once {listed(gaps, last='and')}: add people or a route for "
            faults.add(("route",), f"{text}these hours, or say accept_gaps = true in [reports]")


def gaps_of(alerting: Alerting, area: str, zone: str, attended: WeeklyCalendar) -> list[str]:
    """Return the hours of a common week in which a high alert of an area reaches nobody at once, as people say them."""
    first = datetime(2031, 6, 2, tzinfo=ZoneInfo(zone)).timestamp()  # a Monday far from any change of clocks
    spans = silent_hours(alerting, About(PRIORITIES[0], area, "outside_band"), attended, first)
    return [f"{_said(start, zone)} to {_said(end, zone)}" for start, end in spans]


def _said(time_s: float, zone: str) -> str:
    local = datetime.fromtimestamp(time_s, ZoneInfo(zone))
    return f"{_DAYS[local.weekday()]} {local:%H:%M}"
