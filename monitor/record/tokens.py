"""Tokens of the status API. A token is 256 random bits, so its plain SHA-256 is safe to keep; the token is not."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Final

from sqlite_utils import Database

from monitor.plant.errors import RecordError

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
    """Delete the token of that name; False if there is none."""
    return db.execute("DELETE FROM token WHERE name = ?", [name]).rowcount == 1


def token_scope(db: Database, token: str, now_s: float) -> str | None:
    """Return the scope of a token that is known and has not expired. Every stored hash is compared in constant time."""
    given, scope = _hash(token), None
    for row in db.query("SELECT hash, scope, expires_s FROM token"):
        alive = row["expires_s"] is None or now_s < row["expires_s"]
        if hmac.compare_digest(row["hash"], given) and alive:
            scope = str(row["scope"])
    return scope


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
