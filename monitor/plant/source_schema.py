"""The [source.…] tables of brokers and of lines of text, and what every serial line has."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from monitor.plant.linear import PatternError, compile_linear
from monitor.plant.schema import Duration, FilePath, Flag, Port, TableModel, Text

GROUPS = ("value", "channel", "unit", "time", "status", "temperature")
PATTERN_EXAMPLE = r"(?P<channel>\w+)\s+(?P<value>[-+]?\d+\.?\d*)\s*(?P<unit>\S*)"


def _pattern(value: Any) -> str:
    """Accept a regular expression whose named groups the line parser knows."""
    if not isinstance(value, str):
        raise ValueError(f"{value} must be a regular expression in single quotes, such as '{PATTERN_EXAMPLE}'")  # noqa: TRY004
    try:
        groups = compile_linear(value).groupindex
    except PatternError as error:
        raise ValueError(f"is no regular expression ({error}): write for example '{PATTERN_EXAMPLE}'") from error
    if "value" not in groups:
        raise ValueError(f"has no group named value: write for example '{PATTERN_EXAMPLE}'")
    unknown = [name for name in groups if name not in GROUPS]
    if unknown:
        raise ValueError(f'has a group named "{unknown[0]}": only {", ".join(GROUPS)} have a meaning')
    return value


Pattern = Annotated[str, BeforeValidator(_pattern), WithJsonSchema({"type": "string", "format": "regex"})]
Baud = Annotated[int, Field(strict=True, ge=50, le=4_000_000)]


class MqttTable(TableModel):
    """A broker that readings come from."""

    kind: Literal["mqtt"]
    host: Text = Field(description="name or address of the broker", examples=["127.0.0.1"])
    port: Port | None = Field(None, description="1883, or 8883 with TLS, if left out")
    payload: Literal["json", "number", "senml", "iolink"] = Field("json", description="what a message holds")
    protocol: Literal["3.1.1", "5"] = Field("5", description="MQTT version")
    tls: Flag | None = Field(None, description="encrypt; on by itself with port 8883, ca_file or client_certificate")
    username: Text | None = Field(None, description="name to log in with")
    password_file: FilePath | None = Field(
        None, description="file with the password; the systemd credential SOURCE-password if left out"
    )
    ca_file: FilePath | None = Field(None, description="certificates to trust; the system's if left out")
    client_certificate: FilePath | None = Field(None, description="file with our certificate")
    client_key: FilePath | None = Field(None, description="file with the key of our certificate")
    client_id: Text | None = Field(None, description="made from plant and source if left out")
    keep_alive: Duration = Field(60.0, description="silence after which the connection is probed", examples=["60 s"])
    session_expiry: Duration = Field(
        7 * 86400.0, description="how long the broker keeps messages for us while we are away", examples=["7 d"]
    )
    allow_plain_password: Flag = Field(
        default=False, description="true: send the password unencrypted to another machine all the same"
    )


class LineTable(TableModel):
    """What every serial line has, of text or of registers."""

    parity: Literal["none", "even", "odd"] = Field("none", description="parity of the line")
    stop_bits: Literal[1, 2] = Field(1, description="stop bits of the line")


class SerialTable(LineTable):
    """An instrument that writes lines of text."""

    kind: Literal["serial"]
    port: Text = Field(description="device of the line", examples=["/dev/ttyUSB0"])
    baud: Baud = Field(9600, description="bits a second")
    data_bits: Literal[7, 8] = Field(8, description="data bits of the line")
    payload: Literal["line"] = Field("line", description="what comes: lines of text")
    pattern: Pattern = Field(
        description="regular expression for a line, with the named groups value and, where the line has them, channel, "
        "unit, time, status, temperature",
        examples=[PATTERN_EXAMPLE],
    )
    decimal: Literal[".", ","] = Field(".", description="sign before the decimals")
    channel: Text | None = Field(None, description="channel of every line, if the pattern has no group for it")
