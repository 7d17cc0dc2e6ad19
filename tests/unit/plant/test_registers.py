"""Addresses of Modbus signals: what is taken, and what would be right for what is not."""

from __future__ import annotations

import pytest

from monitor.plant.registers import Defaults, parse_registers

PLAIN = Defaults()


@pytest.mark.parametrize(
    ("text", "said", "data_type", "order"),
    [
        ("3/107", "unit 3, holding register 107 to 108", "float32", "ABCD"),
        ("3/input/107", "unit 3, input register 107 to 108", "float32", "ABCD"),
        ("3/107/uint16", "unit 3, holding register 107", "uint16", "ABCD"),
        ("3/#40108/int32/CDAB", "unit 3, holding register 107 to 108", "int32", "CDAB"),
        ("247/0/float64/DCBA", "unit 247, holding register 0 to 3", "float64", "DCBA"),
        ("3/discrete/4", "unit 3, discrete 4", "bit", "ABCD"),
        ("3/coil/#5", "unit 3, coil 4", "bit", "ABCD"),
        ("3/@40107", "unit 3, holding register 40107 to 40108", "float32", "ABCD"),
        ("3/10107", "unit 3, holding register 10107 to 10108", "float32", "ABCD"),
        ("3/65534", "unit 3, holding register 65534 to 65535", "float32", "ABCD"),
        ("3/50000/uint16", "unit 3, holding register 50000", "uint16", "ABCD"),
    ],
)
def test_what_is_taken(text: str, said: str, data_type: str, order: str) -> None:
    at = parse_registers(text, PLAIN)
    assert (at.said, at.data_type, at.word_order) == (said, data_type, order)


def test_the_source_says_what_is_left_out() -> None:
    at = parse_registers("255/7", Defaults("input", "uint32", "BADC", 0, 255))
    assert (at.unit, at.table, at.data_type, at.word_order) == (255, "input", "uint32", "BADC")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("107", "write unit/register"),
        ("3", "write unit/register"),
        ("3/", "is no register"),
        ("3/holding", "write unit/register"),
        ("x/107", "write unit/register"),
        ("0/107", "unit 0 is none: a unit is 1 to 247"),
        ("248/107", "unit 248 is none"),
        ("3/40108", 'write "#40108" for the number (holding register, address 107 on the wire) or "@40108"'),
        ("3/30001", 'write "#30001" for the number (input register, address 0 on the wire) or "@30001"'),
        ("3/discrete/10001", 'write "#10001"'),
        ("3/400108", 'write "#400108"'),
        ("3/input/#40108", '"input" stands before it'),
        ("3/#50108", "the first digit is the table"),
        ("3/#0", "they begin at 1"),
        ("3/#40000", "they begin at 1"),
        ("3/#466000", "they begin at 1 and end at 65536"),
        ("3/70000", "beyond the last one"),
        ("3/65535", "goes beyond the last register"),
        ("3/107/float", "is no data type: use int16, uint16"),
        ("3/107/float32/ACBD", "is no order of bytes"),
        ("3/107/float32/ABCD/x", "write unit/register"),
        ("3/coil/7/uint16", "on or off and has no type"),
        ("3/-1", "is no register"),
        ("3/1e3", "is no register"),
        ("3/١٠٧", "is no register"),
    ],
)
def test_what_is_not_says_what_would_be_right(text: str, words: str) -> None:
    with pytest.raises(ValueError) as refused:  # noqa: PT011 - the words are held below
        parse_registers(text, PLAIN)
    assert words in str(refused.value)


def test_values_that_share_a_register() -> None:
    one = parse_registers("3/107", PLAIN)
    assert one.overlaps(parse_registers("3/108/uint16", PLAIN))
    assert not one.overlaps(parse_registers("3/109/uint16", PLAIN))
    assert not one.overlaps(parse_registers("4/108/uint16", PLAIN))
    assert not one.overlaps(parse_registers("3/input/108/uint16", PLAIN))
