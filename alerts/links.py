"""Links that acknowledge one alert in one person's name, for a time: signed, so that nobody can make or change one."""

from __future__ import annotations

import binascii
import hashlib
import hmac
import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass

from monitor.plant.errors import BandkeeperError

VALID_S = 3 * 86400.0
_PURPOSE = b"bandkeeper acknowledge 1\n"
_SIGNATURE_BYTES = 16
_LONGEST = 600


class LinkError(BandkeeperError):
    """A link that acknowledges nothing, and why."""


@dataclass(frozen=True, slots=True)
class Claim:
    """What a link allows: to acknowledge this alert in this name until then."""

    alert_id: str
    who: str
    until_s: float


def sign_link(key: bytes, claim: Claim) -> str:
    """Return the token of a link."""
    body = json.dumps([claim.alert_id, claim.who, round(claim.until_s)], separators=(",", ":")).encode()
    return f"{_written(body)}.{_written(_signature(key, body))}"


def read_link(key: bytes, token: str, now_s: float) -> Claim:
    """Return what a token allows. LinkError if it is not ours, was changed, or its time is over."""
    if len(token) > _LONGEST:
        raise LinkError("this link is not one of ours")
    try:
        first, _, second = token.partition(".")
        body, signature = _read(first), _read(second)
    except (ValueError, binascii.Error) as error:
        raise LinkError("this link is not whole: open it from the message itself") from error
    if not hmac.compare_digest(signature, _signature(key, body)):
        raise LinkError("this link is not one of ours")
    alert_id, who, until_s = json.loads(body)
    if now_s > until_s:
        raise LinkError("this link is too old: acknowledge on the page")
    return Claim(alert_id, who, float(until_s))


def _signature(key: bytes, body: bytes) -> bytes:
    return hmac.new(key, _PURPOSE + body, hashlib.sha256).digest()[:_SIGNATURE_BYTES]


def _written(raw: bytes) -> str:
    return urlsafe_b64encode(raw).rstrip(b"=").decode()


def _read(text: str) -> bytes:
    return urlsafe_b64decode(text.encode("ascii") + b"=" * (-len(text) % 4))
