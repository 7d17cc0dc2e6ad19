"""The mixing station's reports over a real broker."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import pytest

from adapters.delivery import Delivery
from adapters.dispensed import station_inlets, topic_of
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.live.adapters.hall import works
from tests.live.adapters.sink import Talker

pytestmark = [pytest.mark.live, pytest.mark.broker]


def test_a_report_arrives_and_a_repeat_has_the_same_id(broker: Broker) -> None:
    plant = replace(works(broker.port), publish_source="hall")
    (inlet,) = station_inlets(plant, time.time)
    came: list[Delivery] = []

    def take(delivery: Delivery) -> None:
        came.append(delivery)
        delivery.done()

    inlet.start(take)
    wait_for(lambda: inlet.health().state == "up", "the inlet is up")
    talker = Talker(broker.port)
    talker.say(
        topic_of(plant.id), b'{"id": "r-0", "sump": "lathe-04", "mix_pct": 4.5, "volume_l": ' + b"9" * 400 + b"}"
    )
    report = {"id": "r-1", "sump": "lathe-04", "volume_l": 60.0, "mix_pct": 4.5}
    for _ in range(2):
        talker.say(topic_of(plant.id), json.dumps(report).encode())
    wait_for(lambda: sum(len(one.entries) for one in came) == 2, "both reports came")
    inlet.stop()
    talker.close()
    assert [one.why[:16] for delivery in came for one in delivery.rejected] == ["volume_l is inf,"]
    assert {entry.id for one in came for entry in one.entries} == {"dispensed-r-1"}
