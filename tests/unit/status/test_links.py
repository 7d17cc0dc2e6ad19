"""The page behind a message's link: opening it changes nothing, its button acknowledges, and nothing else is open."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from starlette.testclient import TestClient

from alerts.links import VALID_S, Claim, LinkError, read_link, sign_link
from alerts.types import AlertState
from monitor.status.app import create_app
from tests.fixtures.board import LINK_KEY, NOW_S, FakeBoard


def link(board: FakeBoard, number: int = 0) -> str:
    alert = board.picture.alerts[number]
    return "/acknowledge/" + sign_link(LINK_KEY, Claim(alert.id, "Ana", NOW_S + VALID_S))


def test_only_the_button_acknowledges_and_no_token_is_needed() -> None:
    board = FakeBoard(tokens={"secret": "read"})
    client = TestClient(create_app(board, open_without_token=False), base_url="http://phone.example")
    at = next(n for n, a in enumerate(board.picture.alerts) if a.state is AlertState.UNACKNOWLEDGED)
    for _ in range(3):  # a scanner, a preview, a person
        page = client.get(link(board, at))
        assert page.status_code == 200
        assert "I am on it (Ana)" in page.text
    assert board.picture.alerts[at].state is AlertState.UNACKNOWLEDGED
    assert "You are on it" in client.post(link(board, at)).text
    assert (board.picture.alerts[at].state, board.picture.alerts[at].acknowledged_by) == (
        AlertState.ACKNOWLEDGED,
        "Ana",
    )
    assert "<button>" not in client.get(link(board, at)).text
    assert client.get("/api/alerts").status_code == 401, "the link opens nothing else"


def test_a_link_of_a_closed_alert_says_so() -> None:
    board = FakeBoard()
    client = TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1")
    token = sign_link(LINK_KEY, Claim("gone", "Ana", NOW_S + 1.0))
    assert "It is over" in client.get(f"/acknowledge/{token}").text
    assert "It is over" in client.post(f"/acknowledge/{token}").text


@pytest.mark.parametrize("change", [lambda t: t[:-2] + "AA", lambda t: "A" + t, lambda _: "x", lambda t: t * 9])
def test_a_link_that_was_changed_allows_nothing(change: Callable[[str], str]) -> None:
    token = sign_link(LINK_KEY, Claim("a-1", "Ana", NOW_S + 1.0))
    assert read_link(LINK_KEY, token, NOW_S) == Claim("a-1", "Ana", NOW_S + 1.0)
    with pytest.raises(LinkError):
        read_link(LINK_KEY, change(token), NOW_S)


def test_a_link_ends_and_is_good_for_one_key_only() -> None:
    token = sign_link(LINK_KEY, Claim("a-1", "Ana", NOW_S))
    with pytest.raises(LinkError, match="too old"):
        read_link(LINK_KEY, token, NOW_S + 1.5)
    with pytest.raises(LinkError, match="not one of ours"):
        read_link(b"x" * 32, token, NOW_S)
