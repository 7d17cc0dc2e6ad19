"""Tokens of the status API, and the sessions that people begin with them.

A token or session is 256 random bits, so its plain SHA-256 is safe to keep; itself is not. A browser holds a session,
never the token: whoever steals it from there has it until it ends, is signed out, or its token is revoked.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterable
from typing import Any, Final

from monitor.plant.errors import RecordError
from monitor.record.tables import Database

SCOPES: Final = ("read", "act", "admin")


def add_token(db: Database, name: str, scope: str, expires_s: float | None, now_s: float) -> str:
    """Store a new token under a name of its own and return it: the only time it is seen."""
    if scope not in SCOPES:
        raise RecordError(f"no scope is called {scope!r}; it is one of {', '.join(SCOPES)}")
    if next(db.table("token").rows_where("name = ?", [name]), None) is not None:
        raise RecordError(f"there is a token called {name!r} already; revoke it first or choose another name")
    token = secrets.token_urlsafe(32)
    row = {"name": name, "hash": _hash(token), "scope": scope, "created_s": now_s, "expires_s": expires_s}
    db.table("token").insert(row)
    return token


def revoke_token(db: Database, name: str) -> bool:
    """Delete the token of that name and its sessions; False if there is none."""
    end_sessions(db, name)
    return db.execute("DELETE FROM token WHERE name = ?", [name]).rowcount == 1


def end_sessions(db: Database, name: str) -> int:
    """End every session begun with the token of that name and return how many there were."""
    return db.execute("DELETE FROM session WHERE token = ?", [name]).rowcount


def begin_session(db: Database, token: str, lasts_s: float, now_s: float) -> str | None:
    """Begin a session with a token that is valid now and return it: the only time it is seen. Ended ones go."""
    row = _holder(db, token, now_s)
    if row is None:
        return None
    db.execute("DELETE FROM session WHERE expires_s <= ?", [now_s])
    session = secrets.token_urlsafe(32)
    ends_s = now_s + lasts_s if row["expires_s"] is None else min(now_s + lasts_s, row["expires_s"])
    db.table("session").insert({"hash": _hash(session), "token": row["name"], "begun_s": now_s, "expires_s": ends_s})
    return session


def end_session(db: Database, session: str) -> None:
    """End one session; an unknown one has ended already."""
    db.execute("DELETE FROM session WHERE hash = ?", [_hash(session)])


def session_scope(db: Database, session: str, now_s: float) -> str | None:
    """Return the scope of a session that goes on: neither ended nor expired, its token neither revoked nor expired."""
    sql = (
        "SELECT session.hash, scope, min(session.expires_s, coalesce(token.expires_s, session.expires_s)) AS expires_s"
        " FROM session JOIN token ON token.name = session.token"
    )
    row = _alive(db.query(sql), session, now_s)
    return None if row is None else str(row["scope"])


def token_scope(db: Database, token: str, now_s: float) -> str | None:
    """Return the scope of a token that is known and has not expired."""
    row = _holder(db, token, now_s)
    return None if row is None else str(row["scope"])


def _holder(db: Database, token: str, now_s: float) -> dict[str, Any] | None:
    return _alive(db.query("SELECT name, hash, scope, expires_s FROM token"), token, now_s)


def _alive(rows: Iterable[dict[str, Any]], secret: str, now_s: float) -> dict[str, Any] | None:
    """Find the row of a secret that has not expired. Every stored hash is compared, in constant time."""
    given, found = _hash(secret), None
    for row in rows:
        alive = row["expires_s"] is None or now_s < row["expires_s"]
        if hmac.compare_digest(row["hash"], given) and alive:
            found = row
    return found


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
