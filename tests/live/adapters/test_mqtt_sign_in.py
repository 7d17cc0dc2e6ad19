"""Passwords and certificates against a real broker: what is refused is said, and taken again once it is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.delivery import SourceState
from tests.fixtures.mosquitto import Broker, Certificates
from tests.fixtures.ports import wait_for
from tests.live.adapters.hall import LEVEL, T0, MakeInlet, wait_up
from tests.live.adapters.sink import Sink, Talker

pytestmark = [pytest.mark.live, pytest.mark.broker]


def test_tls_with_an_authority_of_its_own(tmp_path: Path, certificates: Certificates, inlet: MakeInlet) -> None:
    password = tmp_path / "password"
    password.write_text("corn-flower\n")
    with Broker(tmp_path, tls=certificates, client_certificates=True, users={"hall": "corn-flower"}) as broker:
        files = {"ca_file": str(certificates.authority), "username": "hall", "password_file": str(password)}
        card = {"client_certificate": str(certificates.client), "client_key": str(certificates.client_key)}
        sink, one = Sink(), inlet(broker.port, **files, **card)
        one.start(sink)
        wait_up(one)

        def secure(client: object) -> None:
            client.tls_set(str(certificates.authority), str(certificates.client), str(certificates.client_key))  # type: ignore[attr-defined]
            client.username_pw_set("hall", "corn-flower")  # type: ignore[attr-defined]

        talker = Talker(broker.port, secure)
        for n in range(200):
            talker.say_json(LEVEL, t=T0 + n, v=n)
        talker.close()
        sink.wait(200)
        assert sink.values == list(range(200))
        one.stop()

        without_card = inlet(broker.port, **files, client_id="no-card")
        without_card.start(sink)
        wait_for(lambda: "client certificate" in without_card.health().remedy, "it names the client certificate")
        without_card.stop()


def test_a_strange_authority_is_refused(tmp_path: Path, certificates: Certificates, inlet: MakeInlet) -> None:
    with Broker(tmp_path, tls=certificates) as broker:
        one = inlet(broker.port, ca_file=str(certificates.client))
        one.start(Sink())
        wait_for(lambda: one.health().state is SourceState.REFUSED, "the certificate is refused")
        assert "ca_file" in one.health().remedy
        one.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_wrong_password_is_said_and_put_right(tmp_path: Path, inlet: MakeInlet, protocol: str) -> None:
    password = tmp_path / "password"
    password.write_text("wrong")
    with Broker(tmp_path, users={"hall": "right"}) as broker:
        one = inlet(broker.port, username="hall", password_file=str(password), protocol=protocol)
        one.start(Sink())
        wait_for(lambda: one.health().state is SourceState.REFUSED, "the log-in is refused")
        assert "password" in one.health().remedy
        assert "wrong" not in repr(one.health())
        password.write_text("right")
        wait_up(one)
        one.stop()


def test_a_log_in_that_is_asked_for_and_missing(tmp_path: Path, inlet: MakeInlet) -> None:
    with Broker(tmp_path, users={"hall": "right"}) as broker:
        one = inlet(broker.port)
        one.start(Sink())
        wait_for(lambda: one.health().state is SourceState.REFUSED, "the log-in is refused")
        assert "username and password_file" in one.health().remedy
        one.stop()


def test_the_password_may_be_a_systemd_credential(
    tmp_path: Path, inlet: MakeInlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "hall-password").write_text("right\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    with Broker(tmp_path, users={"hall": "right"}) as broker:
        one = inlet(broker.port, username="hall")
        one.start(Sink())
        wait_up(one)
        one.stop()
