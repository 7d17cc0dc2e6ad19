"""A mail channel with a wrong password, whole daemon: the call goes another way, and the watch says what to mend."""

from __future__ import annotations

import json
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.fixtures.mosquitto import Broker, Certificates
from tests.fixtures.ports import wait_for
from tests.fixtures.receivers import HookServer, MailServer
from tests.live.channels.test_daemon import Works, of_alert

pytestmark = [pytest.mark.live, pytest.mark.broker]
POST = """
[channel.post]
kind = "mail"
host = "127.0.0.1"
port = {port}
sender = "watch@example.org"
username = "watch"
password_file = "password"
ca_file = "{authority}"
[person.desk]
"""


def alerts(works: Works) -> list[dict[str, Any]]:
    assert works.plant.status is not None
    with urllib.request.urlopen(f"{works.plant.status.address}/api/alerts") as answer:  # noqa: S310 - loopback
        found: list[dict[str, Any]] = json.load(answer)["alerts"]
    return found


def test_a_wrong_password_is_an_own_alert_with_its_remedy_until_it_is_mended(
    tmp_path: Path, broker: Broker, certificates: Certificates
) -> None:
    pem = (certificates.server, certificates.server_key)
    (tmp_path / "password").write_text("battery staple")
    with HookServer() as hook, MailServer(certificate=pem, login=("watch", "correct horse")) as mail:
        text = POST.format(port=mail.port, authority=certificates.authority)
        ways = (
            'reach = [{ channel = "desk" }]\n[person.boss]',
            'reach = [{ channel = "post", to = "desk@example.org" }, { channel = "desk" }]\n[person.boss]',
        )
        works = Works(tmp_path, broker, hook, ways, ("[person.desk]\n", text))
        works.daemon.start()
        try:
            wait_for(lambda: all(s.state == "up" for s in works.daemon.health().sources), "the broker")
            alert_id = works.run_low()
            wait_for(lambda: of_alert(works, alert_id), "the call, by the other way")
            assert mail.box.letters == []
            wait_for(lambda: [one for one in alerts(works) if one["kind"] == "own_fault"], "the own alert")
            (own,) = (one for one in alerts(works) if one["kind"] == "own_fault")
            assert own["text"].startswith("channel post takes no messages since 0 min: 127.0.0.1 refuses the log-in")
            assert own["text"].endswith("the right password into password_file.")
            assert "battery" not in json.dumps(alerts(works))
            (tmp_path / "password").write_text("correct horse")
            wait_for(lambda: _later(works) and mail.box.letters, "a letter, now that it is mended", within_s=60.0)
        finally:
            works.stop()


def _later(works: Works) -> bool:
    """Let a minute pass: in small steps, since a clock that leaps tells of a time in which nobody watched."""
    works.now_s += 60.0
    time.sleep(0.05)
    return True
