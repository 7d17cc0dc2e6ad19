"""Each channel against a real receiver: what it says of refusals, delays, hang-ups and acceptance."""

from __future__ import annotations

import hashlib
import hmac
from pathlib import Path
from typing import Any

import pytest

from adapters.mail import MailOutlet
from adapters.outlet import Letter, Said
from adapters.webhook import SIGNATURE, WebhookOutlet, sign
from monitor.plant.people import ChannelSpec, Form
from tests.fixtures.ports import free_port
from tests.fixtures.receivers import HookServer, MailServer

pytestmark = pytest.mark.live
EVENT = {"specversion": "1.0", "id": "t-1", "source": "bandkeeper/works", "type": "bandkeeper.alert.raised"}


def letter(to: str = "ana@example.org", **changes: Any) -> Letter:
    """Return a letter."""
    said: dict[str, Any] = {
        "id": "t-1",
        "person": "ana",
        "to": to,
        "subject": "high: lathe-04\nis LOW now",
        "text": "DO THIS\n1. Add 20 L",
        "html": "<p>Do this</p>",
        "short": "lathe-04 is LOW now. Add 20 L",
        "made_s": 1930684200.0,
        "event": EVENT,
    }
    return Letter(**{**said, **changes})


def mail(port: int, *, form: Form = "full", **options: object) -> MailOutlet:
    """Return a mail channel to a port of this machine."""
    sure = {"host": "127.0.0.1", "port": port, "security": "plain", "sender": "watch@example.org", "timeout": 5.0}
    return MailOutlet(ChannelSpec("post", "mail", form, {**sure, **options}))


def hook(url: str, *, form: Form = "full", **options: object) -> WebhookOutlet:
    """Return a webhook channel."""
    return WebhookOutlet(ChannelSpec("hook", "webhook", form, {"url": url, "timeout": 5.0, **options}))


def test_a_letter_has_both_texts_and_the_same_message_id_at_every_repeat() -> None:
    with MailServer() as server:
        assert mail(server.port).send(letter()).said is Said.DELIVERED
        assert mail(server.port).send(letter()).said is Said.DELIVERED
        assert mail(server.port).send(letter(id="t-2")).said is Said.DELIVERED
        first, again, other = server.box.letters
    assert first["Subject"] == "high: lathe-04 is LOW now"
    assert first["To"] == "ana@example.org"
    assert first["Auto-Submitted"] == "auto-generated"
    assert first["Message-ID"] == again["Message-ID"] != other["Message-ID"]
    plain, html = first.iter_parts()
    assert plain.get_content().startswith("DO THIS")
    assert html.get_content_type() == "text/html"


def test_a_gateway_to_phones_gets_the_short_text_alone() -> None:
    with MailServer() as server:
        assert mail(server.port, form="short").send(letter("351900000001@sms.example")).said is Said.DELIVERED
    (said,) = server.box.letters
    assert said.get_content().strip() == "lathe-04 is LOW now. Add 20 L"


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("451 try later", Said.AGAIN),
        ("421 busy", Said.AGAIN),
        ("554 no such thing here", Said.NEVER),
        ("250 OK", Said.DELIVERED),
    ],
)
def test_the_answer_to_the_letter_decides(answer: str, said: Said) -> None:
    with MailServer([answer]) as server:
        verdict = mail(server.port).send(letter())
    assert verdict.said is said
    assert said is Said.DELIVERED or answer.split(maxsplit=1)[0] in verdict.detail


def test_an_address_that_is_refused_for_good_is_never_tried_again() -> None:
    with MailServer() as server:
        server.box.refused_people = {"gone@example.org": "550 no such user", "full@example.org": "452 box is full"}
        assert mail(server.port).send(letter("gone@example.org")).said is Said.NEVER
        assert mail(server.port).send(letter("full@example.org")).said is Said.AGAIN


def test_a_server_that_is_away_slow_or_offers_no_tls_is_tried_again() -> None:
    away = mail(free_port()).send(letter())
    assert (away.said, "refused" in away.detail) == (Said.AGAIN, True)
    with MailServer(["wait 1.5"]) as server:
        assert mail(server.port, timeout=0.5).send(letter()).said is Said.AGAIN
    with MailServer() as server:
        bare = mail(server.port, security="starttls").send(letter())
        assert bare.said is Said.AGAIN
        assert "STARTTLS" in bare.detail
        assert not server.box.letters, "nothing goes out in the clear when TLS was asked for"


def test_a_password_that_cannot_be_read_is_trouble_not_a_crash(tmp_path: Path) -> None:
    with MailServer() as server:
        verdict = mail(server.port, username="watch", password_file=tmp_path / "none").send(letter())
    assert verdict.said is Said.AGAIN
    assert "none" in verdict.detail


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (200, Said.DELIVERED),
        (204, Said.DELIVERED),
        (301, Said.AGAIN),
        (404, Said.AGAIN),
        (410, Said.NEVER),
        (429, Said.AGAIN),
        (500, Said.AGAIN),
    ],
)
def test_the_status_decides(answer: int, said: Said) -> None:
    with HookServer([answer]) as server:
        verdict = hook(server.url).send(letter())
    assert verdict.said is said
    assert len(server.posts) == 1, "a redirect is not followed"


def test_a_receiver_that_hangs_or_is_away_is_tried_again() -> None:
    with HookServer([30.0]) as server:
        assert hook(server.url, timeout=0.3).send(letter()).said is Said.AGAIN
    away = hook(f"http://127.0.0.1:{free_port()}/in/keep-this-secret?key=and-this").send(letter())
    assert away.said is Said.AGAIN
    assert "http://127.0.0.1:" in away.detail
    assert "this" not in away.detail


def test_an_event_is_signed_and_carries_its_id(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("correct horse\n")
    with HookServer() as server:
        assert hook(server.url, secret_file=secret).send(letter()).said is Said.DELIVERED
    (post,) = server.posts
    assert post.event == EVENT
    assert post.headers["Content-Type"] == "application/cloudevents+json"
    assert post.headers["Idempotency-Key"] == "t-1"
    stamp, _, digest = post.headers[SIGNATURE].partition(",v1=")
    signed = stamp.removeprefix("t=").encode() + b"." + post.body
    assert digest == hmac.new(b"correct horse", signed, hashlib.sha256).hexdigest()


def test_a_signature_changes_with_body_time_and_key() -> None:
    assert len({sign("k", b"a", 1), sign("k", b"b", 1), sign("k", b"a", 2), sign("l", b"a", 1)}) == 4


def test_a_text_gateway_gets_text_and_number() -> None:
    with HookServer() as server:
        assert hook(server.url, form="short").send(letter("+351 900 000 001")).said is Said.DELIVERED
    assert server.posts[0].event == {"id": "t-1", "to": "+351 900 000 001", "text": "lathe-04 is LOW now. Add 20 L"}
