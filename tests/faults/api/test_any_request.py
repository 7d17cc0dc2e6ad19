"""Requests made up from the API's own OpenAPI document, well-formed and not: none gets an answer that is not promised.

Left out: the endless stream, and the check that whatever fits the schema is accepted, since an entry that fits may
still make no sense (a time that lies ahead, a sump that does not exist), and is refused with 404 or 422.
"""

from __future__ import annotations

from functools import cache
from typing import Any, cast

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from monitor.status.app import create_app
from tests.fixtures.board import FakeBoard

HERE = {"host": "127.0.0.1:8480"}
EXAMPLES = 25
FEW = settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@cache
def operations(*, is_open: bool) -> dict[str, Any]:
    """Return the operations of the API by method and path."""
    board = FakeBoard(tokens={"may-all": "admin"})
    app = create_app(board, open_without_token=is_open)
    document = create_app(board, open_without_token=True).openapi()
    schema = schemathesis.openapi.from_dict(document).exclude(path="/api/stream")
    schema.app = app
    found: list[Any] = [result.ok() for result in cast("Any", schema.get_all_operations())]
    return {f"{one.method.upper()} {one.path}": one for one in found}


NAMES = sorted(operations(is_open=True))
TYPED = [name for name in NAMES if name.startswith("POST ") or name.endswith("/history")]
"""What takes more than texts, and so can be asked with what does not fit."""


def test_all_operations_are_asked() -> None:
    assert len(NAMES) >= 15


def test_what_fits_is_answered() -> None:
    case = operations(is_open=True)["GET /api/sumps"].Case()
    assert case.call(headers=HERE).status_code == 200


@pytest.mark.parametrize(
    ("name", "mode"),
    [*((name, GenerationMode.POSITIVE) for name in NAMES), *((name, GenerationMode.NEGATIVE) for name in TYPED)],
)
def test_every_answer_is_one_that_the_document_promises(name: str, mode: GenerationMode) -> None:
    operation = operations(is_open=True)[name]

    @FEW
    @given(case=operation.as_strategy(mode))
    def ask(case: Any) -> None:
        case.call_and_validate(headers=HERE, excluded_checks=[positive_data_acceptance])

    ask()


@pytest.mark.parametrize("name", sorted(set(NAMES) - {"GET /health/live"}))
def test_without_a_token_nothing_is_answered_and_nothing_changes(name: str) -> None:
    operation = operations(is_open=False)[name]

    @settings(FEW, max_examples=8)
    @given(case=operation.as_strategy())
    def ask(case: Any) -> None:
        answer = case.call(headers={"host": "works.example:8480"})
        assert answer.status_code in {400, 401, 403, 404, 405, 413, 431}
        assert b"lathe" not in answer.content

    ask()
