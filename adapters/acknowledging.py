"""Who acknowledges over MQTT: messages on bandkeeper/PLANT-ID/alert/ALERT-ID/acknowledge become acts.

The session is persistent and the messages are of QoS 1: what was sent while the daemon was away comes afterwards, and
a message is confirmed only when the acknowledgement is on record. One that comes twice, or for an alert that is gone,
changes nothing. A retained one is no act of anybody now and would come again with every session: it is left alone.
"""

from __future__ import annotations

import json
import logging
from dataclasses import replace
from typing import Final

from adapters.delivery import Clock, Inlet
from adapters.intake import Batch, Piece
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.payloads import payload_named
from monitor.plant.reading import Act
from monitor.plant.types import Plant

log = logging.getLogger("bandkeeper.sources")

MOST_BYTES: Final = 1024
MOST_NAME: Final = 80
_SUFFIX: Final = "/acknowledge"


def topic_of(plant_id: str) -> str:
    """Return the topics on which alerts of a plant are acknowledged, `+` standing for the alert."""
    return f"bandkeeper/{plant_id}/alert/+{_SUFFIX}"


def who_of(payload: bytes) -> str:
    """Read who acknowledges: `{"who": "ana"}`, a plain name, or nothing (then the broker stands in)."""
    try:
        text = payload[:MOST_BYTES].decode("utf-8").strip()
        said = json.loads(text) if text.startswith("{") else {"who": text}
    except (ValueError, RecursionError):
        said = {}
    who = said.get("who") if isinstance(said, dict) else None
    name = "".join(sign for sign in who if sign.isprintable()).strip() if isinstance(who, str) else ""
    return name[:MOST_NAME] or "MQTT"


class AcknowledgeIntake:
    """Takes the acknowledgements of one plant."""

    def __init__(self, source: str, plant_id: str) -> None:
        self._source, self._prefix = source, f"bandkeeper/{plant_id}/alert/"

    def take(self, batch: Batch, piece: Piece) -> bool:
        """Add an act to the batch. It never hangs on its arrival."""
        alert_id = piece.address.removeprefix(self._prefix).removesuffix(_SUFFIX)
        if piece.retained:
            log.warning("%s: %s is retained and is left alone: publish it without retain", self._source, piece.address)
        else:
            batch.acts.append(Act(alert_id, who_of(piece.raw)))
        return False


def acknowledge_inlets(plant: Plant, clock: Clock) -> list[Inlet]:
    """Build the way in for acknowledgements at the broker that gets the plant's topics; none without one."""
    if plant.publish_source is None:
        return []
    spec = plant.sources[plant.publish_source]
    settings = MqttSettings.of(spec, f"bandkeeper-{plant.id}-{spec.id}", suffix="-acknowledge")
    settings = replace(settings, source=f"{spec.id} (acknowledgements)")
    intake = AcknowledgeIntake(settings.source, plant.id)
    return [MqttInlet(settings, {topic_of(plant.id): ()}, payload_named("json"), clock, intake=intake)]
