"""What takes mutants in, and a second opinion, written apart from the product, on what was taken as good.

The product may refuse what the second opinion would read; it may never take as a good reading what the second opinion
does not read as that very number, at that very time.
"""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any, Final, NamedTuple

import minimalmodbus
from pymodbus.framer import FramerBase, FramerRTU
from pymodbus.pdu import DecodePDU

from adapters.bus_wire import Garbled, Late, Master, Mute, Refused
from adapters.dispensed import DispensedIntake
from adapters.intake import Batch, Intake, Piece
from adapters.line_reader import LineReader
from adapters.lines import Framing, LinePattern, frame, unfinished
from adapters.payloads import PAYLOADS
from adapters.register_values import sample_of
from adapters.routes import Route
from adapters.sample import PayloadError
from monitor.plant.reading import Quality, Reading, Signal
from monitor.plant.registers import RegisterAddress
from monitor.record.csv_readings import read_readings
from tests.fixtures.plants import plant, signal, sump

NOW_S: Final = 1_930_340_000.0
Seen = tuple[float, float]
"""A value in the signal's unit and a time in Unix seconds (NaN: the time of arrival)."""


class Form(NamedTuple):
    """A form of input: well-formed pieces, how the product takes one, and the values that may be taken from it."""

    seeds: Sequence[bytes]
    take: Callable[[bytes], Batch]
    may_say: Callable[[bytes], Iterable[Seen]]


class Verdict(NamedTuple):
    """How many good readings a piece gave, and what is wrong with that (empty: nothing)."""

    good: int
    wrong: str = ""


def judge(form: Form, raw: bytes) -> Verdict:
    """Let the product take a piece and compare with the second opinion."""
    try:
        batch = form.take(raw)
    except Exception as error:  # noqa: BLE001 - whatever comes out is what is looked for
        return Verdict(0, f"crashed: {error!r}")
    if any("own fault" in refused.why for refused in batch.rejected):
        return Verdict(0, f"own fault: {batch.rejected[0].why}")
    good = [reading for reading in batch.readings if reading.quality is Quality.GOOD and reading.value is not None]
    try:
        allowed = list(form.may_say(raw)) if good else []
    except Exception as error:  # noqa: BLE001 - a second opinion that cannot be had is told, the campaign goes on
        return Verdict(len(good), f"the second opinion failed: {error!r}")
    for reading in batch.readings:
        if reading.value is not None and not math.isfinite(reading.value):
            return Verdict(len(good), f"not finite: {reading}")
    wrong = [reading for reading in good if not any(_same(reading, seen) for seen in allowed)]
    said = f"taken as good: {wrong[0]}; the second opinion reads {allowed[:3]}" if wrong else ""
    return Verdict(len(good), said)


def _same(reading: Reading, seen: Seen) -> bool:
    value, time_s = seen
    when = reading.arrived_s if math.isnan(time_s) else time_s
    assert reading.value is not None
    return math.isclose(reading.value, value, rel_tol=1e-12, abs_tol=1e-12) and abs(reading.time_s - when) < 1e-4


def _over_mqtt(form: str, unit: str, selector: str = "") -> Callable[[bytes], Batch]:
    route = Route("a", signal(Signal.LEVEL, "hall", "a", unit), selector)
    intake = Intake("hall", {"a": (route,)}, PAYLOADS[form])

    def take(raw: bytes) -> Batch:
        batch = Batch()
        intake.take(batch, Piece("a", raw, NOW_S))
        return batch

    return take


def _loaded(raw: bytes) -> Any:
    try:
        return json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return None


def _time(raw: object) -> float | None:
    """Read a time as the standard library does; a leap second as the second after it."""
    if raw is None:
        return math.nan
    if isinstance(raw, bool):
        return None
    if isinstance(raw, int | float):
        return float(raw)
    leap = isinstance(raw, str) and re.search(r":\d\d:60", raw)
    try:
        text = re.sub(r"(:\d\d):60", r"\1:59", str(raw)).upper()
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when.timestamp() + bool(leap) if when.tzinfo is not None else None


def _plain(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


_IN_MM: Final[Mapping[object, float]] = {
    None: 1.0,
    "": 1.0,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "ft": 304.8,
}


def _json_says(raw: bytes) -> Iterable[Seen]:
    told = _loaded(raw)
    if not isinstance(told, dict) or not _plain(told.get("v")) or told.get("q", "good") not in {None, "good"}:
        return
    unit, time_s = told.get("u"), _time(told.get("t"))
    unit = unit.strip() if isinstance(unit, str) else unit
    if time_s is not None and unit in _IN_MM:
        yield told["v"] * _IN_MM[unit], time_s


def _number_says(raw: bytes) -> Iterable[Seen]:
    if re.fullmatch(rb"\s*[+-]?[\d.]+([eE][+-]?\d+)?\s*", raw):
        yield float(raw.decode("ascii")), math.nan


def _senml_says(raw: bytes) -> Iterable[Seen]:
    """Resolve a pack by RFC 8428, sections 4.1 to 4.6, into millimetres."""
    told = _loaded(raw)
    base: dict[str, Any] = {}
    for record in told if isinstance(told, list) else []:
        if not isinstance(record, dict) or any(str(key).endswith("_") for key in record):
            return
        base |= {key: record[key] for key in ("bt", "bu", "bv", "bs") if key in record}
        factor = {"m": 1000.0, "cm": 10.0, "mm": 1.0}.get(record.get("u", base.get("bu", "")), 1.0)
        offset = record.get("t", 0.0) + base.get("bt", 0.0)
        told_time = "t" in record or "bt" in base
        when = math.nan if not told_time else offset if offset >= 2**28 else NOW_S + offset
        if _plain(record.get("v")):
            yield (record["v"] + base.get("bv", 0.0)) * factor, when
        if _plain(record.get("s")):
            yield (record["s"] + base.get("bs", 0.0)) * factor, when


def _octets_say(raw: bytes) -> Iterable[Seen]:
    """Read bits 16 to 31 from the end, most significant octet first, as hexadecimal digits."""
    told = _loaded(raw)
    data = (told.get("iolink", told.get("ioLink")) or {}) if isinstance(told, dict) else {}
    value = data.get("value") if isinstance(data, dict) and data.get("valid") is True else None
    if isinstance(value, list) and len(value) >= 4 and all(_plain(one) for one in value):
        digits = "".join(f"{int(one):02x}" for one in value)
        yield int(digits[-8:-4], 16) * 0.1, math.nan


_LINE: Final = r"(?P<channel>\w+) (?P<value>\S+)(?: (?P<unit>mm|cm))?(?: (?P<status>\S+))?"


def _take_line(raw: bytes) -> Batch:
    batch = Batch()
    framing, lines = frame(Framing(), raw)
    for line in (*lines, *unfinished(framing)):
        _LINES.take(batch, line, NOW_S)
    return batch


def _lines_say(raw: bytes) -> Iterable[Seen]:
    for part in re.split(rb"[\r\n]", raw):
        found = re.fullmatch(r"L1 ([+-]?(?:\d+,?\d*|,\d+))(?: (mm|cm))?(?: (\S+))?", part.decode("latin-1").strip())
        if found:
            yield float(found.group(1).replace(",", ".")) * (10.0 if found.group(2) == "cm" else 1.0), math.nan


_HEAD: Final = b"time,sump,signal,value\n"


def _take_rows(raw: bytes) -> Batch:
    batch = Batch()
    with NamedTemporaryFile(suffix=".csv") as file:
        file.write(_HEAD + raw)
        file.flush()
        batch.readings += read_readings(Path(file.name), _SHOP, batch.rejected.append)
    return batch


def _rows_say(raw: bytes) -> Iterable[Seen]:
    for line in re.split(r"\r\n|\r|\n", raw.decode("utf-8", "backslashreplace")):
        try:
            cells = [cell.strip() for cell in next(csv.reader([line]), [])]
            value = float(cells[3]) if len(cells) == 4 and cells[1:3] == ["a", "level"] else math.nan
        except (ValueError, csv.Error):
            continue
        time_s = _time(cells[0]) if math.isfinite(value) and "_" not in cells[3] else None
        if time_s is not None:
            yield value, time_s


_SHOP: Final = plant([], sump("a", signal(Signal.LEVEL, "hall", "a", "mm")))
_LINES: Final = LineReader(
    "bench", {"L1": (Route("a", signal(Signal.LEVEL, "bench", "L1", "mm")),)}, LinePattern(_LINE, decimal=",")
)
_VALUES: Final = [b'{"valid":true,"value":[15,123,126,236]}', b'{"valid":false,"value":[0,0,126,236,1,2]}']


def _take_report(raw: bytes) -> Batch:
    """Take a report of the mixing station; its litres stand for the value of a reading."""
    batch, topic = Batch(), "bandkeeper/w/mixing/dispensed"
    intake = DispensedIntake("hall", topic, plant([], sump("a")).sumps)
    intake.take(batch, Piece(topic, raw, NOW_S))
    for entry in batch.entries:
        batch.readings.append(Reading("a", Signal.LEVEL, entry.volume_l, entry.time_s, NOW_S))
    return batch


def _reports_say(raw: bytes) -> Iterable[Seen]:
    told = _loaded(raw)
    if not isinstance(told, dict) or told.get("sump") != "a" or not _plain(told.get("mix_pct")):
        return
    time_s = _time(told.get("t"))
    if _plain(told.get("volume_l")) and 0 <= told["mix_pct"] <= 100 and time_s is not None:
        yield float(told["volume_l"]), NOW_S if math.isnan(time_s) else min(time_s, NOW_S)


class _Wire:
    """A Modbus line on which a piece comes as the answer."""

    def __init__(self, raw: bytes) -> None:
        self.framer: FramerBase = FramerRTU(DecodePDU(is_server=False))
        self._raw = raw

    def send(self, frame: bytes) -> None: ...

    def receive(self, wanted: int) -> bytes:  # noqa: ARG002 - all of it at once
        raw, self._raw = self._raw, b""
        return raw

    def settle(self) -> None: ...

    def close(self) -> None: ...


def _take_frame(raw: bytes) -> Batch:
    """Ask unit 3 for a level in the registers 107 and 108, a signed number of tenths of a millimetre."""
    batch, at = Batch(), RegisterAddress(3, "holding", 107, "int32", "CDAB")
    route = Route("a", replace(signal(Signal.LEVEL, "bus", "3/107", "mm"), scale=0.1))
    try:
        said = sample_of(Master(_Wire(raw), 0.0).read(3, "holding", 107, 2), at)
        batch.readings.append(route.reading(said, NOW_S))
    except (Mute, Late, Garbled, Refused, PayloadError) as error:
        batch.refuse("bus", Piece("3/107", raw, NOW_S), str(error) or "no answer")
    return batch


def _frames_say(raw: bytes) -> Iterable[Seen]:
    """Look for a whole answer anywhere, its check sum by another library."""
    for start in range(len(raw) - 8):
        body, check = raw[start : start + 7], raw[start + 7 : start + 9]
        if body[:3] == b"\x03\x03\x04" and minimalmodbus._calculate_crc(body) == check:
            words = body[5:7] + body[3:5]
            yield int.from_bytes(words, "big", signed=True) * 0.1, math.nan


def _frame(body: bytes) -> bytes:
    return body + bytes(minimalmodbus._calculate_crc(body))


FORMS: Final[Mapping[str, Form]] = {
    "dispensed": Form(
        [
            b'{"id": "7f3a", "sump": "a", "volume_l": 60, "mix_pct": 4.5, "t": "2031-03-03T21:30:00Z"}',
            b'{"id": 17, "sump": "a", "volume_l": 12.5, "mix_pct": 0, "t": 1930339800.25, "container": "can-7"}',
            b'{"id":"a.b:c","sump":"a","volume_l":2e1,"mix_pct":100}',
        ],
        _take_report,
        _reports_say,
    ),
    "json": Form(
        [
            b'{"t": "2031-03-03T21:30:00Z", "v": 251.4}',
            b'{"t": 1930339800.25, "v": 251, "u": "mm", "q": "good"}',
            b'{"v": -3.5e1, "u": "cm", "q": "doubtful", "t": "2031-03-03T23:30:00.125+02:00"}',
            b'{"v":0.2514,"u":"m"}',
            b' {"v" : 9.9E1,\n"t":1930339799}\t',
            b'{"v": null, "q": "bad", "note": {"a": [1, 2, {"v": 3}]}}',
        ],
        _over_mqtt("json", "mm"),
        _json_says,
    ),
    "number": Form([b"251.4", b" -12", b"+3.25e2\n", b".5"], _over_mqtt("number", "mm"), _number_says),
    "senml": Form(
        [
            b'[{"n":"a/level","u":"m","v":0.2514}]',
            b'[{"bn":"a/","bt":1.930339800e9,"bu":"mm","n":"level","v":251.4},{"n":"level","t":-60,"v":250}]',
            b'[{"bn":"a","bv":200,"v":51.4,"u":"mm","t":-5,"bver":10},{"s":12.5,"bs":1}]',
        ],
        _over_mqtt("senml", "mm"),
        _senml_says,
    ),
    "iolink": Form(
        [
            *(b'{"%s":%s}' % (name, value) for name in (b"iolink", b"ioLink") for value in _VALUES),
            b'{ "iolink" : { "valid":true , "value":[15, 123, 126, 236, 0] } }',
            b'{"iolink":{"valid":true,"value":[1,2,3,4,5,6]},"iqValue":true}',
        ],
        _over_mqtt("iolink", "mm", "bit=16&length=16&scale=0.1"),
        _octets_say,
    ),
    "csv": Form(
        [
            b"2031-03-03T21:30:00+00:00,a,level,251.4\n2031-03-03T21:35:00Z,a,level,251.2\n",
            b'2031-03-03T23:30:00.5+02:00,"a",level, 2.5e2\r\n2031-03-03T21:40:00Z,b,level,3\n',
        ],
        _take_rows,
        _rows_say,
    ),
    "modbus": Form(
        [
            _frame(b"\x03\x03\x04\x09\xd2\x00\x00"),
            _frame(b"\x04\x03\x04\x00\x01\x00\x00") + _frame(b"\x03\x03\x04\x00\x0a\x00\x00"),
            b"\x00" + _frame(b"\x03\x03\x04\xff\x00\xff\xff") + b"\x00\x00",
            _frame(b"\x03\x83\x02"),
        ],
        _take_frame,
        _frames_say,
    ),
    "line": Form([b"L1 251,4 mm ok\r\n", b"L1 12\n", b"R1 5,25 mm\r\nL1 3,5 cm good\r\n"], _take_line, _lines_say),
}
