"""Events to a web address: CloudEvents 1.0 (structured JSON) or a short text for a gateway, signed with HMAC-SHA256.

The header `Bandkeeper-Signature: t=SECONDS,v1=HEX` holds the HMAC of `SECONDS.BODY`; a receiver checks it with the
shared key, refuses old times, and drops events whose id it has seen.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import ssl
import time
from http import HTTPStatus
from http.client import HTTPException
from pathlib import Path
from typing import Any, Final
from urllib.error import HTTPError, URLError
from urllib.request import HTTPRedirectHandler, HTTPSHandler, OpenerDirector, ProxyHandler, Request, build_opener

from adapters.outlet import Letter, Said, Verdict, text_option
from adapters.secrets import read_secret
from monitor.plant.people import ChannelSpec

SIGNATURE: Final = "Bandkeeper-Signature"
_LITTLE: Final = 1024


class WebhookOutlet:
    """One web address. Redirects are not followed and no proxy is asked: the address in the plant file is meant."""

    def __init__(self, spec: ChannelSpec) -> None:
        self.id = spec.id
        self._url = text_option(spec, "url")
        self._timeout_s = float(str(spec.options.get("timeout") or 10.0))
        self._secret_file, self._ca_file = spec.options.get("secret_file"), spec.options.get("ca_file")
        self._short = spec.form == "short"

    def send(self, letter: Letter) -> Verdict:
        """Post the event once."""
        body, kind = self._body(letter)
        headers = {"Content-Type": kind, "User-Agent": "bandkeeper", "Idempotency-Key": letter.id}
        try:
            secret = read_secret(self._secret_file, f"{self.id}-secret")
            if secret:
                headers[SIGNATURE] = sign(secret, body, int(time.time()))
            request = Request(self._url, data=body, headers=headers, method="POST")  # noqa: S310 - checked by the loader
            with self._opener().open(request, timeout=self._timeout_s) as answer:
                answer.read(_LITTLE)
                status = int(answer.status)
        except HTTPError as error:
            error.close()
            return _judged(error.code)
        except URLError as error:
            return Verdict(Said.AGAIN, f"{self._url}: {error.reason}")
        except (OSError, HTTPException) as error:
            return Verdict(Said.AGAIN, f"{self._url}: {error or type(error).__name__}")
        return _judged(status)

    def _body(self, letter: Letter) -> tuple[bytes, str]:
        if self._short:
            return json.dumps({"id": letter.id, "to": letter.to, "text": letter.short}).encode(), "application/json"
        return json.dumps(letter.event).encode(), "application/cloudevents+json"

    def _opener(self) -> OpenerDirector:
        ca_file = self._ca_file if isinstance(self._ca_file, Path) else None
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
        return build_opener(ProxyHandler({}), HTTPSHandler(context=context), _NoRedirect())


class _NoRedirect(HTTPRedirectHandler):
    """Lets a redirect be the answer."""

    def redirect_request(self, *_arguments: Any, **_named: Any) -> None:
        """Follow nothing."""


def sign(secret: str, body: bytes, time_s: int) -> str:
    """Return the signature header of a body."""
    digest = hmac.new(secret.encode(), f"{time_s}.".encode() + body, hashlib.sha256).hexdigest()
    return f"t={time_s},v1={digest}"


def _judged(status: int) -> Verdict:
    if 200 <= status < 300:
        return Verdict(Said.DELIVERED)
    said = Said.NEVER if status == HTTPStatus.GONE else Said.AGAIN
    return Verdict(said, f"the receiver answers {status}")
