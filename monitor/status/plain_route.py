"""A route whose answer hangs on nothing in the request: described like the others, answered without reading it."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from inspect import iscoroutinefunction, signature
from typing import Any

from fastapi.routing import APIRoute
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send


class PlainRoute(APIRoute):
    """A route of FastAPI, in its OpenAPI document as any other, whose endpoint takes no arguments.

    With nothing to look for in the request, nothing is looked for, and nothing is kept open for it. Methods, errors and
    the guard are as everywhere. It has to stand in the app's own router: what `include_router` takes in is called
    by another way. `TypeError` if the endpoint takes arguments or is not asynchronous.
    """

    def __init__(self, path: str, endpoint: Callable[..., Any], **options: Any) -> None:
        super().__init__(path, endpoint, **options)
        if signature(endpoint).parameters or not iscoroutinefunction(endpoint):
            raise TypeError(f"{path}: a plain route asks an asynchronous function without arguments")
        self.app = _asking(endpoint)


def _asking(endpoint: Callable[[], Coroutine[Any, Any, Response]]) -> ASGIApp:
    async def ask(scope: Scope, receive: Receive, send: Send) -> None:
        await (await endpoint())(scope, receive, send)

    return ask
