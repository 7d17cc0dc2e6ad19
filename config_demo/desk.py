"""How the people of the invented works learn what to do: as any other machine or phone would.

Either over HTTP from the status API, or from the retained MQTT topics of a display at the hall's door. Nothing here
reaches into the daemon.
"""

from __future__ import annotations

import json
import threading
import urllib.error
import urllib.request
from collections.abc import Mapping
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

_PATIENCE_S = 30.0


class HttpDesk:
    """The status API at `http://host:port`, asked with plain HTTP."""

    def __init__(self, port: int, *, host: str = "127.0.0.1") -> None:
        self.address = f"http://{host}:{port}"

    def sump(self, sump: str) -> dict[str, Any]:
        """Return all that the API says of a sump."""
        return dict(self._call(f"/api/sumps/{sump}") or {})

    def alerts(self) -> list[dict[str, Any]]:
        """Return all alerts that the API lists."""
        return list((self._call("/api/alerts") or {}).get("alerts", []))

    def recipe(self, sump: str) -> dict[str, Any] | None:
        """Return the recipe of a sump, if it has one."""
        found = self._call(f"/api/sumps/{sump}/recipe")
        return found if found and found.get("steps") is not None else None

    def log(self, entry: Mapping[str, Any]) -> None:
        """Write a line into the log book."""
        self._call("/api/entries", entry)

    def acknowledge(self, alert_id: str, who: str) -> None:
        """Say that somebody has seen to an alert."""
        self._call(f"/api/alerts/{alert_id}/acknowledge", {"who": who})

    def _call(self, path: str, body: Mapping[str, Any] | None = None) -> Any:
        """Call an address; None where the API has nothing (404)."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.address + path, data, {"Content-Type": "application/json"})  # noqa: S310 - always http on loopback
        try:
            with urllib.request.urlopen(request, timeout=_PATIENCE_S) as answer:  # noqa: S310 - as above
                return json.loads(answer.read() or b"null")
        except urllib.error.HTTPError as error:
            with error:
                if error.code == 404:
                    return None
                raise RuntimeError(f"{path}: {error.code} {error.read().decode(errors='replace')}") from error


class MqttDesk:
    """The retained recipe topics of a plant, as a display at the hall's door keeps them."""

    def __init__(self, port: int, plant_id: str, *, host: str = "127.0.0.1") -> None:
        self._root = f"bandkeeper/{plant_id}/sump/"
        self._lock = threading.Lock()
        self._recipes: dict[str, dict[str, Any]] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="demo-display", protocol=mqtt.MQTTv311)
        self._client.on_connect = self._subscribe
        self._client.on_message = self._keep
        self._client.connect(host, port)
        self._client.loop_start()

    def recipe(self, sump: str) -> dict[str, Any] | None:
        """Return the recipe last published for a sump."""
        with self._lock:
            return self._recipes.get(sump)

    def close(self) -> None:
        """Say goodbye to the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _subscribe(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self._root}+/recipe", qos=1)

    def _keep(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        sump = message.topic.removeprefix(self._root).removesuffix("/recipe")
        recipe = json.loads(message.payload) if message.payload else None
        with self._lock:
            if recipe and recipe.get("steps") is not None:
                self._recipes[sump] = recipe
            else:
                self._recipes.pop(sump, None)
