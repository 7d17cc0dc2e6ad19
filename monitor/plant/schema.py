"""The tables of a plant file as pydantic models: which keys, of which kind, with which default, in whose words.

The same models give the JSON Schema for editors. Cross checks between keys and tables are in `build.py`.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema

from monitor.plant.errors import QuantityError
from monitor.plant.faults import listed, near, shown
from monitor.plant.plain import is_plain
from monitor.plant.quantity import example, parse_quantity

IDENTIFIER = re.compile(r"[a-z0-9][a-z0-9-]{0,62}")
SHORTEST_PERIOD_S, LONGEST_PERIOD_S = 0.01, 366 * 86400.0
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SHAPES = ("box", "vertical-cylinder", "horizontal-cylinder", "cone")
_CLOCK = re.compile(r"([01]\d|2[0-4]):([0-5]\d)")


def _quantity(*dimensions: str, zero: bool = False, negative: bool = False) -> Callable[[Any], float]:
    """Build a validator for a text with number and unit; more than 0 unless `zero` or `negative` are allowed too."""

    def read(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError(f"{shown(value)} must be a text with number and unit, such as {_quoted(*dimensions)}")  # noqa: TRY004
        try:
            number = parse_quantity(value, *dimensions)
        except QuantityError as error:
            raise ValueError(str(error)) from error
        if not (number > 0 or negative or (zero and number == 0)):
            raise ValueError(
                f'"{value}" must be {"0 or more" if zero else "more than 0"}, such as {_quoted(*dimensions)}'
            )
        return number

    return read


def _quoted(*dimensions: str) -> str:
    return " or ".join(f'"{part}"' for part in example(*dimensions).split(" or "))


def _text_schema(*dimensions: str) -> WithJsonSchema:
    examples = example(*dimensions).split(" or ")
    return WithJsonSchema({"type": "string", "pattern": r"^\s*[+-]?[\d.]", "examples": examples})


def _clock(value: Any) -> int:
    """Read a time of day as minutes after midnight; 24:00 is 1440."""
    match = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    if match is None or (match[1] == "24" and match[2] != "00"):
        raise ValueError(f'{shown(value)} must be a time of day in quotes, "00:00" to "24:00", such as "06:00"')
    return int(match[1]) * 60 + int(match[2])


def _zone(value: Any) -> str:
    """Accept an IANA time zone that this machine knows."""
    try:
        return zoneinfo.ZoneInfo(value).key
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, TypeError, OSError) as error:
        hint = near_zone(value) if isinstance(value, str) else ""
        raise ValueError(
            f'{shown(value)} is no IANA time zone: {hint}use one such as "Europe/Lisbon" or "America/Chicago"'
        ) from error


def near_zone(wrong: str) -> str:
    """Suggest a zone by its whole name or its city."""
    zones = zoneinfo.available_timezones()
    whole = {zone.lower(): zone for zone in sorted(zones)}
    city = {zone.rsplit("/", 1)[-1].lower(): zone for zone in sorted(zones)}
    for names, key in ((whole, wrong.lower()), (city, wrong.rsplit("/", 1)[-1].lower().replace(" ", "_"))):
        hint = re.search('"(.*)"', near(key, names))
        if hint:
            return f'did you mean "{names[hint[1]]}"? '
    return ""


def identifier(value: Any) -> str:
    """Accept an identifier of the contract: lower case letters, digits and hyphens."""
    if not isinstance(value, str) or not IDENTIFIER.fullmatch(value):
        raise ValueError(
            f'"{value}" is no identifier: use small letters, digits and hyphens, at most 63, such as "lathe-04"'
        )
    return value


def _plain(value: str) -> str:
    if not is_plain(value):
        raise ValueError("holds a line break or another control character: write it on one line")
    return value


Text = Annotated[
    str, StringConstraints(strict=True, strip_whitespace=True, min_length=1, max_length=500), AfterValidator(_plain)
]
Identifier = Annotated[
    str, BeforeValidator(identifier), WithJsonSchema({"type": "string", "pattern": f"^{IDENTIFIER.pattern}$"})
]
Zone = Annotated[str, BeforeValidator(_zone), WithJsonSchema({"type": "string", "examples": ["Europe/Lisbon"]})]
Clock = Annotated[
    int, BeforeValidator(_clock), WithJsonSchema({"type": "string", "pattern": r"^(([01]\d|2[0-3]):[0-5]\d|24:00)$"})
]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
Port = Annotated[int, Field(strict=True, ge=1, le=65535)]
Flag = Annotated[bool, Field(strict=True)]
Height = Annotated[float, BeforeValidator(_quantity("length", negative=True)), _text_schema("length")]
Size = Annotated[float, BeforeValidator(_quantity("length")), _text_schema("length")]
Volume = Annotated[float, BeforeValidator(_quantity("volume")), _text_schema("volume")]
TableVolume = Annotated[float, BeforeValidator(_quantity("volume", negative=True)), _text_schema("volume")]
PerHeightQuantity = Annotated[float, BeforeValidator(_quantity("volume_per_height")), _text_schema("volume_per_height")]
Area = Annotated[float, BeforeValidator(_quantity("area")), _text_schema("area")]
Hardness = Annotated[float, BeforeValidator(_quantity("hardness", zero=True)), _text_schema("hardness")]
Conductivity = Annotated[float, BeforeValidator(_quantity("conductivity", zero=True)), _text_schema("conductivity")]


def _period(value: Any) -> float:
    """Read the spacing of a signal: no device tells oftener, or more seldom, than that."""
    period_s = _quantity("time")(value)
    if not SHORTEST_PERIOD_S <= period_s <= LONGEST_PERIOD_S:
        raise ValueError(f'"{value}" must be 0.01 s to 366 d, such as "5 min"')
    return period_s


Period = Annotated[float, BeforeValidator(_period), _text_schema("time")]
Duration = Annotated[float, BeforeValidator(_quantity("time")), _text_schema("time")]


class TableModel(BaseModel):
    """Base of all tables. `nested` names keys that hold tables of their own, read one by one."""

    model_config = ConfigDict(extra="forbid", defer_build=True)
    nested: ClassVar[frozenset[str]] = frozenset()


class SpanTable(TableModel):
    """A span of the week in wall-clock time."""

    days: list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] = Field(
        strict=True, min_length=1, max_length=7, description="days on which the span starts", examples=[list(DAYS[:5])]
    )
    from_: Clock = Field(alias="from", description="time of day at which the span starts", examples=["06:00"])
    to: Clock = Field(
        description="time of day at which it ends; earlier than `from` means the next day", examples=["22:00"]
    )


class PlantTable(TableModel):
    """The plant as a whole."""

    nested = frozenset({"attended"})
    name: Text = Field(description="the plant's name as people say it", examples=["Ferry Lane works"])
    id: Identifier | None = Field(None, description="short name in topics and files; made from the name if left out")
    zone: Zone = Field(description="the plant's IANA time zone", examples=["Europe/Lisbon"])
    units: Literal["metric", "us"] = Field("metric", description="units that people see")
    database: Text = Field("bandkeeper.db", description="file of the record, relative to the plant file")
    bucket: Volume | None = Field(
        None, description="what a bucket or can holds, for recipes; 20 L, or 5 US gal with US units, if left out"
    )
    attended: list[SpanTable] | None = Field(
        None, description="when somebody is there to act; Monday to Friday 06:00 to 22:00 if left out"
    )


class FluidTable(TableModel):
    """A fluid product, by its data sheet."""

    refractometer_factor: Number = Field(
        ge=0.01, le=100, description="percent per degree Brix, from the supplier", examples=[1.5]
    )
    band: tuple[Percent, Percent] = Field(
        strict=False, description="lowest and highest strength in percent", examples=[[6.0, 10.0]]
    )
    target: Percent | None = Field(None, description="strength to aim at in percent; middle of the band if left out")
    leanest_make_up: Percent | None = Field(
        None, description="leanest mix to fill with in percent, never 0; 1 if left out", examples=[1.0]
    )
    richest_make_up: Percent | None = Field(
        None, description="richest mix to fill with in percent; 15 if left out", examples=[15.0]
    )
    hardness_limit: Hardness | None = Field(None, description="greatest hardness in the sump, as CaCO3")
    conductivity_limit: Conductivity | None = Field(None, description="greatest conductivity in the sump, at 25 degC")
    lowest_ph: Number | None = Field(
        None, gt=0, lt=14, description="pH below which the fluid counts as fouled; 8.5 if left out", examples=[8.5]
    )
    check_every: Duration | None = Field(
        None, description="a sump checked less often lends no set-aside fluid; 8 d (weekly, and a day) if left out"
    )
    shelf_life: Duration | None = Field(
        None, description="how long set-aside fluid may stand; 14 d if left out, the data sheet decides"
    )


class WaterTable(TableModel):
    """A water at hand for mixing."""

    hardness: Hardness = Field(description="hardness as CaCO3", examples=["180 ppm"])
    conductivity: Conductivity | None = Field(None, description="conductivity at 25 degC", examples=["400 uS/cm"])


class StationTable(TableModel):
    """The mixing station."""

    batch: Volume | None = Field(None, description="what it makes at once; no limit if left out", examples=["200 L"])
    smallest_batch: Volume | None = Field(
        None, description="less than this is mixed by hand; a bucket if left out", examples=["40 L"]
    )
    cart: Volume | None = Field(None, description="what its cart brings at once; a bucket if left out")
    mix_step: Number | None = Field(
        None, gt=0, le=5, description="steps of its setting in percent; 0.1 if left out", examples=[0.1]
    )
    leanest: Percent | None = Field(None, description="leanest mix it can make; only the fluid limits it if left out")
    richest: Percent | None = Field(None, description="richest mix it can make; only the fluid limits it if left out")


class DutyTable(TableModel):
    """When machines are expected to run."""

    nested = frozenset({"spans"})
    expected: Number = Field(
        0.9, gt=0, le=1, description="share of the spans that the machine really runs, a first guess", examples=[0.88]
    )
    spans: list[SpanTable] = Field(description="when the machine is expected to run")


class PerHeightTable(TableModel):
    """Upright walls: so much volume for each millimetre or inch."""

    per_height: PerHeightQuantity = Field(description="volume for each unit of height", examples=["1.25 L/mm"])


class StrappingTable(TableModel):
    """Measured pairs of level and volume."""

    nested = frozenset({"table"})

    table: list[tuple[Height, TableVolume]] = Field(
        min_length=2,
        description="pairs of level and volume, both rising",
        examples=[[["0 mm", "0 L"], ["80 mm", "60 L"]]],
    )


class StrappingRow(TableModel):
    """One pair of a strapping table, as a table of its own: to check row by row."""

    row: tuple[Height, TableVolume] = Field(description="level and volume", examples=[["80 mm", "60 L"]])


class BoxTable(TableModel):
    """A rectangular tank."""

    shape: Literal["box"]
    length: Size = Field(description="inner length", examples=["1200 mm"])
    width: Size = Field(description="inner width", examples=["600 mm"])


class VerticalCylinderTable(TableModel):
    """An upright cylinder."""

    shape: Literal["vertical-cylinder"]
    diameter: Size = Field(description="inner diameter", examples=["900 mm"])


class HorizontalCylinderTable(TableModel):
    """A lying cylinder."""

    shape: Literal["horizontal-cylinder"]
    diameter: Size = Field(description="inner diameter", examples=["900 mm"])
    length: Size = Field(description="length of the straight part", examples=["1500 mm"])
    ends: Literal["flat", "dished", "elliptical", "hemispherical"] = Field("flat", description="shape of both ends")


class ConeTable(TableModel):
    """A cone standing on its apex."""

    shape: Literal["cone"]
    diameter: Size = Field(description="inner diameter at the top", examples=["900 mm"])
    height: Size = Field(description="height from apex to top", examples=["700 mm"])


VolumeTable = PerHeightTable | StrappingTable | BoxTable | VerticalCylinderTable | HorizontalCylinderTable | ConeTable
SHAPE_TABLES: dict[str, type[TableModel]] = dict(
    zip(SHAPES, (BoxTable, VerticalCylinderTable, HorizontalCylinderTable, ConeTable), strict=True)
)


class CurrentTable(TableModel):
    """What a transmitter's 4-20 mA loop means."""

    at_4_ma: Text = Field(description="value at 4 mA, with its unit", examples=["0 mm"])
    at_20_ma: Text = Field(description="value at 20 mA, with its unit", examples=["600 mm"])
    counts_at_4_ma: Number | None = Field(
        None, description="what the input card says at 4 mA; milliamperes if left out", examples=[6400]
    )
    counts_at_20_ma: Number | None = Field(None, description="what it says at 20 mA", examples=[32000])


class SignalTable(TableModel):
    """Where one signal of a sump comes from."""

    nested = frozenset({"current"})
    source: Text = Field(description="name of a [source.…] table", examples=["hall-mqtt"])
    address: Text = Field(
        description="MQTT topic, serial channel name, Modbus unit/register or SUMP/SIGNAL of a drop folder",
        examples=["hall-1/lathe-04/level"],
    )
    unit: Text | None = Field(None, description='unit the device sends; may be left out where it can only be "1"')
    period: Period = Field(
        description="expected spacing; silence is judged by it, registers are read by it", examples=["5 min"]
    )
    scale: Number = Field(1.0, description="value = what the device says * scale + offset", examples=[0.1])
    offset: Number = Field(0.0, description="see scale; in the signal's unit", examples=[-20.0])
    current: CurrentTable | None = Field(
        None,
        description="the device tells a 4-20 mA loop, and this is its range",
        examples=[{"at_4_ma": "0 mm", "at_20_ma": "600 mm"}],
    )


class SignalsTable(TableModel):
    """The signals a sump has."""

    level: SignalTable | None = None
    refractometer: SignalTable | None = None
    running: SignalTable | None = None
    coolant_temperature: SignalTable | None = None
    ph: SignalTable | None = None
    conductivity: SignalTable | None = None
    make_up_meter: SignalTable | None = None


class SumpTable(TableModel):
    """One machine sump."""

    nested = frozenset({"volume", "signal"})
    fluid: Text = Field(description="name of a [fluid.…] table", examples=["semi-synthetic"])
    area: Text | None = Field(None, description="where the machine stands, for the order of a walk")
    full: Volume = Field(description="volume when full, at rest, all drained back", examples=["400 L"])
    lowest: Volume = Field(description="volume below which the pump may draw air", examples=["200 L"])
    volume: VolumeTable = Field(
        description="from level to volume",
        examples=[{"per_height": "1.25 L/mm"}, {"shape": "box", "length": "1.2 m", "width": "600 mm"}],
    )
    hold_up: Annotated[float, BeforeValidator(_quantity("volume", zero=True)), _text_schema("volume")] | None = Field(
        None, description="fluid out of the sump while the machine runs"
    )
    duty: Text | None = Field(None, description="name of a [duty.…] table; learnt from the readings if left out")
    make_up_water: Text | None = Field(None, description="name of a [water.…] table")
    surface: Area | None = Field(None, description="open surface, for a first guess of evaporation")
    signal: SignalsTable | None = Field(None, description="signals; without any the sump lives off hand checks")


class PublishTable(TableModel):
    """Where results are published."""

    source: Text = Field(description="name of an MQTT source whose broker gets the topics", examples=["hall-mqtt"])


def _key_path(value: Any) -> Any:
    """Refuse the contents of a key where the path of a file belongs."""
    if isinstance(value, str) and ("-----BEGIN" in value or "\n" in value):
        raise ValueError("is the path of a file, not what stands in it: keep keys out of the plant file")
    return value


FilePath = Annotated[Text, BeforeValidator(_key_path)]


class StatusTable(TableModel):
    """The status page and API."""

    listen: Text = Field(
        "127.0.0.1:8480", description='address and port of the page and API, or "off"', examples=["127.0.0.1:8480"]
    )
    address: Text | None = Field(
        None, description="address at which phones reach the page", examples=["https://bandkeeper.example.org"]
    )
    certificate: FilePath | None = Field(None, description="certificate of the page (PEM), for https")
    certificate_key: FilePath | None = Field(None, description="its key (PEM)")
    tokens: Flag = Field(False, description="on loopback too everybody needs a token")


def known_keys(model: type[TableModel]) -> dict[str, str]:
    """Return the keys of a table as they are written, each with the name of its field."""
    return {field.alias or name: name for name, field in model.model_fields.items()}


def fields_said(model: type[TableModel]) -> str:
    """List the keys of a table for a message."""
    return listed(known_keys(model))
