"""Where the bytes come from: gateways that publish to the broker, and instruments on pseudo-terminals.

Both only send what a gauge said, with the gauge's own time in simulated seconds; everything after that is the work of
the real adapters. `sent` counts what has left for the daemon.
"""

from __future__ import annotations

import json
import os
import select
import tty
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from config_demo.instruments import Said
from monitor.plant.reading import Signal

_UNIT_ON_THE_LINE = {Signal.LEVEL: "mm", Signal.REFRACTOMETER: "Bx", Signal.RUNNING: "run"}


class Feed(Protocol):
    """Something that carries what gauges said to the daemon's door."""

    def send(self, said: Iterable[Said]) -> None:
        """Send these, in order."""

    def close(self) -> None:
        """Stop sending."""


def stamp(time_s: float) -> str:
    """Write a time as gateways do: `2031-03-05T06:00:00Z`."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class MqttFeed:
    """The gateways of one hall on a broker: JSON with time and value, QoS 1."""

    def __init__(self, port: int, *, host: str = "127.0.0.1") -> None:
        self.sent = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="demo-gateways", protocol=mqtt.MQTTv311)
        self._client.connect(host, port)
        self._client.loop_start()

    def send(self, said: Iterable[Said]) -> None:
        """Publish each on its gauge's topic."""
        for one in said:
            payload = json.dumps({"t": stamp(one.time_s), "v": one.value})
            self._client.publish(one.gauge.address, payload, qos=1)
            self.sent += 1

    def close(self) -> None:
        """Say goodbye to the broker."""
        self._client.disconnect()
        self._client.loop_stop()


class LineFeed:
    """Instruments on one serial line, here a pseudo-terminal whose far end is linked at `port`.

    A line reads `2031-03-05T06:00:00Z teal-level 251,4 mm` and ends with CR LF; the decimal comma is the instrument's.
    Before the first line comes an empty one, so that whoever has just opened the port knows where a line begins.
    """

    def __init__(self, port: Path) -> None:
        self.sent = 0
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        port.symlink_to(os.ttyname(self._theirs))

    def send(self, said: Iterable[Said]) -> None:
        """Write each as a line."""
        if self.sent == 0:
            self._write(b"\r\n")
        for one in said:
            self._write(f"{stamp(one.time_s)} {one.gauge.address} {line_value(one)}\r\n".encode("ascii"))
            self.sent += 1

    def close(self) -> None:
        """Pull the plug."""
        os.close(self._ours)
        os.close(self._theirs)

    def _write(self, line: bytes) -> None:
        while line:
            _, ready, _ = select.select([], [self._ours], [], 1.0)
            if not ready:
                raise TimeoutError("nobody reads the serial line of the demo")
            line = line[os.write(self._ours, line) :]


def line_value(said: Said) -> str:
    """Write value and unit as the instrument does, with a decimal comma."""
    return f"{said.value}".replace(".", ",") + f" {_UNIT_ON_THE_LINE[said.gauge.signal]}"
