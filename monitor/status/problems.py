"""Errors as RFC 9457 problems: one shape for everything that goes wrong, for programs and for people.

A browser that asked for a page gets the same words as a page; everything else gets `application/problem+json`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any
from urllib.parse import urlsplit

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import Response

from alerts.lifecycle import AlertStateError
from monitor.plant.errors import BandkeeperError, RecordError
from monitor.status.shapes import encode
from monitor.status.templates import render

PROBLEM_JSON = "application/problem+json"
_MACHINE_PATHS = ("/api", "/health", "/metrics", "/openapi.json", "/static")
_HELP = {
    404: "GET /api/sumps lists what there is; the addresses are in /openapi.json.",
    405: "See the Allow header and /openapi.json for the methods of this address.",
}


class Problem(Exception):  # noqa: N818 - the word of RFC 9457
    """An answer that is an error: status, what is wrong, what would be right, and faults by field."""

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        remedy: str = "",
        errors: Sequence[Mapping[str, str]] = (),
        headers: Mapping[str, str] | None = None,
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.remedy = remedy
        self.errors = [dict(error) for error in errors]
        self.headers = dict(headers or {})
        self.extra = dict(extra or {})

    @property
    def title(self) -> str:
        """The status in words, as RFC 9457 asks for the type `about:blank`."""
        return HTTPStatus(self.status).phrase

    def as_json(self, instance: str) -> dict[str, Any]:
        """Return the problem's members."""
        body = {"type": "about:blank", "title": self.title, "status": self.status, "detail": self.detail}
        body["instance"] = instance
        if self.remedy:
            body["remedy"] = self.remedy
        if self.errors:
            body["errors"] = self.errors
        return body | self.extra


def wants_page(method: str, path: str, headers: Headers) -> bool:
    """Tell whether an error should be a page: a browser asked for a page's address, or sent a page's form."""
    page = not path.startswith(_MACHINE_PATHS) or (method == "POST" and path.startswith("/api"))
    return page and "text/html" in headers.get("accept", "")


def problem_response(problem: Problem, method: str, path: str, headers: Headers) -> Response:
    """Return the answer for a problem, as a page or as problem+json."""
    if wants_page(method, path, headers):
        html = render("problem.html", problem=problem, back=_came_from(headers.get("referer", "")))
        return Response(html, problem.status, problem.headers, "text/html")
    return Response(encode(problem.as_json(path)), problem.status, problem.headers, PROBLEM_JSON)


def _came_from(referer: str) -> str:
    """Return the path of the page that somebody came from, for the way back."""
    try:
        return local_path(urlsplit(referer).path) or "/"
    except ValueError:
        return "/"


def local_path(path: str) -> str:
    """Return a path of this server, without its query; an empty text for anything that may lead elsewhere."""
    local = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path.partition("?")[0] if local else ""


def answer(request: Request, problem: Problem) -> Response:
    """Return the answer for a problem met while serving a request."""
    return problem_response(problem, request.method, request.url.path, request.headers)


def _from_http(error: HTTPException) -> Problem:
    """Turn the framework's own error (unknown route, wrong method) into a problem."""
    detail = error.detail if error.detail != HTTPStatus(error.status_code).phrase else ""
    words = detail or {404: "There is nothing at this address.", 405: "This address does not take that method."}.get(
        error.status_code, HTTPStatus(error.status_code).description
    )
    return Problem(error.status_code, words, remedy=_HELP.get(error.status_code, ""), headers=error.headers)


def _from_validation(error: RequestValidationError) -> Problem:
    """Turn the framework's list of faults into a problem with a line for each."""
    faults = [{"where": ".".join(str(part) for part in e["loc"][1:]), "what": str(e["msg"])} for e in error.errors()]
    return Problem(422, "Some of what was sent cannot be used.", errors=faults)


def _from_house(error: BandkeeperError) -> Problem:
    """Turn one of the house's own errors into a problem."""
    if isinstance(error, RecordError):
        remedy = "Nothing was taken in. See /health/ready, then send it again; the same id is never counted twice."
        return Problem(503, str(error), remedy=remedy, headers={"Retry-After": "10"})
    if isinstance(error, AlertStateError):
        return Problem(409, f"{error}.", remedy="GET /api/alerts tells the state of each alert.")
    return Problem(500, str(error))


def install(app: FastAPI) -> None:
    """Make every error of the app a problem."""

    async def on_problem(request: Request, error: Exception) -> Response:
        assert isinstance(error, Problem)  # noqa: S101 - registered for this class only
        return answer(request, error)

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
        return answer(request, _from_http(error))

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class only
        return answer(request, _from_validation(error))

    async def on_house(request: Request, error: Exception) -> Response:
        assert isinstance(error, BandkeeperError)  # noqa: S101 - registered for this class only
        return answer(request, _from_house(error))

    async def on_any(request: Request, _error: Exception) -> Response:
        detail = "The server met an error of its own; its log says which. Readings go on being taken in."
        return answer(request, Problem(500, detail))

    app.add_exception_handler(Problem, on_problem)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(BandkeeperError, on_house)
    app.add_exception_handler(Exception, on_any)
