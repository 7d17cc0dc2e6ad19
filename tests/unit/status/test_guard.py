"""Who is let in: names on loopback, tokens elsewhere, same origin for changes, bounded bodies."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from monitor.plant.errors import SourceError
from monitor.status.app import create_app
from monitor.status.guard import COOKIE, MAX_BODY_BYTES, check_listener, host_name, is_loopback, must_have_tokens
from tests.fixtures.board import FakeBoard

ENTRY = {"sump": "lathe-04", "kind": "removal", "volume": 3}


@pytest.mark.parametrize("host", ["127.0.0.1", "127.9.9.9", "localhost", "LocalHost", "::1", "[::1]", "a.localhost"])
def test_these_are_this_machine(host: str) -> None:
    assert is_loopback(host)
    assert not must_have_tokens(host)
    check_listener(host, has_tokens=False)


def test_tokens_may_be_asked_for_on_loopback_too() -> None:
    assert must_have_tokens("127.0.0.1", always=True)
    check_listener("127.0.0.1", has_tokens=True, always=True)
    with pytest.raises(SourceError, match=r"status\.tokens: .*bandkeeper token"):
        check_listener("127.0.0.1", has_tokens=False, always=True)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.7.4", "works.example", "127.0.0.1.evil.example", ""])
def test_these_can_be_reached_by_others_and_need_a_token(host: str) -> None:
    assert must_have_tokens(host)
    check_listener(host, has_tokens=True)
    with pytest.raises(SourceError, match="bandkeeper token"):
        check_listener(host, has_tokens=False)


@pytest.mark.parametrize(
    ("header", "name"),
    [("127.0.0.1:8480", "127.0.0.1"), ("[::1]:80", "::1"), ("localhost", "localhost"), ("", ""), ("[", "")],
)
def test_the_name_in_a_host_header(header: str, name: str) -> None:
    assert host_name(header) == name


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8480", "192.168.7.4", "localhost.evil.example", "["])
def test_a_foreign_name_is_refused_on_loopback(client: TestClient, host: str) -> None:
    answer = client.get("/api/sumps", headers={"host": host})
    assert answer.status_code == 421
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["remedy"]


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "Via", "X-Real-IP", "x-forwarded-host"])
def test_a_proxy_does_not_open_loopback_to_others(client: TestClient, guarded: TestClient, header: str) -> None:
    handed_on = {"host": "127.0.0.1:8480", header: "192.168.7.4"}
    answer = client.get("/api/sumps", headers=handed_on)
    assert answer.status_code == 421
    assert "tokens = true" in answer.json()["remedy"]
    assert guarded.get("/api/sumps", headers={**handed_on, "authorization": "Bearer may-read"}).status_code == 200


@pytest.mark.parametrize("host", ["127.0.0.1:8480", "localhost:8480", "[::1]:8480"])
def test_this_machines_own_names_are_welcome(client: TestClient, host: str) -> None:
    assert client.get("/api/sumps", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": ""},
        {"origin": "http://["},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site", "origin": "http://127.0.0.1:8480"},
    ],
)
def test_a_change_from_a_foreign_page_is_refused(client: TestClient, board: FakeBoard, headers: dict[str, str]) -> None:
    before = len(board.record.book)
    for path, body in (("/api/entries", ENTRY), ("/api/alerts/mill-11-outside_band-1/acknowledge", {})):
        answer = client.post(path, json=body, headers=headers)
        assert answer.status_code == 403
    assert len(board.record.book) == before
    assert all(alert.acknowledged_by in {"", "Ana"} for alert in board.picture.alerts)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://127.0.0.1:8480"},
        {"origin": "http://127.0.0.1:8480", "sec-fetch-site": "same-origin"},
        {"sec-fetch-site": "none"},
    ],
)
def test_a_change_from_the_own_page_or_a_program_is_taken(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/api/entries", json=ENTRY, headers=headers).status_code == 201


class Unasked(FakeBoard):
    """A board whose writer must not be asked."""

    def begin_session(self, token: str, lasts_s: float) -> str | None:
        raise AssertionError(f"{token} for {lasts_s:g} s")


def test_a_wrong_token_at_the_sign_in_gives_the_writer_no_work() -> None:
    with TestClient(create_app(Unasked(tokens={"may-act": "act"}), open_without_token=False)) as stranger:
        assert stranger.post("/sign-in", data={"token": "guess"}).status_code == 401
        with pytest.raises(AssertionError, match="may-act"):
            stranger.post("/sign-in", data={"token": "may-act"})


def test_a_page_is_answered_whatever_page_it_was_asked_from(client: TestClient) -> None:
    asked = {"accept": "text/html"}
    for referer, way_back in (("http://[", "/"), ("http://a//evil.example", "/"), ("http://a/round?x=1", "/round")):
        answer = client.get("/nothing", headers={**asked, "referer": referer})
        assert answer.status_code == 404
        assert f'<a href="{way_back}">Go back</a>' in answer.text


def test_reading_across_sites_is_the_browsers_business(client: TestClient) -> None:
    assert client.get("/api/sumps", headers={"sec-fetch-site": "cross-site"}).status_code == 200


def _bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def test_without_a_token_nothing_is_told(guarded: TestClient) -> None:
    for path in ("/api/sumps", "/api/alerts", "/health/ready", "/metrics", "/openapi.json", "/api/stream", "/nowhere"):
        answer = guarded.get(path)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert "lathe" not in answer.text
    assert guarded.get("/health/live").status_code == 200


@pytest.mark.parametrize("header", ["Bearer wrong", "Bearer ", "Basic bWF5LXJlYWQ=", "may-read", "Bearer\tmay-read"])
def test_a_wrong_token_is_no_token(guarded: TestClient, header: str) -> None:
    assert guarded.get("/api/sumps", headers={"authorization": header}).status_code == 401


@pytest.mark.parametrize(
    ("token", "read", "act"), [("may-read", 200, 403), ("may-act", 200, 201), ("may-all", 200, 201)]
)
def test_scopes(guarded: TestClient, token: str, read: int, act: int) -> None:
    assert guarded.get("/api/sumps", headers=_bearer(token)).status_code == read
    answer = guarded.post("/api/entries", json=ENTRY, headers=_bearer(token))
    assert answer.status_code == act
    if act == 403:
        assert "act" in answer.json()["remedy"]


def test_a_token_may_come_from_anywhere_a_cookie_may_not(guarded: TestClient) -> None:
    foreign = {"origin": "https://evil.example"}
    assert guarded.post("/api/entries", json=ENTRY, headers=_bearer("may-act") | foreign).status_code == 201
    guarded.post("/sign-in", data={"token": "may-act"})
    cookie = {"cookie": f"{COOKIE}={guarded.cookies[COOKIE]}"}
    assert guarded.post("/api/entries", json=ENTRY, headers=cookie | foreign).status_code == 403
    own = {"origin": "http://works.example:8480"}
    assert guarded.post("/api/entries", json=ENTRY, headers=cookie | own).status_code == 201


def test_a_browser_is_sent_to_sign_in_and_back(guarded: TestClient) -> None:
    page = guarded.get("/sump/lathe-04", headers={"accept": "text/html"})
    assert (page.status_code, page.headers["location"]) == (303, "/sign-in?next=/sump/lathe-04")
    assert guarded.get(page.headers["location"]).status_code == 200
    wrong = guarded.post("/sign-in", data={"token": "wrong", "back": "/sump/lathe-04"})
    assert wrong.status_code == 401
    assert COOKIE not in wrong.headers.get("set-cookie", "")
    answer = guarded.post("/sign-in", data={"token": " may-act ", "back": "/sump/lathe-04"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sump/lathe-04")
    for part in ("HttpOnly", "SameSite=strict"):
        assert part in answer.headers["set-cookie"]
    assert guarded.get("/sump/lathe-04").status_code == 200


def test_a_revoked_token_ends_the_session(guarded: TestClient, guarded_board: FakeBoard) -> None:
    guarded.post("/sign-in", data={"token": "may-act"})
    assert guarded.get("/api/sumps").status_code == 200
    del guarded_board.record.tokens["may-act"]
    assert guarded.get("/api/sumps").status_code == 401


def test_the_browser_never_holds_the_token_and_signing_out_ends_its_session(guarded: TestClient) -> None:
    guarded.post("/sign-in", data={"token": "may-act"})
    kept = guarded.cookies[COOKIE]
    assert kept != "may-act"
    assert "Sign out" in guarded.get("/").text
    foreign = guarded.post("/sign-out", headers={"origin": "https://evil.example"})
    assert foreign.status_code == 403
    answer = guarded.post("/sign-out", headers={"origin": "http://works.example:8480"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert guarded.get("/api/sumps", headers={"cookie": f"{COOKIE}={kept}"}).status_code == 401


def test_a_token_is_no_session(guarded: TestClient) -> None:
    assert guarded.get("/api/sumps", headers={"cookie": f"{COOKIE}=may-act"}).status_code == 401


def test_where_nobody_signs_in_nobody_signs_out(client: TestClient) -> None:
    assert "Sign out" not in client.get("/").text


def test_sign_in_goes_back_to_this_server_only(guarded: TestClient) -> None:
    answer = guarded.post("/sign-in", data={"token": "may-act", "back": "//evil.example/"})
    assert answer.headers["location"] == "/"


def test_a_body_over_the_bound_is_refused_whether_its_length_is_told_or_not(client: TestClient) -> None:
    told = client.post(
        "/api/entries", content=b"x" * (MAX_BODY_BYTES + 1), headers={"content-type": "application/json"}
    )
    assert (told.status_code, told.headers["content-type"]) == (413, "application/problem+json")

    def pieces() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 4096

    untold = client.post("/api/entries", content=pieces(), headers={"content-type": "application/json"})
    assert (untold.status_code, untold.headers["content-type"]) == (413, "application/problem+json")


@pytest.mark.parametrize("path", ["/", "/sump/lathe-04", "/api/sumps", "/nowhere", "/static/page.css", "/health/live"])
def test_every_answer_carries_the_security_headers(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


def test_pages_are_not_kept_and_styles_are_asked_for_again(client: TestClient) -> None:
    assert client.get("/").headers["cache-control"] == "no-store"
    assert client.get("/static/page.css").headers["cache-control"] == "no-cache"
