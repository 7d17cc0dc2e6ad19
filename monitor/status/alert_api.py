"""Alerts over the API: which stand, one with its transitions, and what somebody does to one.

The states are those of ISA-18.2 / IEC 62682: an alert is acknowledged, shelved for a time, taken out of service until
it is returned; suppressed by design it is by the plant file or by an emptied sump. Each change is a row with its
reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, Final

from fastapi import Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from alerts.envelope import alert_json, transition_json
from alerts.types import Alert, AlertState
from monitor.status.board import Board
from monitor.status.body import Sent, back_to, sent, takes
from monitor.status.problems import Problem
from monitor.status.ready_made import ReadyMade
from monitor.status.shapes import alerts_json, encode
from monitor.status.shelving import reason_of, shelf_until, who_of

JSON: Final = "application/json"
_WHO: Final = {"who": {"type": "string"}}
_REASON: Final = {"reason": {"type": "string"}, **_WHO}
_WHO_SCHEMA: Final = {"type": "object", "properties": _WHO}
_REASON_SCHEMA: Final = {"type": "object", "properties": _REASON, "required": ["reason"]}
_SHELF_SCHEMA: Final = {
    "type": "object",
    "properties": {**_REASON, "until": {"type": "string"}, "hours": {"type": "number"}},
    "required": ["reason"],
}


def add_routes(add: Callable[..., None], board: Board, lists: ReadyMade) -> None:
    """Add the addresses of alerts; `add` is a router's `add_api_route`."""
    api = AlertApi(board, lists)
    add("/api/alerts", api.alerts, methods=["GET"])
    add("/api/alerts/{alert_id}", api.alert, methods=["GET"])
    post: dict[str, tuple[Callable[..., Any], dict[str, Any]]] = {
        "acknowledge": (api.acknowledge, _WHO_SCHEMA),
        "shelve": (api.shelve, _SHELF_SCHEMA),
        "unshelve": (api.unshelve, _WHO_SCHEMA),
        "out-of-service": (api.out_of_service, _REASON_SCHEMA),
        "return-to-service": (api.return_to_service, _WHO_SCHEMA),
    }
    for name, (endpoint, schema) in post.items():
        path = f"/api/alerts/{{alert_id}}/{name}"
        add(path, endpoint, methods=["POST"], openapi_extra=takes(schema))


class AlertApi:
    """The endpoints; what writes runs in a worker thread."""

    def __init__(self, board: Board, lists: ReadyMade) -> None:
        self._board, self._lists = board, lists

    async def alerts(
        self, state: Annotated[AlertState | None, Query(description="only those in this state")] = None
    ) -> Response:
        """Tell all alerts that stand, are put aside or were closed lately, each with its recipe."""
        snapshot, plant = self._board.snapshot(), self._board.plant
        if state is None:
            return Response(self._lists.get("alerts", snapshot), media_type=JSON)
        found = tuple(alert for alert in snapshot.alerts if alert.state is state)
        return _json(alerts_json(replace(snapshot, alerts=found), plant))

    def alert(self, alert_id: str) -> Response:
        """Tell one alert, closed ones too, with every change of its state, the oldest first."""
        live = next((one for one in self._board.snapshot().alerts if one.id == alert_id), None)
        moves = self._board.reader().transitions(-math.inf, math.inf, alert_id)
        alert = live or (moves[-1].alert if moves else None)
        if alert is None:
            raise _unknown(alert_id)
        body = alert_json(alert, self._board.plant)
        return _json({**body, "transitions": [transition_json(move) for move in moves]})

    async def acknowledge(self, alert_id: str, request: Request) -> Response:
        """Say that somebody has seen an alert and deals with it."""
        got = await sent(request)
        alert = await run_in_threadpool(self._board.acknowledge, alert_id, who_of(got))
        return self._acted(alert, alert_id, got)

    async def shelve(self, alert_id: str, request: Request) -> Response:
        """Put an alert aside for a time, with a reason; it comes back by itself."""
        got = await sent(request)
        until_s, reason = shelf_until(got, self._board.clock(), self._board.plant.zone)
        alert = await run_in_threadpool(self._board.shelve, alert_id, until_s, reason, who_of(got))
        return self._acted(alert, alert_id, got)

    async def unshelve(self, alert_id: str, request: Request) -> Response:
        """Take an alert off the shelf before its time is over."""
        got = await sent(request)
        alert = await run_in_threadpool(self._board.unshelve, alert_id, who_of(got))
        return self._acted(alert, alert_id, got)

    async def out_of_service(self, alert_id: str, request: Request) -> Response:
        """Take an alert out of service, with a reason, until somebody returns it."""
        got = await sent(request)
        alert = await run_in_threadpool(self._board.take_out_of_service, alert_id, reason_of(got), who_of(got))
        return self._acted(alert, alert_id, got)

    async def return_to_service(self, alert_id: str, request: Request) -> Response:
        """Return an alert to service: it calls again where its condition still stands."""
        got = await sent(request)
        alert = await run_in_threadpool(self._board.return_to_service, alert_id, who_of(got))
        return self._acted(alert, alert_id, got)

    def _acted(self, alert: Alert | None, alert_id: str, got: Sent) -> Response:
        if alert is None:
            raise _unknown(alert_id)
        if got.form:
            return RedirectResponse(back_to(got, "/"), 303)
        return _json(alert_json(alert, self._board.plant))


def _unknown(alert_id: str) -> Problem:
    return Problem(404, f"There is no alert {alert_id[:70]!r}.", remedy="GET /api/alerts lists them.")


def _json(body: Any) -> Response:
    return Response(encode(body), media_type=JSON)
