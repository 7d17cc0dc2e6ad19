"""The addresses of the contract, section 3: everything a program reads and writes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response, StreamingResponse

from alerts.recipes import plan_recipe
from alerts.types import Recipe
from monitor.plant.types import Sump
from monitor.snapshot import Snapshot, SumpView
from monitor.status import alert_api, metrics
from monitor.status.amounts import AmountError, read_time
from monitor.status.board import Board
from monitor.status.body import Sent, back_to, sent, takes
from monitor.status.entries import EntryBody, entry_from, refuse_across
from monitor.status.plain_route import PlainRoute
from monitor.status.problems import PROBLEM_JSON, Problem
from monitor.status.ready_made import ReadyMade
from monitor.status.shapes import encode, entry_json, forecast_json, health_json, history_json, sump_json
from monitor.status.stream import Streams

JSON: Final = "application/json"
DAY_S: Final = 86400.0
MOST_POINTS: Final = 2000
PLAN_AHEAD_S: Final = 10 * DAY_S
PROBLEM_SCHEMA: Final = {
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "remedy": {"type": "string"},
        "errors": {"type": "array", "items": {"type": "object"}},
    },
}
_RESPONSES: Final[dict[int | str, dict[str, Any]]] = {
    "default": {"description": "Problem (RFC 9457)", "content": {PROBLEM_JSON: {"schema": PROBLEM_SCHEMA}}}
}

_PLAIN: Final = frozenset({"/api/sumps", "/api/mixing", "/api/checks", "/health/live"})
"""What hangs on nothing in the request."""


def add_routes(router: APIRouter, board: Board, streams: Streams) -> None:
    """Add the routes of the API over a board to the app's own router."""
    api = Api(board, streams)
    add = partial(router.add_api_route, response_class=Response, responses=_RESPONSES)
    get: dict[str, Callable[..., Any]] = {
        "/api/sumps": api.sumps,
        "/api/sumps/{sump}": api.sump,
        "/api/sumps/{sump}/history": api.history,
        "/api/sumps/{sump}/forecast": api.forecast,
        "/api/sumps/{sump}/recipe": api.recipe,
        "/api/mixing": api.mixing,
        "/api/checks": api.checks,
        "/api/hygiene": api.hygiene,
        "/api/stream": api.stream,
        "/health/live": api.live,
        "/health/ready": api.ready,
        "/metrics": api.numbers,
    }
    for path, endpoint in get.items():
        add(path, endpoint, methods=["GET"], route_class_override=PlainRoute if path in _PLAIN else None)
    add("/api/entries", api.enter, methods=["POST"], openapi_extra=takes(EntryBody.model_json_schema()))
    alert_api.add_routes(add, board, api.lists)


class Api:
    """The endpoints. Lists are encoded once a snapshot; reading the record and writing runs in a worker thread."""

    def __init__(self, board: Board, streams: Streams) -> None:
        self._board = board
        self._streams = streams
        self.lists = ReadyMade(lambda: board.plant)
        self._registry = metrics.registry_for(board)

    async def sumps(self) -> Response:
        """Tell all sumps: estimate, exits, recipe and alerts of each, in the order of the plant file."""
        return self._list("sumps")

    async def mixing(self) -> Response:
        """Tell the predicted demand of each fluid for the mixing station."""
        return self._list("mixing")

    async def checks(self) -> Response:
        """Tell which hand checks today would change what people should do tonight, the worthiest first."""
        return self._list("checks")

    async def sump(self, sump: str) -> Response:
        """Tell everything known of one sump, with the forecast's path."""
        view, snapshot = self._view(sump)
        return _json(sump_json(view, snapshot, self._board.plant))

    async def forecast(self, sump: str) -> Response:
        """Tell when the sump leaves its band if nobody touches it."""
        view, _ = self._view(sump)
        if view.forecast is None:
            raise _not_yet(sump, "forecast")
        return _json(forecast_json(view.forecast))

    def recipe(
        self,
        sump: str,
        at: Annotated[str | None, Query(description="RFC 3339: a planned moment of the next ten days")] = None,
    ) -> Response:
        """Return what brings the sump back to its target (contract, section 4), now or at a planned moment."""
        view, snapshot = self._view(sump)
        if at is not None:
            return _json(self._planned(view, _query_time("at", at, snapshot.now_s), snapshot).as_json())
        if view.recipe is None:
            raise _not_yet(sump, "recipe")
        return _json(view.recipe.as_json())

    def _planned(self, view: SumpView, at_s: float, snapshot: Snapshot) -> Recipe:
        if not snapshot.now_s <= at_s <= snapshot.now_s + PLAN_AHEAD_S:
            what = "must lie within the next ten days"
            raise Problem(422, f"`at` {what}.", errors=[{"where": "at", "what": what}])
        plant, kept = self._board.plant, snapshot.set_aside
        return plan_recipe(plant, plant.sumps[view.sump], view.estimate, view.forecast, at_s, snapshot.now_s, kept=kept)

    def history(
        self,
        sump: str,
        from_: Annotated[str | None, Query(alias="from", description="RFC 3339; default 24 h before `to`")] = None,
        to: Annotated[str | None, Query(description="RFC 3339; default now")] = None,
        points: Annotated[int, Query(ge=2, le=MOST_POINTS, description="most columns a signal")] = 300,
    ) -> Response:
        """Return readings, estimates, entries and events of one sump between two moments."""
        known = self._known(sump)
        to_s = _query_time("to", to, self._board.clock())
        from_s = _query_time("from", from_, to_s - DAY_S)
        if from_s >= to_s:
            raise Problem(422, "`from` must lie before `to`.", errors=[{"where": "from", "what": "is not before `to`"}])
        return _json(history_json(self._board.reader(), known, from_s, to_s, points))

    def hygiene(
        self,
        from_: Annotated[str | None, Query(alias="from", description="RFC 3339; default 30 days before `to`")] = None,
        to: Annotated[str | None, Query(description="RFC 3339; default now")] = None,
    ) -> Response:
        """Tell how good the alerts were: how many a person and shift, acknowledged, stale, flapping, false, missed."""
        to_s = _query_time("to", to, self._board.clock())
        from_s = _query_time("from", from_, to_s - 30 * DAY_S)
        if from_s >= to_s:
            raise Problem(422, "`from` must lie before `to`.", errors=[{"where": "from", "what": "is not before `to`"}])
        return _json(self._board.hygiene(from_s, to_s).as_json())

    async def stream(self) -> Response:
        """Send events as they happen: `changed` with sumps, `alert` with alerts."""
        if self._streams.full:
            raise Problem(503, "Too many streams are open.", remedy="Close one.", headers={"Retry-After": "30"})
        headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        return StreamingResponse(self._streams.events(), media_type="text/event-stream", headers=headers)

    async def enter(self, request: Request) -> Response:
        """Put a line into the log book: 201 if it is new, 200 if its id is known already."""
        got = await sent(request)
        now_s = self._board.clock()
        entry = entry_from(_entry_fields(got), self._board.plant, now_s, local_time=got.form)
        refuse_across(entry, self._board.plant, self._board.snapshot().set_aside)
        new = await run_in_threadpool(self._board.submit, entry)
        if got.form:
            return RedirectResponse(
                back_to(got, f"/sump/{entry.sump}") + ("?said=logged" if new else "?said=known"), 303
            )
        return _json({"new": new, "entry": entry_json(entry)}, 201 if new else 200)

    async def live(self) -> Response:
        """Tell that the process answers; nothing more."""
        return _json({"live": True})

    def ready(self) -> Response:
        """Tell whether readings are taken in and put on record; 503 with reasons and remedies if not."""
        health = self._board.health()
        if not health.ready:
            detail = "; ".join(reason.what for reason in health.reasons) or "the watch is not ready"
            remedy = "; ".join(reason.remedy for reason in health.reasons if reason.remedy)
            raise Problem(503, detail, remedy=remedy, extra=health_json(health), headers={"Retry-After": "10"})
        return _json(health_json(health))

    def numbers(self) -> Response:
        """Return counters and gauges as OpenMetrics text."""
        return Response(metrics.exposition(self._registry), media_type=metrics.CONTENT_TYPE)

    def _list(self, name: str) -> Response:
        return Response(self.lists.get(name, self._board.snapshot()), media_type=JSON)

    def _known(self, sump: str) -> Sump:
        known = self._board.plant.sumps.get(sump)
        if known is None:
            raise Problem(404, f"There is no sump {sump[:70]!r}.", remedy="GET /api/sumps lists them.")
        return known

    def _view(self, sump: str) -> tuple[SumpView, Snapshot]:
        self._known(sump)
        snapshot = self._board.snapshot()
        view = snapshot.sumps.get(sump)
        if view is None:
            raise _not_yet(sump, "estimate")
        return view, snapshot


def _json(body: Any, status: int = 200) -> Response:
    return Response(encode(body), status, media_type=JSON)


def _not_yet(sump: str, what: str) -> Problem:
    remedy = "Wait for its first readings; /health/ready tells how its sources are doing."
    return Problem(404, f"There is no {what} of {sump} yet.", remedy=remedy)


def _query_time(name: str, text: str | None, default_s: float) -> float:
    try:
        value: float | str | None = float(text) if text and text.replace(".", "", 1).isdecimal() else text
        return read_time(value, default_s)
    except AmountError as error:
        raise Problem(422, f"`{name}` {error}.", errors=[{"where": name, "what": str(error)}]) from None


def _entry_fields(got: Sent) -> dict[str, Any]:
    """Drop what a form carries for its own sake and join its volume with the unit it shows."""
    fields = dict(got.fields)
    if got.form:
        fields.pop("back", None)
        unit = fields.pop("volume_unit", "")
        volume = str(fields.get("volume", "")).strip()
        if unit and volume and volume[-1].isdigit():
            fields["volume"] = f"{volume} {unit}"
        fields = {name: value for name, value in fields.items() if value != ""}
    return fields
