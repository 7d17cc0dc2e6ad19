"""The pages for people: tonight, a sump, the round, the mixing demand, and the sign-in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.aftercare import container_lines
from monitor.status.board import Board, Health
from monitor.status.body import Sent, back_to, sent
from monitor.status.checks import check_lines, day_lines, move_lines, say_coverage
from monitor.status.guard import COOKIE, session_of
from monitor.status.mixing_page import mixing_page, say_mixers
from monitor.status.problems import Problem
from monitor.status.ready_made import KeptPage
from monitor.status.sump_page import sump_page
from monitor.status.templates import render
from monitor.status.tonight import aside_groups, tonight
from monitor.status.walk import walk
from monitor.status.words import URGENCY, full

SAID: Final = {
    "logged": "Written down. The estimate takes it in with its next step.",
    "known": "This was written down already; nothing is counted twice.",
}
SIGN_IN_S: Final = 30 * 86400


def router_for(board: Board, *, with_sign_out: bool) -> APIRouter:
    """Return the pages over a board; with a way to sign out where people sign in."""
    pages = Pages(board, with_sign_out=with_sign_out)
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    routes: dict[str, Callable[..., Any]] = {
        "/": pages.tonight,
        "/sump/{sump}": pages.sump,
        "/round": pages.round,
        "/mixing": pages.mixing,
        "/checks": pages.checks,
        "/labels": pages.labels,
        "/sign-in": pages.sign_in,
    }
    for path, endpoint in routes.items():
        router.add_api_route(path, endpoint, methods=["GET"])
    router.add_api_route("/sign-in", pages.signed_in, methods=["POST"])
    router.add_api_route("/sign-out", pages.signed_out, methods=["POST"])
    return router


class Pages:
    """The endpoints; each renders the latest snapshot in a worker thread."""

    def __init__(self, board: Board, *, with_sign_out: bool) -> None:
        self._board = board
        self._with_sign_out = with_sign_out
        self._opening = KeptPage()

    def tonight(self, request: Request) -> Response:
        """Tell which sumps need somebody before nobody is there; made once for each snapshot."""
        plant, snapshot, health = self._board.plant, self._board.snapshot(), self._board.health()

        def made() -> bytes:
            page, aside = tonight(plant, snapshot), aside_groups(plant, snapshot)
            return self._rendered("tonight.html", "tonight", plant, snapshot, health, page=page, aside=aside)

        said = health.ready, health.reasons
        return self._opening.answer((snapshot, plant), said, made, request.headers.get("accept-encoding", ""))

    def sump(self, sump: str, request: Request) -> HTMLResponse:
        """Show one sump: now, why, what was, what is likely, what to do."""
        snapshot = self._board.snapshot()
        view = snapshot.sumps.get(sump)
        if sump not in self._board.plant.sumps:
            raise Problem(404, f"There is no sump {sump[:70]!r}.", remedy="The opening page lists all sumps.")
        if view is None:
            raise Problem(404, f"Nothing was heard of {sump} yet.", remedy="Wait for its first readings.")
        page = sump_page(self._board.plant, snapshot, view, self._board.reader())
        said = SAID.get(request.query_params.get("said", ""), "")
        plant, now_s = self._board.plant, snapshot.now_s
        after = {"days": day_lines(plant, view), "moved": move_lines(plant, view, now_s), "held": say_coverage(view)}
        return self._page("sump.html", "sump", page=page, said=said, **after)

    def round(self) -> HTMLResponse:
        """Tell what to do before going home, in walking order."""
        return self._page("round.html", "round", page=walk(self._board.plant, self._board.snapshot()))

    def mixing(self) -> HTMLResponse:
        """Tell what the mixing station is asked for."""
        plant, snapshot = self._board.plant, self._board.snapshot()
        fluids, containers = mixing_page(plant, snapshot), container_lines(plant, snapshot)
        return self._page("mixing.html", "mixing", fluids=fluids, containers=containers, mixers=say_mixers(snapshot))

    def checks(self) -> HTMLResponse:
        """Tell which hand checks would change what people do tonight."""
        return self._page("checks.html", "checks", lines=check_lines(self._board.plant, self._board.snapshot()))

    def labels(self) -> HTMLResponse:
        """Give labels for the set-aside fluid, to print."""
        containers = container_lines(self._board.plant, self._board.snapshot())
        return self._page("labels.html", "mixing", containers=containers)

    def sign_in(self, request: Request) -> HTMLResponse:
        """Ask for a token."""
        return self._page("sign_in.html", "sign-in", back=request.query_params.get("next", "/"), wrong=False)

    async def signed_in(self, request: Request) -> Response:
        """Take a token and begin a session with it, kept in a cookie that only this server sees."""
        got = await sent(request)
        token = str(got.fields.get("token", "")).strip()
        session = await run_in_threadpool(self._session, token) if token else None
        if session is None:
            page = await run_in_threadpool(self._page, "sign_in.html", "sign-in", back=_back(got), wrong=True)
            page.status_code = 401
            return page
        answer = RedirectResponse(_back(got), 303)
        secure = request.url.scheme == "https"
        answer.set_cookie(COOKIE, session, max_age=SIGN_IN_S, httponly=True, samesite="strict", secure=secure)
        return answer

    def _session(self, token: str) -> str | None:
        """Begin a session; a wrong token is told by reading, so that no stranger gives the writer work."""
        known = self._board.reader().token_scope(token, self._board.clock())
        return None if known is None else self._board.begin_session(token, SIGN_IN_S)

    async def signed_out(self, request: Request) -> Response:
        """End the session of who asks, here and wherever else its cookie was taken."""
        session = session_of(request.headers)
        if session:
            await run_in_threadpool(self._board.end_session, session)
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=request.url.scheme == "https")
        return answer

    def _page(self, template: str, here: str, **values: Any) -> HTMLResponse:
        health = None if here == "sign-in" else self._board.health()
        return HTMLResponse(self._rendered(template, here, self._board.plant, self._board.snapshot(), health, **values))

    def _rendered(
        self, template: str, here: str, plant: Plant, snapshot: Snapshot, health: Health | None, **values: Any
    ) -> bytes:
        common = {
            "plant": plant,
            "here": here,
            "now": full(snapshot.now_s, plant.zone),
            "health": health,
            "urgency": URGENCY,
            "sign_out": self._with_sign_out and here != "sign-in",
        }
        return render(template, **common, **values).encode()


def _back(got: Sent) -> str:
    return back_to(got, "/")
