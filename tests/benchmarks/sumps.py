"""What `GET /api/sumps` and the opening page cost for 500 sumps, beside FastAPI sending the same bytes ready-made.

Both apps are called as a server calls them, without a network between, in turns, in CPU time. The first answer of a
snapshot, which encodes it, stands by itself: it comes once a quarter of an hour.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final

import numpy as np
from fastapi import FastAPI, Response

from monitor.pipeline import Pipeline
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.app import create_app
from tests.benchmarks.pipeline import START_S, minute, works
from tests.fixtures.board import FakeBoard

SUMPS: Final = 500
MINUTES: Final = 75
CALLS: Final = 200
ROUNDS: Final = 6
PATHS: Final = {"": "/api/sumps", "page_": "/"}
SCOPE: Final = {
    "type": "http",
    "asgi": {"version": "3.0"},
    "http_version": "1.1",
    "method": "GET",
    "scheme": "http",
    "query_string": b"",
    "root_path": "",
    "headers": [(b"host", b"127.0.0.1:8480")],
    "client": ("127.0.0.1", 50000),
    "server": ("127.0.0.1", 8480),
}


def watched(shop: Plant) -> Snapshot:
    """Return the snapshot of a plant that was heard for more than an hour."""
    pipeline, dice = Pipeline(shop), np.random.default_rng(1)
    for number in range(MINUTES):
        pipeline.take(minute(shop, number, dice))
    for _ in pipeline.run_until(START_S + 60.0 * MINUTES):
        pass
    return pipeline.snapshot


def ready_made(path: str, body: bytes) -> FastAPI:
    """Return an app that sends these bytes and nothing else."""
    app = FastAPI(docs_url=None, redoc_url=None)

    @app.get(path)
    async def sumps() -> Response:
        return Response(body, media_type="application/json" if path != "/" else "text/html")

    return app


async def answer(app: FastAPI, path: str) -> bytes:
    """Ask an app as a server does; return the body."""
    parts: list[bytes] = []

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            assert message["status"] == 200, message
        parts.append(message.get("body", b""))

    call: Callable[..., Awaitable[None]] = app
    await call({**SCOPE, "path": path, "raw_path": path.encode()}, receive, send)
    return b"".join(parts)


async def timed(app: FastAPI, path: str) -> float:
    """Return the CPU seconds of one answer."""
    began = time.process_time()
    for _ in range(CALLS):
        await answer(app, path)
    return (time.process_time() - began) / CALLS


async def _measure(sumps: int) -> dict[str, float]:
    shop, board = works(sumps), FakeBoard()
    board.plant, board.picture = shop, watched(shop)
    found = {"sumps": float(sumps)}
    for name, path in PATHS.items():
        found |= {name + what: figure for what, figure in (await _beside(board, path)).items()}
    return found


async def _beside(board: FakeBoard, path: str) -> dict[str, float]:
    ours = create_app(board, open_without_token=True)
    began = time.process_time()
    body = await answer(ours, path)
    first_s = time.process_time() - began
    plain = ready_made(path, body)
    assert await answer(plain, path) == body
    found = [float("inf"), float("inf")]
    for _ in range(ROUNDS):
        for i, app in enumerate((ours, plain)):
            found[i] = min(found[i], await timed(app, path))
    return {
        "bytes": float(len(body)),
        "first_answer_ms": 1e3 * first_s,
        "answer_us": 1e6 * found[0],
        "ready_made_us": 1e6 * found[1],
        "ratio": found[0] / found[1],
    }


def measure(sumps: int = SUMPS) -> dict[str, float]:
    """Return microseconds of CPU an answer of ours and of the plain app, and their ratio."""
    return asyncio.run(_measure(sumps))


def main(arguments: list[str]) -> int:
    """Print the figures; the first argument is the number of sumps (500)."""
    for name, figure in measure(*map(int, arguments[:1])).items():
        print(f"{name:20} {figure:12.2f}")
    return 0
