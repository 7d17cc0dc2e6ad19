from __future__ import annotations

from monitor.record.store import Record
from tests.unit.record.things import T0


def test_a_session_has_the_scope_of_its_token_and_ends_by_itself(record: Record) -> None:
    token = record.add_token("phone", "act", None, T0)
    session = record.begin_session(token, 3600, T0)
    assert session is not None
    assert session != token
    reader = record.reader()
    assert reader.session_scope(session, T0 + 3599) == "act"
    assert reader.session_scope(session, T0 + 3600) is None
    assert reader.token_scope(session, T0) is None
    assert reader.session_scope(token, T0) is None


def test_no_session_outlives_its_token(record: Record) -> None:
    token = record.add_token("visitor", "read", T0 + 60, T0)
    session = record.begin_session(token, 3600, T0)
    assert session is not None
    assert record.reader().session_scope(session, T0 + 59) == "read"
    assert record.reader().session_scope(session, T0 + 60) is None
    assert record.begin_session(token, 3600, T0 + 60) is None


def test_signing_out_ends_one_session_and_revoking_ends_all(record: Record) -> None:
    token = record.add_token("phone", "act", None, T0)
    here, there = (record.begin_session(token, 3600, T0) for _ in range(2))
    assert here is not None
    assert there is not None
    record.end_session(here)
    record.end_session("never begun")
    reader = record.reader()
    assert (reader.session_scope(here, T0), reader.session_scope(there, T0)) == (None, "act")
    assert record.revoke_token("phone")
    assert reader.session_scope(there, T0) is None
    again = record.add_token("phone", "act", None, T0)
    assert reader.session_scope(there, T0) is None
    assert reader.token_scope(again, T0) == "act"


def test_all_sessions_of_a_token_end_and_it_stays_valid(record: Record) -> None:
    token = record.add_token("phone", "read", None, T0)
    sessions = [record.begin_session(token, 3600, T0) for _ in range(3)]
    assert record.end_sessions("phone") == 3
    assert record.end_sessions("phone") == 0
    assert all(record.reader().session_scope(session or "", T0) is None for session in sessions)
    assert record.reader().token_scope(token, T0) == "read"


def test_what_ended_does_not_pile_up(record: Record) -> None:
    token = record.add_token("phone", "read", None, T0)
    for hour in range(20):
        record.begin_session(token, 3600, T0 + hour * 7200)
    assert record.end_sessions("phone") == 1
