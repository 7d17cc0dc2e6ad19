"""Acknowledgements over MQTT as they are read: who, which alert, and what is left alone."""

from __future__ import annotations

import pytest

from adapters.acknowledging import AcknowledgeIntake, topic_of, who_of
from adapters.intake import Batch, Piece
from monitor.plant.reading import Act

TOPIC = "bandkeeper/ferry-lane/alert/lathe-04-outside-band-1930298400/acknowledge"


@pytest.mark.parametrize(
    ("payload", "who"),
    [
        (b'{"who": "ana"}', "ana"),
        (b"ana", "ana"),
        ("Jo\u00e3o ".encode(), "Jo\u00e3o"),
        (b"", "MQTT"),
        (b"{}", "MQTT"),
        (b'{"who": 7}', "MQTT"),
        (b'{"who": ', "MQTT"),
        (b"{" * 2000, "MQTT"),
        (b"\xff\xfe", "MQTT"),
        (b"a\x00b\x1bc", "abc"),
        (b"x" * 5000, "x" * 80),
    ],
)
def test_who_is_read_from_whatever_comes(payload: bytes, who: str) -> None:
    assert who_of(payload) == who


def test_the_topic_names_the_alert_and_a_retained_message_is_no_act() -> None:
    intake, batch = AcknowledgeIntake("hall (acknowledgements)", "ferry-lane"), Batch()
    assert topic_of("ferry-lane") == TOPIC.replace("lathe-04-outside-band-1930298400", "+")
    assert intake.take(batch, Piece(TOPIC, b"ana", 0.0)) is False
    assert intake.take(batch, Piece(TOPIC, b"eve", 0.0, retained=True)) is False
    assert batch.acts == [Act("lathe-04-outside-band-1930298400", "ana")]
    assert batch.rejected == []
