"""The tables of a plant file that say who is told what: channels, people, groups, on-call turns, routes, closures."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from monitor.plant.schema import Duration, FilePath, Flag, Port, SpanTable, TableModel, Text


def _day(value: Any) -> int:
    """Read a date, with or without quotes, as a day's ordinal."""
    try:
        if isinstance(value, str):
            return date.fromisoformat(value).toordinal()
        if isinstance(value, date) and not isinstance(value, datetime):
            return value.toordinal()
    except ValueError as error:
        raise ValueError(f'"{value}" is no day of the calendar: write one such as 2031-12-24') from error
    raise ValueError(f"{value} must be a day, such as 2031-12-24")


Day = Annotated[int, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
Priority = Literal["high", "medium", "low"]
Names = Annotated[list[Text], Field(strict=True, min_length=1)]


class MailTable(TableModel):
    """A mail server that takes our letters."""

    kind: Literal["mail"]
    host: Text = Field(description="name or address of the mail server", examples=["mail.example.org"])
    port: Port | None = Field(None, description="587 with starttls, 465 with tls, 25 with plain, if left out")
    security: Literal["starttls", "tls", "plain"] = Field(
        "starttls", description="how the connection is encrypted; plain: not at all"
    )
    sender: Text = Field(description="address the letters come from", examples=["bandkeeper@example.org"])
    username: Text | None = Field(None, description="name to log in with")
    password_file: FilePath | None = Field(
        None, description="file with the password; the systemd credential CHANNEL-password if left out"
    )
    allow_plain_password: Flag = Field(
        default=False, description="true: log in unencrypted on another machine all the same"
    )
    ca_file: FilePath | None = Field(None, description="certificates to trust; the system's if left out")
    form: Literal["full", "short"] = Field("full", description="short: 160 characters, for a gateway to phones")
    timeout: Duration = Field(20.0, description="how long the server may take", examples=["20 s"])


class WebhookTable(TableModel):
    """A web address that takes our events."""

    kind: Literal["webhook"]
    url: Text = Field(description="where events are posted", examples=["https://desk.example.org/bandkeeper"])
    secret_file: FilePath | None = Field(
        None,
        description="file with the key that signs; the systemd credential CHANNEL-secret if left out, else unsigned",
    )
    allow_plain: Flag = Field(default=False, description="true: http without TLS to another machine all the same")
    ca_file: FilePath | None = Field(None, description="certificates to trust; the system's if left out")
    proxy: Text | None = Field(
        None,
        description="proxy to go through; none if left out, whatever the environment says",
        examples=["http://proxy.example.org:3128"],
    )
    form: Literal["full", "short"] = Field(
        "full", description="full: CloudEvents 1.0; short: a text of 160 characters and whom it is for"
    )
    timeout: Duration = Field(10.0, description="how long the receiver may take", examples=["10 s"])


ChannelTable = MailTable | WebhookTable
CHANNEL_TABLES: dict[str, type[TableModel]] = {"mail": MailTable, "webhook": WebhookTable}


class ReachTable(TableModel):
    """One way to reach a person; the first is used, the next when it is dead."""

    channel: Text = Field(description="name of a [channel.…] table", examples=["post"])
    to: Text | None = Field(
        None, description="address there: a mail address, a phone number", examples=["a@example.org"]
    )


class PersonTable(TableModel):
    """Somebody, or a program, that is told."""

    nested = frozenset({"reach", "there", "quiet"})
    name: Text = Field(description="the name in messages", examples=["Ana"])
    reach: list[ReachTable] = Field(description="how to reach them, the best way first")
    there: list[SpanTable] | None = Field(
        None, description="when they are there; at any time if left out, and at any time while on call"
    )
    quiet: list[SpanTable] | None = Field(None, description="when they are left in peace; never if left out")
    quiet_lets_through: list[Priority] = Field(
        ["high"], strict=True, description="priorities that get through in quiet hours; the others wait for their end"
    )


class GroupTable(TableModel):
    """Several people."""

    people: Names = Field(description="names of [person.…] tables", examples=[["ana", "ben"]])


class OnCallTable(TableModel):
    """People who take turns; hand-over is at midnight, the plant's time."""

    people: Names = Field(
        description="names of [person.…] tables, in the order of their turns", examples=[["ana", "ben"]]
    )
    from_: Day = Field(alias="from", description="first day of the first turn", examples=["2031-03-03"])
    turn: Duration = Field(7 * 86400.0, description="length of a turn in whole days", examples=["7 d"])


class RouteTable(TableModel):
    """Which alerts go to whom."""

    to: Names = Field(description="people, groups and on-call rotas", examples=[["maintenance"]])
    priorities: list[Priority] = Field(
        ["high", "medium", "low"], strict=True, min_length=1, description="priorities that take this route"
    )
    areas: list[Text] | None = Field(None, strict=True, description="areas of sumps; all if left out")
    kinds: list[Text] | None = Field(None, strict=True, description="kinds of alerts; all if left out")
    when: Literal["always", "attended", "unattended"] = Field("always", description="by the plant's attended hours")
    every_change: Flag = Field(default=False, description="true: acknowledged, cleared and the like too, for programs")
    escalate_after: Duration | None = Field(None, description="tell others if nobody acknowledged by then")
    escalate_to: list[Text] | None = Field(None, strict=True, description="whom to tell then")
    remind_every: Duration | None = Field(None, description="say it again until somebody acknowledges")
    reminders: Annotated[int, Field(strict=True, ge=1, le=100)] = Field(6, description="how often at most")


class ReportsTable(TableModel):
    """The regular messages."""

    to: Names | None = Field(None, description="who gets the hand-over and the morning report; nobody if left out")
    hand_over: Duration | None = Field(3600.0, description="how long before the attended window ends", examples=["1 h"])
    morning: Flag = Field(default=True, description="tell when the attended window begins what happened since the last")
    monthly: Flag = Field(
        default=True, description="tell in the first days of a month how good the alerts of the month before were"
    )
    all_is_well: Duration | None = Field(None, description="say so every so often; never if left out", examples=["1 d"])
    all_is_well_to: Names | None = Field(None, description="whom; those of `to` if left out")
    accept_gaps: Flag = Field(
        default=False, description="true: it is meant that in some hours a high alert reaches nobody at once"
    )


Chance = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.05, le=0.95)]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=0.5)]


class AlertsTable(TableModel):
    """When something becomes a call, and when it is over."""

    lead: Duration = Field(
        4 * 3600.0,
        description="how long before the attended window ends foreseen exits call; earlier the same people see them",
        examples=["4 h"],
    )
    chance_attended: Chance = Field(
        0.4, description="how likely a sump goes rich or lean before somebody is back, to call while somebody is there"
    )
    chance_unattended: Chance = Field(0.5, description="the same to call while nobody is there")
    low_attended: Chance = Field(
        0.2, description="how likely it falls below its lowest level, to call while somebody is there"
    )
    low_unattended: Chance = Field(0.3, description="the same to call while nobody is there")
    hand_over_chance: Chance = Field(0.1, description="how likely it leaves its band, to stand on the hand-over list")
    sure: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0.5, lt=1)] = Field(
        0.75, description="how sure it has to be that a sump is outside its band; it is over at the opposite chance"
    )
    dead_band: Share = Field(
        0.05, description="and only inside by this share of the band's width, of a limit this share of the limit"
    )
    dead_level: Share = Field(0.02, description="above the lowest level by this share of full")
    off_delay: Duration = Field(
        1800.0, description="how long a condition must be away before its alert clears", examples=["30 min"]
    )
    hold: Duration = Field(
        6 * 3600.0, description="the same for an alert that came three times within a day", examples=["6 h"]
    )


class ClosedTable(TableModel):
    """Days on which the plant is closed, or some machines are shut down."""

    from_: Day = Field(alias="from", description="first day", examples=["2031-12-24"])
    to: Day | None = Field(None, description="last day; the first alone if left out", examples=["2032-01-01"])
    name: Text = Field("closed", description="what people call it")
    sumps: list[Text] | None = Field(
        None, strict=True, min_length=1, description="only these machines stand still; the whole plant if left out"
    )
