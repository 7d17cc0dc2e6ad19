"""Mail over STARTTLS and TLS with a log-in, webhooks over https and by a proxy: real servers, real certificates."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import pytest

from adapters.mail import MailOutlet
from adapters.outlet import Said, Verdict
from adapters.webhook import LONGEST_WAIT_S, wait_asked_s
from tests.fixtures.mosquitto import Certificates, make_certificates
from tests.fixtures.proxy import Proxy
from tests.fixtures.receivers import HookServer, MailServer
from tests.live.channels.test_channels import hook, letter, mail

pytestmark = pytest.mark.live
LOGIN = ("watch", "correct horse")


@pytest.fixture(scope="module")
def pem(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("pem"))


@pytest.fixture
def password(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text(LOGIN[1] + "\n")
    return path


def server(pem: Certificates, *, implicit: bool = False, **options: Any) -> MailServer:
    return MailServer(certificate=(pem.server, pem.server_key), implicit=implicit, login=LOGIN, **options)


def post(port: int, pem: Certificates, password: Path, **options: Any) -> MailOutlet:
    sure = {"security": "starttls", "username": LOGIN[0], "password_file": password, "ca_file": pem.authority}
    return mail(port, **{**sure, **options})


@pytest.mark.parametrize(("security", "implicit"), [("starttls", False), ("tls", True)])
def test_a_letter_goes_encrypted_and_logged_in(
    pem: Certificates, password: Path, security: str, implicit: bool
) -> None:
    with server(pem, implicit=implicit) as there:
        assert post(there.port, pem, password, security=security).send(letter()) == Verdict(Said.DELIVERED)
    assert (there.box.logins, there.box.encrypted, len(there.box.letters)) == ([LOGIN], [True], 1)


@pytest.mark.parametrize(
    ("answer", "said"), [("451 try later", Said.AGAIN), ("554 no", Said.NEVER), ("wait 1.5", Said.AGAIN)]
)
def test_over_tls_too_the_answer_decides(pem: Certificates, password: Path, answer: str, said: Said) -> None:
    with server(pem, script=[answer]) as there:
        assert post(there.port, pem, password, timeout=0.8).send(letter()).said is said


@pytest.mark.parametrize(("security", "implicit"), [("starttls", False), ("tls", True)])
def test_a_certificate_nobody_vouches_for_is_refused_before_the_password_is_told(
    pem: Certificates, password: Path, security: str, implicit: bool
) -> None:
    with server(pem, implicit=implicit) as there:
        verdict = post(there.port, pem, password, security=security, ca_file=None).send(letter())
    assert (verdict.said, verdict.mend) == (Said.AGAIN, True)
    assert "certificate is not trusted" in verdict.detail
    assert "ca_file" in verdict.remedy
    assert (there.box.logins, there.box.letters) == ([], [])


def test_a_certificate_for_another_name_is_refused(pem: Certificates, password: Path) -> None:
    with MailServer(certificate=(pem.client, pem.client_key), login=LOGIN) as there:
        verdict = post(there.port, pem, password).send(letter())
    assert (verdict.mend, there.box.logins, there.box.letters) == (True, [], [])


def test_a_wrong_password_asks_to_be_mended(pem: Certificates, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong"
    wrong.write_text("battery staple")
    with server(pem) as there:
        verdict = post(there.port, pem, wrong).send(letter())
    assert (verdict.said, verdict.mend) == (Said.AGAIN, True), verdict.detail
    assert "refuses the log-in of watch: 535" in verdict.detail
    assert "password_file" in verdict.remedy
    assert "battery" not in verdict.detail + verdict.remedy
    assert there.box.letters == []


@pytest.mark.parametrize("missing", ["password_file", "ca_file"])
def test_a_file_that_is_not_there_asks_to_be_mended(
    pem: Certificates, password: Path, tmp_path: Path, missing: str
) -> None:
    with server(pem) as there:
        verdict = post(there.port, pem, password, **{missing: tmp_path / "none"}).send(letter())
    assert (verdict.said, verdict.mend) == (Said.AGAIN, True)
    assert missing in verdict.remedy


def test_a_server_without_tls_gets_neither_letter_nor_password(pem: Certificates, password: Path) -> None:
    with MailServer(login=LOGIN) as there:
        verdict = post(there.port, pem, password).send(letter())
    assert (verdict.said, verdict.mend, there.box.logins) == (Said.AGAIN, True, [])


def test_a_webhook_goes_over_https_and_refuses_a_certificate_nobody_vouches_for(pem: Certificates) -> None:
    with HookServer(certificate=(pem.server, pem.server_key)) as there:
        assert hook(there.url, ca_file=pem.authority).send(letter()).said is Said.DELIVERED
        verdict = hook(there.url).send(letter())
    assert (verdict.said, verdict.mend, len(there.posts)) == (Said.AGAIN, True, 1)
    assert "certificate is not trusted" in verdict.detail


@pytest.mark.parametrize("encrypted", [False, True])
def test_a_proxy_is_asked_where_the_plant_file_names_one_and_nowhere_else(
    pem: Certificates, encrypted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = (pem.server, pem.server_key) if encrypted else None
    options: dict[str, Any] = {"ca_file": pem.authority} if encrypted else {}
    with Proxy() as proxy, HookServer(certificate=certificate) as there:
        for name in ("http_proxy", "https_proxy", "all_proxy"):
            monkeypatch.setenv(name, proxy.url)
        assert hook(there.url, **options).send(letter()).said is Said.DELIVERED
        assert proxy.asked == [], "the environment names no proxy for us"
        monkeypatch.setenv("no_proxy", "*")
        assert hook(there.url, proxy=proxy.url, **options).send(letter()).said is Said.DELIVERED
        assert len(proxy.asked) == 1, "nor does it keep us from the one that is named"
    assert proxy.asked[0].startswith(f"CONNECT 127.0.0.1:{there.port}" if encrypted else f"POST {there.url}")
    assert len(there.posts) == 2


def test_a_proxy_that_is_away_is_trouble_of_the_moment() -> None:
    with HookServer() as there:
        verdict = hook(there.url, proxy="http://127.0.0.1:1").send(letter())
    assert (verdict.said, verdict.mend, there.posts) == (Said.AGAIN, False, [])


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("120", 120.0), (" 7 ", 7.0), ("0", 0.0), ("soon", None), ("-5", None), ("", None), ("9" * 20, LONGEST_WAIT_S)],
)
def test_how_long_a_receiver_wants_to_be_left_alone(text: str, seconds: float | None) -> None:
    assert wait_asked_s(text, 0.0) == seconds


def test_it_may_name_a_date() -> None:
    now_s = 1930684200.0
    assert wait_asked_s(format_datetime(datetime.fromtimestamp(now_s + 90.0, UTC), usegmt=True), now_s) == 90.0
    assert wait_asked_s("Sat, 01 Jan 2000 00:00:00 GMT", now_s) == 0.0
    soon = format_datetime(datetime.fromtimestamp(time.time() + 50, UTC), usegmt=True)
    with HookServer([(503, "30"), (429, soon)]) as there:
        assert hook(there.url).send(letter()).after_s == 30.0
        assert 40.0 < (hook(there.url).send(letter()).after_s or 0.0) <= 50.0
        assert hook(there.url).send(letter()).after_s is None
