"""The page behind the link of a message: one alert, its recipe, one button. Opening it changes nothing.

Mail scanners and phones open links to look at them: only the button acknowledges. The link itself is the right to do
so: it is signed, for one alert and one person, and ends after some days.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import HTMLResponse

from alerts.lifecycle import AlertStateError
from alerts.links import Claim, LinkError
from alerts.types import Alert, AlertState
from alerts.wording import say_lands, say_recipe
from monitor.status.board import Board
from monitor.status.problems import Problem
from monitor.status.templates import render

_OPEN = (AlertState.UNACKNOWLEDGED, AlertState.RETURNED_UNACKNOWLEDGED)


def router_for(board: Board) -> APIRouter:
    """Return the routes over a board."""
    pages = LinkPages(board)
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    router.add_api_route("/acknowledge/{token}", pages.ask, methods=["GET"])
    router.add_api_route("/acknowledge/{token}", pages.acknowledge, methods=["POST"])
    return router


class LinkPages:
    """The endpoints; they run in worker threads."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def ask(self, token: str) -> HTMLResponse:
        """Show the alert and the button."""
        claim = self._claim(token)
        alert = self._alert(claim)
        if alert is None:
            return self._page("It is over", claim, None, said="This alert is closed. Nothing is left to do.")
        if alert.state not in _OPEN:
            return self._page("Somebody is on it", claim, alert, said=_on_it(alert))
        return self._page("Are you on it?", claim, alert, ask=True)

    def acknowledge(self, token: str) -> HTMLResponse:
        """Acknowledge the alert in the name the link was made for."""
        claim = self._claim(token)
        try:
            alert = self._board.acknowledge(claim.alert_id, claim.who)
        except AlertStateError as error:
            return self._page("Nothing to acknowledge", claim, self._alert(claim), said=f"{error}.")
        if alert is None:
            return self._page("It is over", claim, None, said="This alert is closed. Nothing is left to do.")
        return self._page("You are on it", claim, alert, said="Nobody else is called for this alert now.")

    def _claim(self, token: str) -> Claim:
        try:
            return self._board.claim(token)
        except LinkError as error:
            raise Problem(410, f"{error}.", remedy="Open the page of the plant and acknowledge there.") from None

    def _alert(self, claim: Claim) -> Alert | None:
        return next((alert for alert in self._board.snapshot().alerts if alert.id == claim.alert_id), None)

    def _page(self, heading: str, claim: Claim, alert: Alert | None, **values: Any) -> HTMLResponse:
        plant, recipe = self._board.plant, None if alert is None else alert.recipe
        steps = [] if recipe is None else [*say_recipe(recipe, plant), say_lands(recipe, plant)]
        known = {"ask": False, "said": "", **values}
        page = render(
            "acknowledge.html", plant=plant, heading=heading, who=claim.who, alert=alert, steps=steps, **known
        )
        return HTMLResponse(page, headers={"Referrer-Policy": "no-referrer"})


def _on_it(alert: Alert) -> str:
    return f"Acknowledged by {alert.acknowledged_by}." if alert.acknowledged_by else "It is put aside."
