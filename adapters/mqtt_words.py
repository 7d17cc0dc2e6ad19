"""What is wrong with a connection to a broker, and what people can do about it. Pure."""

from __future__ import annotations

import socket
import ssl

from paho.mqtt.reasoncodes import ReasonCode

from adapters.delivery import SourceState, Trouble
from adapters.mqtt_client import MqttSettings


def connect_trouble(settings: MqttSettings, error: Exception) -> Trouble:
    """Explain why no connection could be opened."""
    where = f"{settings.host}:{settings.port}"
    state = SourceState.WAITING
    match error:
        case ssl.SSLCertVerificationError():
            state = SourceState.REFUSED
            why = f"the certificate of {where} is not trusted ({error.verify_message})"
            remedy = "check ca_file, and that host is the name in the certificate"
        case ssl.SSLError():
            why, remedy = f"no TLS with {where} ({error.reason})", "check that the port speaks TLS"
        case socket.gaierror():
            why, remedy = f"the host name {settings.host} is not found", "check host and the network"
        case ConnectionRefusedError():
            why, remedy = f"no broker answers at {where}", "start the broker, or check host and port"
        case TimeoutError():
            why, remedy = f"{where} does not answer in time", "check the network and the firewall"
        case FileNotFoundError() | PermissionError() if error.filename:
            state = SourceState.REFUSED
            why, remedy = f"{error.filename} cannot be read ({error.strerror})", "put the file back"
        case _:
            why, remedy = f"no connection to {where} ({error})", "check host, port and certificates"
    return Trouble(state, why, remedy)


def refused_trouble(settings: MqttSettings, code: ReasonCode) -> Trouble:
    """Explain why the broker answered CONNECT with a refusal (MQTT 5.0 section 3.2.2.2)."""
    where = f"{settings.host}:{settings.port}"
    said = f"the broker at {where} refuses: {str(code).lower()}"
    match code.value:
        case 134 | 135 if settings.username is None:
            return Trouble(SourceState.REFUSED, said, "give username and password_file in the plant file")
        case 134 | 135:
            return Trouble(SourceState.REFUSED, said, f"check username {settings.username} and its password")
        case 132:
            other = "3.1.1" if settings.version_5 else "5"
            return Trouble(SourceState.REFUSED, said, f'set protocol = "{other}" for this source')
        case 133:
            return Trouble(SourceState.REFUSED, said, "set another client_id for this source")
        case 136 | 137:
            return Trouble(SourceState.WAITING, said, "it is tried again by itself")
        case _:
            return Trouble(SourceState.REFUSED, said, "look into the broker's log")


def lost_trouble(settings: MqttSettings, code: ReasonCode | None) -> Trouble:
    """Explain why a connection ended, by the broker's reason code where it sent one (MQTT 5.0 section 3.14.2.1)."""
    where = f"{settings.host}:{settings.port}"
    if code is not None and code.value == 142:
        said = f"another client with the id {settings.client_id} took over the session at {where}"
        return Trouble(SourceState.REFUSED, said, "run one daemon a plant, or set another client_id")
    if code is not None and code.value >= 0x80 and str(code) != "Unspecified error":
        said = f"the broker at {where} ended the connection: {str(code).lower()}"
        return Trouble(SourceState.WAITING, said, "look into the broker's log")
    return Trouble(SourceState.WAITING, f"the connection to {where} was lost", "it is tried again by itself")


def hasty_trouble(settings: MqttSettings) -> Trouble:
    """Explain a connection that the broker ends each time soon after accepting it."""
    where = f"{settings.host}:{settings.port}"
    remedy = f"look into the broker's log; perhaps a second daemon runs with the client id {settings.client_id}"
    return Trouble(SourceState.WAITING, f"{where} ends each connection soon after accepting it", remedy)


def silent_trouble(settings: MqttSettings) -> Trouble:
    """Explain a connection that ended, or stayed mute, before the broker answered CONNECT."""
    where = f"{settings.host}:{settings.port}"
    remedy = "check that a broker listens there and whether it wants TLS"
    if settings.uses_tls:
        remedy = "check that a broker listens there and whether it wants a client certificate"
    return Trouble(SourceState.WAITING, f"{where} is open but does not answer as a broker", remedy)
