"""The settings of an MQTT source, and the one function that makes a configured paho client from them."""

from __future__ import annotations

import os
import socket
import ssl
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Final, Self

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from adapters.options import Options
from monitor.plant.errors import SourceError
from monitor.plant.types import SourceSpec

PROTOCOLS: Final = {"3.1.1": MQTTProtocolVersion.MQTTv311, "5": MQTTProtocolVersion.MQTTv5}
RECEIVE_MAXIMUM: Final = 1000
"""So many messages the broker may send before the first is acknowledged (MQTT 5; brokers default to 20 for 3.1.1)."""
LARGEST_PACKET: Final = 1024 * 1024
"""Beyond this an MQTT 5 broker does not even send a message."""
PLAIN_PORT: Final = 1883
TLS_PORT: Final = 8883
_WEEK_S: Final = 7 * 86400
_CONNECT_TIMEOUT_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Will:
    """The message that the broker publishes (retained, QoS 1) when the client vanishes."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """A checked connection to a broker. TLS is on with `tls`, `ca_file`, a client certificate, or port 8883."""

    source: str
    host: str
    port: int
    protocol: str
    client_id: str
    username: str | None
    password_file: Path | None
    ca_file: Path | None
    client_certificate: Path | None
    client_key: Path | None
    keep_alive_s: int
    session_expiry_s: int
    uses_tls: bool

    @classmethod
    def of(cls, spec: SourceSpec, client_id: str, suffix: str = "") -> Self:
        """Check a source's options without connecting. Raises SourceError naming source, key and the remedy.

        `client_id` stands in where the plant file names none; `suffix` tells several clients of one source apart.
        """
        options = Options(spec)
        ca_file, certificate = options.file("ca_file"), options.file("client_certificate")
        tls = options.flag("tls")
        wants_tls = bool(ca_file or certificate) if tls is None else tls
        port = options.whole("port", TLS_PORT if wants_tls else PLAIN_PORT, 1, 65535)
        settings = cls(
            source=spec.id,
            host=options.text("host") or "127.0.0.1",
            port=port,
            protocol=options.one_of("protocol", "5", *PROTOCOLS),
            client_id=(options.text("client_id") or client_id) + suffix,
            username=options.text("username"),
            password_file=options.file("password_file") or _credential(spec.id),
            ca_file=ca_file,
            client_certificate=certificate,
            client_key=options.file("client_key"),
            keep_alive_s=options.whole("keep_alive", 60, 5, 65535),
            session_expiry_s=options.whole("session_expiry", _WEEK_S, 0, 2**32 - 1),
            uses_tls=port == TLS_PORT if tls is None and not wants_tls else wants_tls,
        )
        settings.check(allow_plain_password=bool(options.flag("allow_plain_password")))
        return settings

    @property
    def version_5(self) -> bool:
        """Say whether MQTT 5 is spoken."""
        return self.protocol == "5"

    def client(self, *, keep_session: bool, will: Will | None = None) -> Client:
        """Make a client, reading password and certificates afresh; it is not connected yet.

        With `keep_session` the broker keeps subscriptions and unacknowledged messages over a break.
        """
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            clean_session=None if self.version_5 else not keep_session,
            protocol=PROTOCOLS[self.protocol],
            manual_ack=keep_session,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_TIMEOUT_S
        if self.username is not None:
            client.username_pw_set(self.username, self._password())
        if self.uses_tls:
            client.tls_set_context(self._context())
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        return client

    def connect(self, client: Client, *, keep_session: bool) -> None:
        """Open the connection and send CONNECT (blocking, bounded). Raises OSError."""
        if not self.version_5:
            client.connect(self.host, self.port, keepalive=self.keep_alive_s)
            return
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = LARGEST_PACKET
        if keep_session:
            properties.SessionExpiryInterval = self.session_expiry_s
        client.connect(
            self.host, self.port, keepalive=self.keep_alive_s, clean_start=not keep_session, properties=properties
        )

    def _password(self) -> str | None:
        return None if self.password_file is None else self.password_file.read_text("utf-8").rstrip("\r\n")

    def _context(self) -> ssl.SSLContext:
        context = _TidyContext(ssl.PROTOCOL_TLS_CLIENT)
        if self.ca_file:
            context.load_verify_locations(self.ca_file)
        else:
            context.load_default_certs()
        if self.client_certificate:
            context.load_cert_chain(self.client_certificate, self.client_key)
        return context

    def check(self, *, allow_plain_password: bool = False) -> None:
        """Raise SourceError where the settings contradict each other or a file cannot be used."""
        if self.password_file and self.username is None:
            raise SourceError(f"source {self.source}: password_file without username: name the user too")
        if self.client_key and not self.client_certificate:
            raise SourceError(f"source {self.source}: client_key without client_certificate: name both files")
        if self.password_file and not (self.uses_tls or allow_plain_password or _loopback(self.host)):
            raise SourceError(
                f"source {self.source}: the password would cross the network unencrypted: "
                "set tls = true, or allow_plain_password = true if that is wanted"
            )
        try:
            self._password()
            if self.uses_tls:
                self._context()
        except (OSError, ValueError) as error:
            raise SourceError(
                f"source {self.source}: a file cannot be used ({error}): "
                "password_file is text, ca_file, client_certificate and client_key are PEM"
            ) from error


class _TidyContext(ssl.SSLContext):
    """Shakes hands at once and closes the socket if that fails: paho would leave it open."""

    def wrap_socket(self, sock: socket.socket, *arguments: Any, **options: Any) -> ssl.SSLSocket:
        """Wrap and shake hands within bounds."""
        secured = super().wrap_socket(sock, *arguments, **options)
        try:
            secured.settimeout(_CONNECT_TIMEOUT_S)
            secured.do_handshake()
        except BaseException:
            secured.close()
            raise
        return secured


def _credential(source: str) -> Path | None:
    """Find the systemd credential SOURCE-password, if the service was given one."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    path = Path(folder) / f"{source}-password" if folder else None
    return path if path and path.is_file() else None


def _loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
