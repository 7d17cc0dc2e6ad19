"""Request bodies: JSON or a plain form, read into fields."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

from starlette.requests import ClientDisconnect, Request

from monitor.status.problems import Problem, local_path

FORM = "application/x-www-form-urlencoded"


@dataclass(frozen=True, slots=True)
class Sent:
    """The fields of a request; `form` tells that a page's form sent them and wants a page back."""

    fields: Mapping[str, Any]
    form: bool


def takes(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Describe a body for the OpenAPI document: the same fields as JSON or as a form."""
    return {"requestBody": {"content": {kind: {"schema": schema} for kind in ("application/json", FORM)}}}


def back_to(got: Sent, default: str) -> str:
    """Return where a form wants to go back to: a path of this server only."""
    return local_path(str(got.fields.get("back", ""))) or default


async def sent(request: Request) -> Sent:
    """Return what a request sent; `Problem` 400, 413 or 415 if it cannot be read."""
    try:
        raw = await request.body()
    except ClientDisconnect:
        raise Problem(400, "The request ended before all of it was sent.", remedy="Send it again.") from None
    kind = request.headers.get("content-type", "application/json").partition(";")[0].strip().lower()
    if kind == FORM:
        return Sent(_form(raw), form=True)
    if kind == "application/json" or kind.endswith("+json"):
        return Sent(_json(raw), form=False)
    raise Problem(415, f"The content type {kind[:60]!r} is not read here.", remedy=f"Send application/json or {FORM}.")


def _form(raw: bytes) -> dict[str, str]:
    try:
        return _once(parse_qsl(raw.decode("utf-8"), keep_blank_values=True, max_num_fields=50))
    except ValueError:
        raise Problem(400, "The form cannot be read.", remedy="Send UTF-8 text in at most 50 fields.") from None


def _json(raw: bytes) -> dict[str, Any]:
    if not raw:
        return {}
    try:
        value = json.loads(raw, parse_constant=_refuse_constant, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        where = f" at line {error.lineno}, column {error.colno}" if isinstance(error, json.JSONDecodeError) else ""
        raise Problem(
            400, f"The body is not JSON{where}.", remedy='Send one object, as in {"sump": "lathe-04"}.'
        ) from None
    if not isinstance(value, dict):
        raise Problem(
            400, "The body is JSON, but not an object.", remedy='Send one object, as in {"sump": "lathe-04"}.'
        )
    return value


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise Problem(400, "A field stands twice in one object.", remedy="Send each field once.")
    return fields


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")
