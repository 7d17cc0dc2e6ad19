"""Who may ask: host names on loopback, tokens elsewhere, same origin for changes, and a bound on what is read.

Pure ASGI, in front of the routes. On loopback the server is open to this machine, so three doors are watched: a foreign
name in `Host` (DNS rebinding), a proxy that would open it to others, and a foreign page in `Origin` or
`Sec-Fetch-Site` (cross-site requests).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from functools import lru_cache
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.plant.errors import SourceError
from monitor.status.board import Board
from monitor.status.problems import Problem, problem_response, wants_page

MAX_BODY_BYTES: Final = 64 * 1024
COOKIE: Final = "bandkeeper_session"
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
SCOPES: Final = {"read": 0, "act": 1, "admin": 2}
LINKS: Final = "/acknowledge/"
"""Addresses in messages: the link itself is the right to open them, under whatever name the phone reaches us."""
FORWARDED: Final = frozenset({b"forwarded", b"via", b"x-forwarded-for", b"x-forwarded-host", b"x-real-ip"})
"""What proxies add: who asks through one is not this machine, whatever name the proxy puts into `Host`."""
OPEN_PATHS: Final = ("/health/live", "/static/", "/sign-in", LINKS)
SECURITY_HEADERS: Final = {
    "Content-Security-Policy": "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; "
    "object-src 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}


def is_loopback(host: str) -> bool:
    """Tell whether a host name or address is this machine only: `localhost`, 127.0.0.0/8 or ::1."""
    name = host.strip("[]").rstrip(".").lower()
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def must_have_tokens(host: str, *, always: bool = False) -> bool:
    """Tell whether a listener on `host` needs tokens: it can be reached from other machines, or they are asked for."""
    return always or not is_loopback(host)


def check_listener(host: str, has_tokens: bool, *, always: bool = False) -> None:
    """Refuse, with `SourceError`, a listener that needs tokens while no token exists."""
    if has_tokens or not must_have_tokens(host, always=always):
        return
    if is_loopback(host):
        raise SourceError(
            "status.tokens: everybody needs a token, and there is none yet. Make one with `bandkeeper token PLANT.toml "
            "NAME --scope act`, or leave tokens out: the page is then open to this machine."
        )
    raise SourceError(
        f"status.listen: {host} can be reached from other machines, and there is no token yet: anybody on the "
        "network could read and change the log book. Make one with `bandkeeper token PLANT.toml NAME "
        "--scope act`, or listen on 127.0.0.1 only."
    )


def host_name(header: str) -> str:
    """Return the name in a Host header without its port; an unreadable one gives an empty name."""
    try:
        return urlsplit(f"//{header}").hostname or ""
    except ValueError:
        return ""


@lru_cache(maxsize=8)
def _names_this_machine(header: str) -> bool:
    """Tell whether a Host header names this machine only; a client sends the same one with each request."""
    return is_loopback(host_name(header))


def is_same_origin(headers: Headers) -> bool:
    """Tell whether a request was not sent by a foreign page (no browser header at all: not a page's doing)."""
    if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}:
        return False
    origin = headers.get("origin")
    return origin is None or _place(origin) == headers.get("host", "").lower() != ""


def _place(origin: str) -> str:
    """Return host and port of an origin; an unreadable one is nobody's."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def token_of(headers: Headers) -> str:
    """Return the token in `Authorization: Bearer …`, else an empty text."""
    kind, _, value = headers.get("authorization", "").partition(" ")
    return value.strip() if kind.lower() == "bearer" else ""


def session_of(headers: Headers) -> str:
    """Return the session in the cookie of somebody who signed in, else an empty text."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return morsel.value if morsel else ""


class Guard:
    """The middleware that lets a request in, or answers it with a problem."""

    def __init__(self, app: ASGIApp, board: Board, *, open_without_token: bool) -> None:
        self._app = app
        self._board = board
        self._open = open_without_token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a refused request; hand on the others."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        guarded = _with_headers(send, static=scope["path"].startswith("/static/"))
        headers = Headers(scope=scope)
        refusal = self._refuse(scope, headers) or await self._refuse_token(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, guarded)
        else:
            await self._app(scope, _bounded(receive), guarded)

    def _refuse(self, scope: Scope, headers: Headers) -> Response | None:
        problem = self._wrong_host(scope, headers) or _foreign(scope, headers) or _too_large(headers)
        return None if problem is None else _answer(problem, scope, headers)

    def _wrong_host(self, scope: Scope, headers: Headers) -> Problem | None:
        host = headers.get("host", "")
        if not self._open or scope["path"].startswith((LINKS, "/static/")):
            return None
        if any(name in FORWARDED for name, _ in scope["headers"]):
            what = "This server is open to this machine only, and a proxy handed on what another one may have asked."
            remedy = "Write tokens = true under [status] in the plant file, so that everybody needs a token here too."
            return Problem(421, what, remedy=remedy)
        if _names_this_machine(host):
            return None
        name = host_name(host)
        remedy = "Use http to 127.0.0.1 or localhost. To serve other machines, listen on an address and make tokens."
        return Problem(421, f"This server answers this machine only, not the name {name!r}.", remedy=remedy)

    async def _refuse_token(self, scope: Scope, headers: Headers) -> Response | None:
        if self._open or scope["path"].startswith(OPEN_PATHS):
            return None
        held = await run_in_threadpool(self._held, headers)
        if held is None:
            return _ask_for_token(scope, headers, given=bool(token_of(headers)))
        needed = "read" if scope["method"] in SAFE_METHODS else "act"
        if SCOPES.get(held, -1) >= SCOPES[needed]:
            return None
        remedy = f"Use a token with the scope `{needed}`."
        return _answer(Problem(403, f"This token may only {held}.", remedy=remedy), scope, headers)

    def _held(self, headers: Headers) -> str | None:
        """Find the scope of who asks: a program with a token, or a person who signed in."""
        reader, now_s = self._board.reader(), self._board.clock()
        if token := token_of(headers):
            return reader.token_scope(token, now_s)
        session = session_of(headers)
        return reader.session_scope(session, now_s) if session else None


def _answer(problem: Problem, scope: Scope, headers: Headers) -> Response:
    return problem_response(problem, scope["method"], scope["path"], headers)


def _ask_for_token(scope: Scope, headers: Headers, *, given: bool) -> Response:
    if scope["method"] == "GET" and wants_page("GET", scope["path"], headers):
        return RedirectResponse("/sign-in?next=" + quote(scope["path"], safe="/"), 303)
    what = "This token is not valid, or no longer." if given else "This address needs a token."
    remedy = "Send `Authorization: Bearer TOKEN`; in a browser go to /sign-in."
    return _answer(
        Problem(401, what, remedy=remedy, headers={"WWW-Authenticate": 'Bearer realm="bandkeeper"'}), scope, headers
    )


def _foreign(scope: Scope, headers: Headers) -> Problem | None:
    if scope["method"] in SAFE_METHODS:
        return None
    if headers.get("authorization", "").lower().startswith("bearer ") or is_same_origin(headers):
        return None
    remedy = (
        "Send it from this server's own page, or with `Authorization: Bearer TOKEN`. A proxy has to hand on `Host` as "
        "it came."
    )
    return Problem(403, "This change was sent by a page of another site and was refused.", remedy=remedy)


def _too_large(headers: Headers) -> Problem | None:
    length = headers.get("content-length", "0")
    return _over() if length.isdecimal() and int(length) > MAX_BODY_BYTES else None


def _over() -> Problem:
    limit = f"{MAX_BODY_BYTES // 1024} KiB"
    return Problem(413, f"More than {limit} were sent.", remedy=f"Send at most {limit} in one request.")


def _bounded(receive: Receive) -> Receive:
    """Count what comes in, so that a body without a length is bounded too."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > MAX_BODY_BYTES:
            raise _over()
        return message

    return bounded


def _with_headers(send: Send, *, static: bool) -> Send:
    """Add the security headers to every answer, where it does not say its own."""

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", ()))
            said = {name.lower() for name, _ in headers}
            headers += [header for header in (_STATIC_HEADERS if static else _HEADERS) if header[0] not in said]
            message["headers"] = headers
        await send(message)

    return guarded


def _raw(headers: Mapping[str, str]) -> tuple[tuple[bytes, bytes], ...]:
    """Return headers as ASGI sends them: names in small letters, all in Latin-1."""
    return tuple((name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items())


_HEADERS: Final = _raw({**SECURITY_HEADERS, "Cache-Control": "no-store"})
_STATIC_HEADERS: Final = _raw({**SECURITY_HEADERS, "Cache-Control": "no-cache"})
