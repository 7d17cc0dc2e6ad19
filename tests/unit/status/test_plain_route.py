"""Routes that hang on nothing in the request: described, guarded and failing like all the others."""

from __future__ import annotations

import pytest
from fastapi import FastAPI
from starlette.responses import Response
from starlette.testclient import TestClient

from monitor.status import problems
from monitor.status.app import create_app
from monitor.status.guard import SECURITY_HEADERS
from monitor.status.plain_route import PlainRoute
from monitor.status.problems import Problem
from tests.fixtures.board import FakeBoard

PLAIN = ("/api/sumps", "/api/mixing", "/api/checks", "/health/live")


async def _well() -> Response:
    """Tell that all is well."""
    return Response(b"well")


async def _ill() -> Response:
    raise Problem(409, "It is not well.", remedy="Rest.")


async def _broken() -> Response:
    raise RuntimeError("a fault of our own")


def _app() -> FastAPI:
    app = FastAPI(docs_url=None, redoc_url=None)
    problems.install(app)
    for path, endpoint in {"/well": _well, "/ill": _ill, "/broken": _broken}.items():
        app.router.add_api_route(path, endpoint, response_class=Response, route_class_override=PlainRoute)
    return app


def test_it_answers_and_stands_in_the_document() -> None:
    app = _app()
    assert TestClient(app).get("/well").text == "well"
    assert app.openapi()["paths"]["/well"]["get"]["description"] == "Tell that all is well."


def test_it_takes_no_other_method() -> None:
    refused = TestClient(_app()).post("/well")
    assert (refused.status_code, refused.headers["allow"]) == (405, "GET")
    assert refused.json()["status"] == 405


def test_its_errors_are_problems() -> None:
    client = TestClient(_app(), raise_server_exceptions=False)
    assert client.get("/ill").json()["remedy"] == "Rest."
    assert client.get("/broken").json()["status"] == 500


def test_an_endpoint_with_arguments_is_refused() -> None:
    async def wants(sump: str) -> Response:
        return Response(sump)

    def waits() -> Response:
        return Response(b"")

    for endpoint in (wants, waits):
        with pytest.raises(TypeError, match="/x"):
            FastAPI().router.add_api_route("/x", endpoint, response_class=Response, route_class_override=PlainRoute)


def test_these_addresses_are_plain_and_come_with_every_security_header(client: TestClient) -> None:
    app = create_app(FakeBoard(), open_without_token=True)
    assert {route.path for route in app.router.routes if isinstance(route, PlainRoute)} == set(PLAIN)
    for path in PLAIN:
        answer = client.get(path)
        assert answer.status_code == 200
        assert {name: answer.headers[name] for name in SECURITY_HEADERS} == SECURITY_HEADERS
        assert answer.headers["cache-control"] == "no-store"


def test_these_addresses_are_not_open_without_a_token(guarded: TestClient) -> None:
    for path in PLAIN[:3]:
        assert guarded.get(path).status_code == 401
        assert guarded.get(path, headers={"authorization": "Bearer may-read"}).status_code == 200
