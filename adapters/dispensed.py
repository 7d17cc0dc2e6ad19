"""What the mixing station reports as dispensed: MQTT messages on bandkeeper/PLANT-ID/mixing/dispensed become entries.

One JSON object a filling: `{"id": "7f3a", "sump": "lathe-04", "volume_l": 60, "mix_pct": 4.5, "t": "2031-03-03T…Z"}`,
optional `container` (set-aside fluid that went into it). The id makes repeats harmless, whether they come by MQTT or
through the API. Without `t` the time of arrival stands in.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from adapters.delivery import Clock, Inlet
from adapters.intake import Batch, Piece
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.parsers import OBJECT, load_json
from adapters.payloads import payload_named
from adapters.sample import PayloadError
from adapters.timestamps import parse_time, too_far_ahead
from monitor.plant.reading import Entry, EntryKind, dispensed_id
from monitor.plant.schema import IDENTIFIER
from monitor.plant.types import Plant, Sump

WHO: Final = "station"
OVERFILL_SHARE: Final = 1.5
_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,79}")
_EXACT: Final = 2.0**53
_FIELDS: Final = frozenset({"id", "sump", "volume_l", "mix_pct", "t", "container"})
_RIGHT: Final = 'send {"id": "7f3a", "sump": "lathe-04", "volume_l": 60, "mix_pct": 4.5, "t": "2031-03-03T21:30:00Z"}'


def topic_of(plant_id: str) -> str:
    """Return the topic on which a plant's station reports."""
    return f"bandkeeper/{plant_id}/mixing/dispensed"


def read_dispensed(raw: bytes, sumps: Mapping[str, Sump], arrived_s: float, *, retained: bool = False) -> Entry:
    """Turn a report into an entry. Raises PayloadError that says what is wrong and what would be right."""
    told = _object(raw)
    name = _id(told.get("id"))
    sump = sumps.get(str(told.get("sump")))
    if sump is None:
        raise PayloadError(f"there is no sump {str(told.get('sump'))[:70]!r} in the plant file")
    if retained and "t" not in told:
        raise PayloadError('kept by the broker since nobody knows when: send "t" with it, or do not retain it')
    time_s = parse_time(told["t"]) if "t" in told else arrived_s
    if too_far_ahead(time_s, arrived_s):
        raise PayloadError("the time lies in the future: set the station's clock")
    container = str(told.get("container") or "")
    if container and not IDENTIFIER.fullmatch(container):
        raise PayloadError("container must be small letters, digits and hyphens, such as can-7")
    return Entry(
        id=dispensed_id(name),
        sump=sump.id,
        kind=EntryKind.TOP_UP,
        time_s=min(time_s, arrived_s),
        logged_s=arrived_s,
        volume_l=_number(told, "volume_l", sump.full_l * OVERFILL_SHARE),
        mix_pct=_number(told, "mix_pct", 100.0, zero=True),
        who=WHO,
        container=container,
    )


def _id(raw: object) -> str:
    """Return the id as text: a text, or a whole number that JSON carries without rounding it."""
    name = str(int(raw)) if isinstance(raw, float) and raw.is_integer() and 0 <= raw < _EXACT else raw
    if not isinstance(name, str) or not _ID.fullmatch(name):
        raise PayloadError(
            "id is needed, 1 to 80 letters, digits, dots, colons, dashes or underscores, a long number in quotes: it "
            "tells repeats"
        )
    return name


def _object(raw: bytes) -> dict[str, Any]:
    try:
        told = load_json(raw)
    except PayloadError as error:
        raise PayloadError(f"{str(error).removesuffix(f': {OBJECT}')}: {_RIGHT}") from None
    if not isinstance(told, dict):
        raise PayloadError(f"is no JSON object: {_RIGHT}")
    unknown = sorted(told.keys() - _FIELDS)
    if unknown:
        raise PayloadError(f"{', '.join(map(repr, unknown))[:70]} is not known here: {_RIGHT}")
    return told


def _number(told: Mapping[str, Any], name: str, at_most: float, *, zero: bool = False) -> float:
    value = told.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise PayloadError(f"{name} must be a number: {_RIGHT}")
    if not (0.0 <= value <= at_most and (zero or value > 0.0)):
        raise PayloadError(f"{name} is {value:g}, and must be {'0' if zero else 'more than 0'} to {at_most:g}")
    return float(value)


class DispensedIntake:
    """Takes the station's reports of one plant."""

    def __init__(self, source: str, topic: str, sumps: Mapping[str, Sump]) -> None:
        self._source, self._topic, self._sumps = source, topic, sumps

    def take(self, batch: Batch, piece: Piece) -> bool:
        """Add a report to the batch, or its refusal. It never hangs on its arrival: its id tells repeats."""
        if piece.address != self._topic:
            batch.refuse(self._source, piece, "this is not the topic on which the station reports")
            return False
        try:
            batch.entries.append(read_dispensed(piece.raw, self._sumps, piece.arrived_s, retained=piece.retained))
        except PayloadError as error:
            batch.refuse(self._source, piece, str(error))
        return False


def station_inlets(plant: Plant, clock: Clock) -> list[Inlet]:
    """Build the way in for the station's reports at the broker that gets the plant's topics; none without one."""
    if plant.publish_source is None:
        return []
    spec, topic = plant.sources[plant.publish_source], topic_of(plant.id)
    settings = MqttSettings.of(spec, f"bandkeeper-{plant.id}-{spec.id}", suffix="-station")
    settings = replace(settings, source=f"{spec.id} (mixing station)")
    intake = DispensedIntake(settings.source, topic, plant.sumps)
    return [MqttInlet(settings, {topic: ()}, payload_named("json"), clock, intake=intake)]
