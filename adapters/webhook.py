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
from datetime import UTC
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from http.client import HTTPException
from pathlib import Path
from typing import Any, Final
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, HTTPSHandler, OpenerDirector, ProxyHandler, Request, build_opener

from adapters.outlet import Letter, Said, Verdict, text_option, to_mend
from adapters.secrets import read_secret
from monitor.plant.people import ChannelSpec

SIGNATURE: Final = "Bandkeeper-Signature"
LONGEST_WAIT_S: Final = 86400.0
"""So long at most a receiver is left alone at its word."""
_LITTLE: Final = 1024


class WebhookOutlet:
    """One web address. Redirects are not followed: the address in the plant file is meant.

    A proxy is asked only where the plant file names one; variables of the environment are not looked at.
    """

    def __init__(self, spec: ChannelSpec) -> None:
        self.id = spec.id
        self._url = text_option(spec, "url")
        parts = urlsplit(self._url)
        self._place = f"{parts.scheme}://{parts.netloc}"
        """Said in messages: the path of such an address often is a secret."""
        self._timeout_s = float(str(spec.options.get("timeout") or 10.0))
        self._secret_file, self._ca_file = spec.options.get("secret_file"), spec.options.get("ca_file")
        self._proxy = spec.options.get("proxy")
        self._short = spec.form == "short"

    def send(self, letter: Letter) -> Verdict:
        """Post the event once."""
        body, kind = self._body(letter)
        headers = {"Content-Type": kind, "User-Agent": "bandkeeper", "Idempotency-Key": letter.id}
        try:
            secret, opener = read_secret(self._secret_file, f"{self.id}-secret"), self._opener()
        except OSError as error:
            return to_mend(f"channel {self.id}: a file cannot be used: {error}", "see to secret_file and ca_file")
        if secret:
            headers[SIGNATURE] = sign(secret, body, int(time.time()))
        try:
            with opener.open(self._request(body, headers), timeout=self._timeout_s) as answer:
                answer.read(_LITTLE)
                status = int(answer.status)
        except HTTPError as error:
            error.close()
            return _judged(error.code, error.headers.get("Retry-After"))
        except URLError as error:
            return self._unreached(error.reason)
        except (OSError, HTTPException) as error:
            return Verdict(Said.AGAIN, f"{self._place}: {error or type(error).__name__}")
        return _judged(status)

    def _request(self, body: bytes, headers: dict[str, str]) -> Request:
        request = Request(self._url, data=body, headers=headers, method="POST")  # noqa: S310 - checked by the loader
        if isinstance(self._proxy, str):
            proxy = urlsplit(self._proxy)
            request.set_proxy(proxy.netloc, proxy.scheme)
        return request

    def _unreached(self, reason: object) -> Verdict:
        if isinstance(reason, ssl.SSLCertVerificationError):
            what = f"{self._place}: the receiver's certificate is not trusted: {reason.verify_message}"
            return to_mend(what, "name its authority in ca_file, and the receiver in url as its certificate does")
        return Verdict(Said.AGAIN, f"{self._place}: {reason}")

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


def _judged(status: int, retry_after: str | None = None) -> Verdict:
    if 200 <= status < 300:
        return Verdict(Said.DELIVERED)
    if status == HTTPStatus.GONE:
        return Verdict(Said.NEVER, f"the receiver answers {status}")
    after_s = None if retry_after is None else wait_asked_s(retry_after, time.time())
    return Verdict(Said.AGAIN, f"the receiver answers {status}", after_s=after_s)


def wait_asked_s(retry_after: str, now_s: float) -> float | None:
    """Read a `Retry-After` (RFC 9110, section 10.2.3): seconds, or a date; None for what is neither."""
    text = retry_after.strip()
    if text.isascii() and text.isdecimal():
        return min(float(text), LONGEST_WAIT_S)
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return None
    until = until if until.tzinfo is not None else until.replace(tzinfo=UTC)
    return min(max(until.timestamp() - now_s, 0.0), LONGEST_WAIT_S)
