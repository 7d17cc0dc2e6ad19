"""Payload forms against their published vectors.

Marks: [S] read in the source named beside it, [M] from memory of it, [D] computed here.
"""

from __future__ import annotations

import json

import pytest

from adapters.iolink import pick_iolink, read_iolink
from adapters.sample import PayloadError
from adapters.senml import pick_senml, read_senml, resolve
from adapters.timestamps import parse_rfc3339
from monitor.plant.reading import Quality

NOW_S = 1_930_000_000.0


# RFC 3339 section 5.8, the five examples [M]; Unix seconds by GNU date [D]. A leap second counts as the next second.
@pytest.mark.parametrize(
    ("text", "unix_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1990-12-31T23:59:60Z", 662688000.0),
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_rfc_3339_examples(text: str, unix_s: float) -> None:
    assert parse_rfc3339(text) == pytest.approx(unix_s, abs=1e-6)


def test_senml_single_record() -> None:
    """RFC 8428 section 5.1.1 [S]."""
    (record,) = resolve(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]', NOW_S)
    assert (record.name, record.unit, record.value) == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1)
    assert record.time_s is None


def test_senml_pack_with_base_fields_and_relative_times() -> None:
    """RFC 8428 section 5.1.2, in the spelling of the working group's repository [S]."""
    pack = (
        '[{"bn":"urn:dev:ow:10e2073a01080063/","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
        '{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
        '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
    )
    records = resolve(pack.encode(), NOW_S)
    assert len(records) == 7
    base = "urn:dev:ow:10e2073a01080063/"
    assert [record[:3] for record in records[:2]] == [(base + "voltage", "V", 120.1), (base + "current", "A", 1.2)]
    assert records[0].time_s == pytest.approx(1276020076.001, abs=1e-6)
    assert records[1].time_s == pytest.approx(1276020071.001, abs=1e-6)
    assert records[-1].time_s == pytest.approx(1276020076.001, abs=1e-6)
    assert [record.value for record in records[1:]] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_senml_base_time_over_two_names() -> None:
    """RFC 8428 section 5.1.3's first records, in the spelling of an older draft's file [S]."""
    pack = (
        '[{"bn":"http://[2001:db8::2]/","bt":1.320078429e+09,"bver":5,"n":"temperature","u":"Cel","v":27.2},'
        '{"n":"humidity","u":"%RH","v":80}]'
    )
    first, second = resolve(pack.encode(), NOW_S)
    assert first[:4] == ("http://[2001:db8::2]/temperature", "Cel", 27.2, 1320078429.0)
    assert second[:4] == ("http://[2001:db8::2]/humidity", "%RH", 80.0, 1320078429.0)


def test_senml_times_below_2_to_the_28_are_relative_to_now() -> None:
    """RFC 8428 section 4.5.3 [S for the constant, M for the sign]."""
    records = resolve(b'[{"n":"a","v":1,"t":-60},{"n":"a","v":2,"t":1930000000}]', NOW_S)
    assert [(record.time_s, record.relative) for record in records] == [(NOW_S - 60, True), (1_930_000_000.0, False)]


def test_senml_a_label_that_ends_with_an_underscore_must_be_understood() -> None:
    """RFC 8428 section 4.4 [S]."""
    with pytest.raises(PayloadError, match="must be understood"):
        resolve(b'[{"n":"a","v":1,"next_":1}]', NOW_S)
    assert resolve(b'[{"n":"a","v":1,"other":1}]', NOW_S)[0].value == 1


def test_senml_a_newer_version_is_not_used() -> None:
    """RFC 8428 section 4.4: the version of the RFC is 10 [S]."""
    with pytest.raises(PayloadError, match="newer than 10"):
        resolve(b'[{"bver":11,"n":"a","v":1}]', NOW_S)


def test_senml_base_value_and_base_sum_are_added() -> None:
    """RFC 8428 sections 4.1 and 4.5 [S]."""
    first, second = resolve(b'[{"n":"m","bv":100,"v":1},{"n":"m","bs":10,"s":5,"v":-2}]', NOW_S)
    assert (first.value, second.value, second.total) == (101, 98, 15)


@pytest.mark.parametrize(
    ("record", "value", "unit"),
    [
        ({"u": "Cel", "v": 24.5}, 24.5, "degC"),  # RFC 8428 section 12.1 [S]
        ({"u": "m", "v": 0.2514}, 0.2514, "m"),
        ({"u": "l", "v": 300}, 300, "L"),
        ({"u": "/", "v": 0.08}, 8, "%"),  # a ratio; percent is discouraged there
        ({"u": "pH", "v": 9.2}, 9.2, "1"),
        ({"u": "S/m", "v": 0.21}, 2100, "uS/cm"),
        ({"u": "/100", "v": 8}, 8, "%"),  # RFC 8798 table 1 [M]
        ({"vb": True}, 1, "1"),
        ({"s": 12.5, "u": "l"}, 12.5, "L"),
    ],
)
def test_senml_units_become_those_of_the_plant_file(record: dict[str, object], value: float, unit: str) -> None:
    (sample,) = pick_senml(read_senml(json.dumps([{"n": "x", **record}]).encode(), NOW_S), "x")
    assert sample.value == pytest.approx(value)
    assert sample.unit == unit


# "JSON Integration for IO-Link" V1.0.0 (order no. 10.222) and V2.0.0, examples of the community repository [S].
OCTETS = b'{"iolink":{"valid":true,"value":[15,123,126,236]},"iqValue":true}'
FIELDS = b'{"iolink":{"valid":true,"value":{"Name_1":{"value":true}}}}'
SWITCH = b'{"cqValue":false}'


@pytest.mark.parametrize(
    ("selector", "value"),
    [
        ("bit=0&length=32", 0x0F7B7EEC),
        ("bit=0&length=8", 236),  # most significant octet first: bit 0 is the last bit of the last octet [M]
        ("bit=24&length=8", 15),
        ("bit=16&length=16&scale=0.01", 39.63),  # 0x0F7B = 3963 [D]
        ("bit=0&length=16&type=int", 0x7EEC),
        ("bit=0&length=8&type=int&offset=10", -10),  # 236 - 256 + 10 [D]
        ("iqValue", 1),
    ],
)
def test_io_link_octets(selector: str, value: float) -> None:
    (sample,) = pick_iolink(read_iolink(OCTETS), selector)
    assert sample.value == pytest.approx(value)


def test_io_link_decoded_fields_and_switches() -> None:
    assert pick_iolink(read_iolink(FIELDS), "field=Name_1")[0].value == 1
    assert pick_iolink(read_iolink(SWITCH), "cqValue")[0].value == 0


def test_io_link_both_spellings() -> None:
    """V1.0.0's schema wrote ioLink, its text and V2.0.0 iolink [S]."""
    old = OCTETS.replace(b'"iolink"', b'"ioLink"')
    assert read_iolink(old) == read_iolink(OCTETS)


def test_io_link_invalid_process_data_is_no_value() -> None:
    """`valid: false` means: do not use the value [S]."""
    (sample,) = pick_iolink(read_iolink(OCTETS.replace(b'valid":true', b'valid":false')), "bit=0&length=8")
    assert (sample.value, sample.quality) == (None, Quality.BAD)
    assert sample.reason


def test_io_link_float32() -> None:
    """123456.0 is 47 F1 20 00 as IEC 60559 single [D]."""
    payload = b'{"iolink":{"valid":true,"value":[71,241,32,0]}}'
    assert pick_iolink(read_iolink(payload), "bit=0&length=32&type=float")[0].value == 123456.0
