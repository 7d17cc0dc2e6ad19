"""The status app: the API of the contract, the page for people, and the guard in front of both."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Final

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from monitor.status import api, link_pages, pages, problems
from monitor.status.board import Board
from monitor.status.guard import Guard
from monitor.status.stream import Streams

STATIC: Final = Path(__file__).parent / "static"


def create_app(board: Board, *, open_without_token: bool) -> FastAPI:
    """Return the app over a board.

    `open_without_token` is for a listener on loopback only: everything is open, but only to this machine's own names.
    """
    streams = Streams(board)
    app = FastAPI(
        title="Bandkeeper",
        summary="Coolant sumps: estimates, forecasts, recipes and alerts.",
        version="1",
        docs_url=None,
        redoc_url=None,
        lifespan=_lifespan(streams),
    )
    app.state.started = threading.Event()
    problems.install(app)
    api.add_routes(app.router, board, streams)
    app.include_router(pages.router_for(board, with_sign_out=not open_without_token))
    app.include_router(link_pages.router_for(board))
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(Guard, board=board, open_without_token=open_without_token)
    return app


def _lifespan(streams: Streams) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    """Say when the app serves, and offer other threads a way to end the streams."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()
        app.state.hang_up = lambda: loop.call_soon_threadsafe(streams.close)
        app.state.started.set()
        yield
        streams.close()

    return lifespan
