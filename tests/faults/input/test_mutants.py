"""A short stretch of `python -m tests.fuzz`, and proof that its second opinion objects."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pytest

from adapters.intake import Batch
from monitor.plant.reading import Quality, Reading, Signal
from tests.fuzz.judges import FORMS, NOW_S, Form, Seen, judge
from tests.fuzz.mutants import Mutants

COUNT = 2_000


@pytest.mark.parametrize("form", sorted(FORMS))
def test_no_mutant_crashes_a_parser_or_passes_as_what_it_is_not(form: str) -> None:
    mutants, good = Mutants(FORMS[form].seeds, 20), 0
    for _ in range(COUNT):
        raw = mutants.one()
        verdict = judge(FORMS[form], raw)
        assert not verdict.wrong, raw
        good += verdict.good
    assert good > COUNT // 200, "too few good readings to compare"


@pytest.mark.parametrize("form", sorted(FORMS))
def test_well_formed_input_is_taken(form: str) -> None:
    assert sum(judge(FORMS[form], raw).good for raw in FORMS[form].seeds) > 0


def _taking(value: float, time_s: float = NOW_S, quality: Quality = Quality.GOOD) -> Form:
    batch = Batch(readings=[Reading("a", Signal.LEVEL, value, time_s, NOW_S, quality, "")])
    return FORMS["json"]._replace(take=lambda _raw: batch)


def _faulty() -> Iterator[tuple[str, bytes, Form]]:
    yield "another value", b'{"v": 251.4}', _taking(251.5)
    yield "another time", b'{"v": 251.4, "t": 1930339000}', _taking(251.4)
    yield "a doubtful value as good", b'{"v": 251.4, "q": "doubtful"}', _taking(251.4)
    yield "something out of nothing", b"{", _taking(251.4)
    yield "infinity", b'{"v": 1e999}', _taking(float("inf"))
    yield "another unit", b'{"v": 1, "u": "m"}', _taking(1.0)

    def crash(_raw: bytes) -> Batch:
        raise RuntimeError("boom")

    yield "a crash", b"", FORMS["json"]._replace(take=crash)

    def mute(_raw: bytes) -> Iterable[Seen]:
        raise ValueError("no idea")

    yield "a second opinion that cannot be had", b"", _taking(251.4)._replace(may_say=mute)


@pytest.mark.parametrize(("raw", "form"), [pytest.param(raw, form, id=name) for name, raw, form in _faulty()])
def test_the_second_opinion_objects(raw: bytes, form: Form) -> None:
    assert judge(form, raw).wrong


def test_it_agrees_with_what_is_right() -> None:
    assert judge(FORMS["line"], b"L1 251,4\r\nL1 ,\r\n") == (1, "")
    assert judge(_taking(251.4), b'{"v": 251.4}') == (1, "")
    assert judge(_taking(251.4, quality=Quality.DOUBTFUL), b'{"v": 1}') == (0, "")
