"""A log-book entry as somebody sends it: read, checked with clear words, and turned into an `Entry`.

JSON and plain forms say the same things. Numbers without a unit are litres and percent; a text may carry a unit
(`"5 US gal"`). A time in JSON has an offset; a form's time is the plant's own.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable, Mapping
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, StrictFloat, StrictInt, ValidationError

from alerts.setaside import Container
from monitor.plant.plain import is_plain
from monitor.plant.reading import EARLIEST_S, Entry, EntryKind, dispensed_id
from monitor.plant.schema import IDENTIFIER
from monitor.plant.types import Plant, Sump
from monitor.status.amounts import AmountError, hardness, percent, plain, read_time, strength, volume_in_l
from monitor.status.problems import Problem

FUTURE_TOLERANCE_S: Final = 300.0
OVERFILL_SHARE: Final = 1.5
_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,99}")
_NEEDS_VOLUME: Final = frozenset({EntryKind.TOP_UP, EntryKind.REMOVAL, EntryKind.CHARGE})
_NEEDS_MIX: Final = frozenset({EntryKind.TOP_UP, EntryKind.CHARGE})
_SAME: Final = {"volume_l": "volume", "mix": "mix_pct"}

Amount = StrictInt | StrictFloat | str | None


class EntryBody(BaseModel):
    """What may be posted to `/api/entries`. `volume` and `volume_l` are the same thing, as are `mix` and `mix_pct`.

    `container` names set-aside fluid: a removal goes into it (`mix_pct` is then its strength, if measured), a filling$
    made from it, a check measures it (`volume` is then what is left in it, 0 when it is empty).
    """

    model_config = ConfigDict(extra="forbid", str_max_length=500)

    sump: str
    kind: str
    time: Amount = None
    volume: Amount = None
    volume_l: Amount = None
    mix: Amount = None
    mix_pct: Amount = None
    value: Amount = None
    unit: str = ""
    note: str = ""
    who: str = ""
    container: str = ""
    id: str | None = None


class _Check:
    """Collects every fault of one entry, so that all are said at once."""

    def __init__(self) -> None:
        self.faults: list[dict[str, str]] = []

    def fault(self, where: str, what: str) -> None:
        self.faults.append({"where": where, "what": what})

    def number(self, where: str, read: Any, *args: Any) -> float | None:
        """Return what `read` makes of `args`, or note its complaint."""
        try:
            return float(read(*args))
        except AmountError as error:
            self.fault(where, str(error))
            return None

    def stop(self) -> None:
        if self.faults:
            detail = "The entry was not taken: " + "; ".join(f"{f['where']}: {f['what']}" for f in self.faults)
            raise Problem(422, detail, errors=self.faults)


def entry_from(fields: Mapping[str, Any], plant: Plant, now_s: float, *, local_time: bool = False) -> Entry:
    """Return the entry that `fields` describe; `Problem` 422 with every fault otherwise.

    `local_time` takes a time without an offset as the plant's own (forms); else an offset is needed.
    """
    body = _body(fields)
    check = _Check()
    sump, kind = _sump(body, plant, check), _kind(body, check)
    time_s = check.number("time", read_time, body.time, now_s, plant.zone if local_time else None)
    if time_s is not None and time_s > now_s + FUTURE_TOLERANCE_S:
        check.fault("time", "lies in the future; log what was done, when it was done")
    elif time_s is not None and time_s < EARLIEST_S:
        check.fault("time", "lies before the year 2000: set the clock, or leave the time out")
    for where, text in (("note", body.note), ("who", body.who)):
        if not is_plain(" ".join(text.splitlines()) if where == "note" else text.strip()):
            check.fault(where, "holds control characters, which nobody could read: leave them out")
    check.stop()
    container = _container(body, kind, check)
    volume = _volume(body, sump, kind, check)
    mix = _mix(body, kind, check)
    value = _value(body, sump, kind, check)
    name = _id(body, check)
    check.stop()
    return Entry(
        id=name,
        sump=sump.id,
        kind=kind,
        time_s=now_s if time_s is None else min(time_s, now_s),
        logged_s=now_s,
        volume_l=volume,
        mix_pct=mix,
        value=value,
        unit={EntryKind.CHECK: "%", EntryKind.HARDNESS: "ppm"}.get(kind, ""),
        note=body.note.strip(),
        who=body.who.strip(),
        container=container,
    )


def _body(fields: Mapping[str, Any]) -> EntryBody:
    try:
        return EntryBody.model_validate(fields)
    except ValidationError as error:
        faults = [
            {
                "where": ".".join(str(part) for part in fault["loc"][:1]) or "body",
                "what": _words(fault["type"], fault["msg"]),
            }
            for fault in error.errors()
        ]
        detail = "The entry was not taken: " + "; ".join(f"{f['where']}: {f['what']}" for f in faults)
        raise Problem(422, detail, errors=faults) from None


def _words(kind: str, message: str) -> str:
    """Say a structural fault in our own words."""
    known = ", ".join(EntryBody.model_fields)
    return {"extra_forbidden": f"is not a field of an entry; the fields are {known}", "missing": "is needed"}.get(
        kind, message[:1].lower() + message[1:]
    )


def _sump(body: EntryBody, plant: Plant, check: _Check) -> Sump:
    sump = plant.sumps.get(body.sump)
    if sump is None:
        check.fault("sump", f"there is no sump {body.sump[:70]!r} in the plant file; GET /api/sumps lists them")
        check.stop()
        raise AssertionError  # stop() has raised
    return sump


def _kind(body: EntryBody, check: _Check) -> EntryKind:
    try:
        return EntryKind(body.kind)
    except ValueError:
        check.fault("kind", f"{body.kind[:70]!r} is not one of {', '.join(kind.value for kind in EntryKind)}")
        check.stop()
        raise


def _one(body: EntryBody, name: str, check: _Check) -> Amount:
    """Return a field or its second name, whichever was sent; both at once is a fault."""
    other = next(alias for alias, main in _SAME.items() if main == name)
    first, second = getattr(body, name), getattr(body, other)
    given = [value for value in (first, second) if value not in (None, "")]
    if len(given) == 2:
        check.fault(name, f"was sent twice, as {name} and {other}; send one of them")
    return given[0] if given else None


def _container(body: EntryBody, kind: EntryKind, check: _Check) -> str:
    name = body.container.strip()
    if name and kind in (EntryKind.HARDNESS, EntryKind.PH):
        check.fault("container", f"does not belong to a {kind.value}")
    elif name and not IDENTIFIER.fullmatch(name):
        check.fault("container", 'must be small letters, digits and hyphens, such as "can-7"')
    return name


def _volume(body: EntryBody, sump: Sump, kind: EntryKind, check: _Check) -> float | None:
    given = _one(body, "volume", check)
    if kind is EntryKind.CHECK and body.container:
        return _left(given, check)
    if kind not in _NEEDS_VOLUME:
        if given is not None:
            check.fault("volume", f"does not belong to a {kind.value}")
        return None
    if given is None:
        check.fault("volume", f"is needed for a {kind.value}: how many litres?")
        return None
    litres = check.number("volume", volume_in_l, given)
    if litres is None:
        return None
    if litres <= 0:
        check.fault("volume", "must be more than nothing")
    elif litres > sump.full_l * OVERFILL_SHARE:
        check.fault("volume", f"{litres:g} L is far more than the whole sump holds ({sump.full_l:g} L)")
    return litres


def _left(given: Amount, check: _Check) -> float | None:
    """Return what is left in a container, if somebody looked."""
    litres = None if given is None else check.number("volume", volume_in_l, given)
    if litres is not None and litres < 0:
        check.fault("volume", "must be what is left in the container, 0 or more")
    return litres


def _mix(body: EntryBody, kind: EntryKind, check: _Check) -> float | None:
    given = _one(body, "mix_pct", check)
    is_set_aside = kind is EntryKind.REMOVAL and bool(body.container)
    if kind not in _NEEDS_MIX and not (is_set_aside and given is not None):
        if given is not None:
            check.fault("mix_pct", f"does not belong to a {kind.value}")
        return None
    if given is None:
        check.fault("mix_pct", f"is needed for a {kind.value}: how many percent of concentrate? (0 for plain water)")
        return None
    mix = check.number("mix_pct", percent, given)
    if mix is not None and not 0 <= mix <= 100:
        check.fault("mix_pct", f"{mix:g} % cannot be; a mix holds 0 to 100 % of concentrate")
    return mix


def _value(body: EntryBody, sump: Sump, kind: EntryKind, check: _Check) -> float | None:
    given = None if body.value == "" else body.value
    if kind in _NEEDS_VOLUME:
        if given is not None:
            check.fault("value", f"does not belong to a {kind.value}; send volume and mix_pct")
        return None
    if given is None:
        check.fault("value", f"is needed for a {kind.value}: what was measured?")
        return None
    value = _measured(given, body.unit, sump, kind, check)
    highest = {EntryKind.CHECK: 100.0, EntryKind.HARDNESS: 10_000.0, EntryKind.PH: 14.0}[kind]
    if value is not None and not 0 <= value <= highest:
        check.fault("value", f"{value:g} cannot be; a {kind.value} lies between 0 and {highest:g}")
    return value


def _measured(given: float | str, unit: str, sump: Sump, kind: EntryKind, check: _Check) -> float | None:
    """Return a measured value in its kind's own unit: %, ppm as CaCO3, or pH."""
    if kind is EntryKind.PH:
        return check.number("value", plain, given)
    if kind is EntryKind.HARDNESS:
        return check.number("value", hardness, given, unit)
    return check.number("value", strength, given, unit, sump)


def _id(body: EntryBody, check: _Check) -> str:
    if body.id is None or body.id == "":
        return f"entry-{uuid.uuid4().hex}"
    if not _ID.fullmatch(body.id):
        check.fault("id", "must be 1 to 100 letters, digits, dots, colons, dashes or underscores")
    return dispensed_id(body.id) if body.who.strip() == "station" else body.id


def refuse_across(entry: Entry, plant: Plant, kept: Iterable[Container]) -> None:
    """Refuse set-aside fluid of one product going into, or coming from, a sump of another; `Problem` 422."""
    fluid = plant.sumps[entry.sump].fluid.id
    held = next((one.fluid for one in kept if one.id == entry.container), fluid)
    if held != fluid:
        what = f"holds {held}, and {entry.sump} runs on {fluid}: products are never mixed"
        remedy = "Name the right container; leave it out if none was used."
        detail = f"The entry was not taken: container: {what}"
        raise Problem(422, detail, remedy=remedy, errors=[{"where": "container", "what": what}])
