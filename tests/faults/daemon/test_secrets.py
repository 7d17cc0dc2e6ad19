"""Passwords, tokens and sessions stand in no log, no answer and no file but their own, and files are for the owner."""

from __future__ import annotations

import http.client
import stat
import subprocess
from pathlib import Path
from urllib.parse import urlencode

import pytest

from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.daemon.program import COMMAND, Program

pytestmark = [pytest.mark.live, pytest.mark.broker]
WRONG, RIGHT = "sea-thistle-wrong", "corn-flower-right"
LOGGED_IN = 'username = "hall"\npassword_file = "password"'


def _sign_in(program: Program, token: str) -> tuple[int, str]:
    """Post the form of the sign-in; give status and session."""
    connection = http.client.HTTPConnection("127.0.0.1", program.port, timeout=30)
    form = {"content-type": "application/x-www-form-urlencoded"}
    connection.request("POST", "/sign-in", urlencode({"token": token}), form)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status, (answer.getheader("set-cookie") or "").partition("=")[2].partition(";")[0]


def _token(program: Program, *more: str) -> str:
    call = [COMMAND, "token", str(program.plant_file), "phone", *more]
    return subprocess.run(call, capture_output=True, text=True, check=True, timeout=60).stdout.strip()


def test_no_secret_stands_where_it_does_not_belong(tmp_path: Path) -> None:
    (tmp_path / "password").write_text(WRONG)
    (tmp_path / "password").chmod(0o600)
    given = {path.name for path in tmp_path.iterdir()}
    with (
        Broker(tmp_path, users={"hall": RIGHT}) as broker,
        PtyLine(tmp_path / "line"),
        Program(tmp_path, broker.port, more=LOGGED_IN) as program,
    ):
        given |= {path.name for path in tmp_path.iterdir()} - {"program.log", "bandkeeper.db"}
        wait_for(lambda: program.sources()["hall"]["state"] == "refused", "the password is refused")
        heard = program.ask("/health/ready")[1]
        (tmp_path / "password").write_text(RIGHT)
        assert program.stop() == 0
        program.start().connected()
        token = _token(program, "--scope", "act")
        status, session = _sign_in(program, token)
        assert (status, bool(session)) == (303, True)
        assert _sign_in(program, token[::-1])[0] == 401
        heard += program.ask("/health/ready")[1] + program.ask("/metrics")[1] + program.ask("/api/sumps")[1]
        assert program.stop() == 0
        files = [path for path in tmp_path.iterdir() if path.is_file() and path.name not in given - {"program.log"}]
        places = {path.name: path.read_bytes() for path in files} | {"answers": heard.encode()}
    assert {"program.log", "bandkeeper.db"} <= set(places)
    secrets = {WRONG, RIGHT, token, token[::-1], session}
    told = [(name, secret) for name, raw in places.items() for secret in secrets if secret.encode() in raw]
    assert not told
    open_to_others = [path.name for path in files if path.name != "program.log" and path.stat().st_mode & 0o077]
    assert not open_to_others
    assert stat.S_IMODE((tmp_path / "bandkeeper.db").stat().st_mode) == 0o600


def test_a_revoked_token_is_refused_at_once_while_the_program_runs(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"), Program(tmp_path, broker.port) as program:
        token = _token(program)
        assert _sign_in(program, token)[0] == 303
        assert _token(program, "--sign-out") == "sessions ended: 1"
        assert _token(program, "--revoke") == "revoked"
        assert _sign_in(program, token)[0] == 401


def test_behind_a_proxy_on_this_machine_everybody_may_need_a_token(tmp_path: Path) -> None:
    handed_on = {"host": "coolant.example", "x-forwarded-for": "192.168.7.4"}
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"):
        program = Program(tmp_path, broker.port)
        with program.plant_file.open("a") as file:
            file.write("tokens = true\n")
        with pytest.raises(RuntimeError, match=r"status\.tokens: everybody needs a token"):
            program.start()
        token = _token(program, "--scope", "read")
        with program:
            for headers, status in (
                (handed_on, 401),
                ({}, 401),
                (handed_on | {"authorization": f"Bearer {token}"}, 200),
            ):
                connection = http.client.HTTPConnection("127.0.0.1", program.port, timeout=30)
                connection.request("GET", "/api/sumps", headers=headers)
                assert connection.getresponse().status == status
                connection.close()
