"""JSON in pieces says what JSON in one says."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from monitor.model.pieces import AT_ONCE, joined, listed, mapped

SIZES = [0, 1, AT_ONCE - 1, AT_ONCE, AT_ONCE + 1, 3 * AT_ONCE]


@pytest.mark.parametrize("count", SIZES)
def test_a_list_and_an_object_are_the_same_text_as_in_one(count: int) -> None:
    items: list[Any] = [(f"ü{n}", n / 7.0, None, [{"deep": [n, "]"]}]) for n in range(count)]
    assert listed(iter(items)) == json.dumps(items)
    mapping = {f"mill-{n}": {"since": [n, -math.inf]} for n in range(count)}
    assert mapped(mapping) == json.dumps(mapping)


@pytest.mark.parametrize("count", SIZES)
def test_no_more_stand_as_plain_values_than_are_asked_for(count: int) -> None:
    seen: list[int] = []

    def plain(some: list[int]) -> list[str]:
        seen.append(len(some))
        return [str(n) for n in some]

    assert json.loads(listed(range(count), plain, at_once=5)) == [str(n) for n in range(count)]
    assert sum(seen) == count
    assert max(seen, default=0) <= 5


def test_members_that_are_texts_already_are_joined() -> None:
    assert joined({}) == "{}"
    assert json.loads(joined({'od"d': "[1, 2]", "none": "null"})) == {'od"d': [1, 2], "none": None}
