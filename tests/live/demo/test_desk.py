"""People read recipes and write entries as any other machine would: over HTTP and off retained topics."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from config_demo.broker import EmbeddedBroker, free_port
from config_demo.desk import HttpDesk, MqttDesk

pytestmark = pytest.mark.live

RECIPE = {"sump": "gannet", "kind": "top_up", "steps": [{"do": "measure"}]}


class Handler(BaseHTTPRequestHandler):
    """A status API of three answers."""

    posted: list[tuple[str, Any]]

    def do_GET(self) -> None:
        answers: dict[str, Any] = {
            "/api/alerts": {"alerts": [{"id": "a-1"}]},
            "/api/sumps/gannet": {"volume_l": 321.0},
            "/api/sumps/gannet/recipe": RECIPE,
        }
        self._answer(200 if self.path in answers else 404, answers.get(self.path, {"title": "Not Found"}))

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.posted.append((self.path, body))
        self._answer(422 if body.get("kind") == "nonsense" else 201, {"detail": "kind: what?"})

    def log_message(self, *args: object) -> None:
        """Write nothing."""

    def _answer(self, status: int, body: Any) -> None:
        raw = json.dumps(body).encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(raw)))
        self.end_headers()
        self.wfile.write(raw)


@pytest.fixture
def desk() -> Iterator[HttpDesk]:
    Handler.posted = []
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield HttpDesk(server.server_port)
        server.shutdown()
        thread.join()


def test_reading_and_writing_over_http(desk: HttpDesk) -> None:
    assert desk.alerts() == [{"id": "a-1"}]
    assert desk.sump("gannet")["volume_l"] == 321.0
    assert desk.recipe("gannet") == RECIPE
    assert desk.recipe("heron") is None
    desk.log({"sump": "gannet", "kind": "check", "value": 8.1})
    desk.acknowledge("a-1", "Ada")
    assert [path for path, _ in Handler.posted] == ["/api/entries", "/api/alerts/a-1/acknowledge"]
    assert Handler.posted[0][1] == {"sump": "gannet", "kind": "check", "value": 8.1}


def test_a_refused_entry_is_not_swallowed(desk: HttpDesk) -> None:
    with pytest.raises(RuntimeError, match=r"/api/entries: 422 .*kind: what\?"):
        desk.log({"kind": "nonsense"})


def test_the_display_shows_what_is_retained_and_forgets_what_is_taken_back() -> None:
    with EmbeddedBroker() as broker:
        publisher = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        publisher.connect("127.0.0.1", broker.port)
        publisher.loop_start()
        topic = "bandkeeper/gull-stairs/sump/gannet/recipe"
        publisher.publish(topic, json.dumps(RECIPE), qos=1, retain=True).wait_for_publish(10.0)
        display = MqttDesk(broker.port, "gull-stairs")
        try:
            wait_for(display, RECIPE)
            publisher.publish(topic, b"", qos=1, retain=True).wait_for_publish(10.0)
            wait_for(display, None)
        finally:
            display.close()
            publisher.disconnect()
            publisher.loop_stop()


def wait_for(display: MqttDesk, wanted: object) -> None:
    until = time.monotonic() + 30.0
    while display.recipe("gannet") != wanted:
        assert time.monotonic() < until, display.recipe("gannet")
        time.sleep(0.01)


def test_a_free_port_is_free() -> None:
    assert 1024 <= free_port() <= 65535
