from __future__ import annotations

import pytest

from monitor.plant.errors import RecordError
from monitor.record.store import Record
from tests.unit.record.things import T0


def test_a_token_opens_its_scope_until_it_expires(record: Record) -> None:
    token = record.add_token("phone", "act", T0 + 60, T0)
    forever = record.add_token("wall", "read", None, T0)
    reader = record.reader()
    assert len(token) >= 43
    assert reader.token_scope(token, T0) == "act"
    assert reader.token_scope(token, T0 + 60) is None
    assert reader.token_scope(forever, T0 + 1e9) == "read"


@pytest.mark.parametrize("guess", ["", "x", "phone", "\udcff", "é" * 1000])
def test_anything_else_opens_nothing(record: Record, guess: str) -> None:
    token = record.add_token("phone", "admin", None, T0)
    reader = record.reader()
    assert reader.token_scope(guess, T0) is None
    assert reader.token_scope(token[:-1], T0) is None


def test_a_revoked_token_opens_nothing_and_its_name_is_free_again(record: Record) -> None:
    token = record.add_token("phone", "read", None, T0)
    with pytest.raises(RecordError, match="there is a token called 'phone' already"):
        record.add_token("phone", "read", None, T0)
    assert record.revoke_token("phone")
    assert not record.revoke_token("phone")
    assert record.reader().token_scope(token, T0) is None
    assert record.add_token("phone", "read", None, T0) != token


def test_the_token_itself_is_nowhere_on_disk(record: Record) -> None:
    token = record.add_token("phone", "read", None, T0)
    for file in record.path.parent.glob("bandkeeper.db*"):
        assert token.encode() not in file.read_bytes()
    assert record.reader().tokens() == [{"name": "phone", "scope": "read", "created_s": T0, "expires_s": None}]


def test_an_unknown_scope_is_an_error(record: Record) -> None:
    with pytest.raises(RecordError, match="no scope is called 'root'; it is one of read, act, admin"):
        record.add_token("x", "root", None, T0)
