"""The status server in a thread of its own."""

from __future__ import annotations

import socket
import ssl
import threading
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI

from monitor.plant.errors import SourceError
from monitor.status.connections import PatientProtocol
from monitor.status.guard import check_listener, is_loopback, must_have_tokens

START_TIMEOUT_S: Final = 30.0
STOP_TIMEOUT_S: Final = 5.0
BACKLOG: Final = 512

__all__ = ["StatusServer", "check_listener", "is_loopback", "must_have_tokens"]


class StatusServer:
    """Serves an app on `host`:`port`; port 0 takes a free one, and after `start` `port` says which.

    With a certificate and its key (PEM files) it speaks https.
    """

    def __init__(
        self, app: FastAPI, host: str, port: int, *, certificate: Path | None = None, key: Path | None = None
    ) -> None:
        self._app = app
        self._host = host.strip("[]")
        self.port = port
        self._thread: threading.Thread | None = None
        self._secure = certificate is not None
        _check_certificate(certificate, key)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=PatientProtocol,
                ws="none",
                loop="monitor.status.connections:patient_loop",
                log_config=None,
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=2,
                limit_concurrency=1000,
                lifespan="on",
                ssl_certfile=certificate,
                ssl_keyfile=key,
            )
        )

    @property
    def url(self) -> str:
        """The address to type into a browser."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"{'https' if self._secure else 'http'}://{host}:{self.port}/"

    def start(self) -> None:
        """Bind and serve; returns once requests are answered. `SourceError` if the address cannot be bound."""
        bound = self._bind()
        self.port = int(bound.getsockname()[1])
        self._thread = threading.Thread(target=self._server.run, args=([bound],), name="status", daemon=True)
        self._thread.start()
        ready: threading.Event = self._app.state.started
        if not ready.wait(START_TIMEOUT_S):
            raise SourceError(f"the status server did not start on {self._host}:{self.port}; see the log")

    def stop(self) -> None:
        """End the open streams and stop serving; returns within a few seconds."""
        if self._thread is None:
            return
        self._server.should_exit = True
        self._app.state.hang_up()
        self._thread.join(STOP_TIMEOUT_S)
        self._thread = None

    def _bind(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_STREAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((self._host, self.port))
            sock.listen(BACKLOG)
        except OSError as error:
            sock.close()
            why = error.strerror or str(error)
            raise SourceError(
                f"status.listen: cannot listen on {self._host}:{self.port}: {why}. Is another program using the "
                "port? Choose another one in [status] listen."
            ) from error
        return sock


def _check_certificate(certificate: Path | None, key: Path | None) -> None:
    """Refuse, with `SourceError`, a certificate and key that cannot serve."""
    if certificate is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except (OSError, ValueError) as error:
        raise SourceError(
            f"status.certificate: {certificate} and {key} cannot be used ({error}). Give a certificate and its own key "
            "as PEM files without a password, which Bandkeeper may read."
        ) from error
