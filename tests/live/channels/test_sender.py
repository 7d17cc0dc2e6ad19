"""From the outbox to real receivers: once, again, by another way, never; and no channel waits for another."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from adapters.mail import MailOutlet
from adapters.outlet import Outlet
from adapters.webhook import WebhookOutlet
from monitor.plant.people import ChannelSpec
from monitor.record.outbox import Message, Outbox
from monitor.record.store import Record
from monitor.sender import Senders, Timing
from tests.fixtures.ports import free_port, wait_for
from tests.fixtures.receivers import HookServer, MailServer
from tests.unit.post.office import Office, at

pytestmark = pytest.mark.live
QUICK = Timing(first_wait_s=0.05, most_wait_s=0.4, tries_a_way=2, give_up_s=30.0, lease_s=60.0, look_every_s=0.05)
BODY = {"subject": "high: lathe-04", "text": "DO THIS\n", "html": "<body></body>", "short": "lathe-04", "event": {}}


def hook(name: str, url: str, timeout: float = 5.0) -> Outlet:
    return WebhookOutlet(ChannelSpec(name, "webhook", "full", {"url": url, "timeout": timeout}))


def post(port: int, **options: object) -> MailOutlet:
    sure = {"host": "127.0.0.1", "port": port, "security": "plain", "sender": "watch@example.org", "timeout": 5.0}
    return MailOutlet(ChannelSpec("post", "mail", "full", {**sure, **options}))


def message(number: int, *ways: tuple[str, str], **changes: Any) -> Message:
    body = {**BODY, "event": {"id": f"t-{number}"}}
    return replace(Message(f"t-{number}/ana", f"t-{number}", "ana", ways, body, 0.0), **changes)


@contextmanager
def sending(path: Path, *outlets: Outlet, timing: Timing = QUICK) -> Iterator[Senders]:
    """Run senders over a record; the clock is the wall's."""
    senders = Senders(path, {one.id: one for one in outlets}, time.time, timing)
    senders.start()
    try:
        yield senders
    finally:
        senders.stop()


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    found = Record.open(tmp_path / "bandkeeper.db", now_s=0.0)
    yield found
    found.close()


def put(record: Record, *messages: Message) -> None:
    record.post(messages, time.time())


def until(senders: Senders, true: Callable[[], bool]) -> None:
    wait_for(true, f"senders: {senders.counters}")


def test_a_message_is_sent_once_and_not_again_after_a_restart(record: Record) -> None:
    with HookServer() as server:
        put(record, message(1, ("hook", "")))
        with sending(record.path, hook("hook", server.url)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
        put(record, message(1, ("hook", "")), message(2, ("hook", "")))
        with sending(record.path, hook("hook", server.url)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
        assert [one.event["id"] for one in server.posts] == ["t-1", "t-2"]


def test_what_is_not_taken_is_tried_again_with_longer_waits(record: Record) -> None:
    with HookServer([500, 503, 404]) as server:
        put(record, message(1, ("hook", "")))
        with sending(record.path, hook("hook", server.url)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert senders.counters.messages_tried_again == 3
            assert not senders.troubles()
        moments = [one.at for one in server.posts]
        waits = [later - earlier for earlier, later in pairwise(moments)]
        assert all(wait >= least for wait, least in zip(waits, (0.05, 0.1, 0.2), strict=True))


def test_an_address_that_is_gone_falls_over_at_once_and_says_so(record: Record) -> None:
    with HookServer([410]) as server, MailServer() as letters:
        put(record, message(1, ("hook", ""), ("post", "ana@example.org")))
        with sending(record.path, hook("hook", server.url), post(letters.port)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert senders.counters.messages_fallen_over == 1
        assert len(server.posts) == 1
        said = letters.box.letters[0].get_body(("plain",))
        assert said is not None
        assert "Sent by post because hook does not take messages." in said.get_content()


def test_a_dead_channel_falls_over_after_some_tries_and_is_told_of(record: Record) -> None:
    with MailServer() as letters:
        put(record, message(1, ("hook", ""), ("post", "ana@example.org")))
        dead = hook("hook", f"http://127.0.0.1:{free_port()}/in")
        with sending(record.path, dead, post(letters.port)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert set(senders.troubles()) == {"hook"}
            assert "refused" in senders.troubles()["hook"].detail
        assert senders.counters.messages_tried_again == QUICK.tries_a_way - 1


def test_what_nobody_takes_is_given_up_and_counted(record: Record) -> None:
    with HookServer([410]) as server, MailServer() as letters:
        letters.box.refused_people = {"ana@example.org": "550 no such user"}
        put(record, message(1, ("hook", ""), ("post", "ana@example.org")))
        with sending(record.path, hook("hook", server.url), post(letters.port)) as senders:
            until(senders, lambda: senders.counters.messages_given_up == 1)
        assert not letters.box.letters


def test_a_hanging_channel_keeps_no_other_waiting(record: Record) -> None:
    with HookServer([20.0]) as slow, HookServer() as fast:
        put(record, message(1, ("slow", "")), message(2, ("fast", "")))
        with sending(record.path, hook("slow", slow.url), hook("fast", fast.url)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert [one.event["id"] for one in fast.posts] == ["t-2"]
            put(record, message(3, ("fast", "")))
            until(senders, lambda: senders.counters.messages_delivered == 2)


def test_a_channel_that_left_the_plant_file_keeps_nothing(record: Record) -> None:
    with MailServer() as letters:
        put(record, message(1, ("pager", "1"), ("post", "ana@example.org")), message(2, ("pager", "1")))
        with sending(record.path, post(letters.port)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert senders.counters.messages_given_up == 1


def test_what_was_held_back_is_dropped_once_somebody_is_on_it(tmp_path: Path) -> None:
    office = Office(tmp_path)
    night = at("2031-03-03T23:10")
    alert = office.raise_alert(night)
    office.turn(night + 1200.0)
    office.acknowledge(alert, "Ana", night + 1201.0)
    with MailServer() as letters:
        senders = Senders(office.path, {"post": post(letters.port)}, lambda: night + 1300.0, QUICK)
        senders.start()
        until(senders, lambda: senders.counters.messages_dropped == 1)
        senders.stop()
        assert [one["To"] for one in letters.box.letters] == ["ana@example.org"], "the first call, by her second way"
    office.close()


def test_what_one_sender_holds_no_other_gets_until_its_lease_ends(record: Record) -> None:
    put(record, message(1, ("hook", "")), message(2, ("hook", "")))
    one, other, now_s = Outbox(record.path), Outbox(record.path), time.time()
    first, second = one.claim("hook", now_s, 60.0), other.claim("hook", now_s, 60.0)
    assert first is not None
    assert second is not None
    assert {first.message.event, second.message.event} == {"t-1", "t-2"}
    assert one.claim("hook", now_s, 60.0) is None
    one.done(first, "delivered", now_s)
    later = one.claim("hook", now_s + 61.0, 60.0)
    assert later is not None
    assert (later.message.event, later.tries) == (second.message.event, 2)
    one.close()
    other.close()


def test_a_receiver_is_left_alone_for_as_long_as_it_asks(record: Record) -> None:
    with HookServer([(503, "1")]) as server:
        put(record, message(1, ("hook", "")))
        with sending(record.path, hook("hook", server.url)) as senders:
            until(senders, lambda: len(server.posts) == 1)
            put(record, message(2, ("hook", "")))
            until(senders, lambda: senders.counters.messages_delivered == 2)
        first, *later = (one.at for one in server.posts)
        assert len(later) == 2
        assert all(at - first >= 1.0 for at in later), "the other message too"


def test_who_asks_for_too_long_is_left_for_the_next_way(record: Record) -> None:
    with HookServer([(429, "3600")]) as server, MailServer() as letters:
        put(record, message(1, ("hook", ""), ("post", "ana@example.org")))
        with sending(record.path, hook("hook", server.url), post(letters.port)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            put(record, message(2, ("hook", ""), ("post", "ana@example.org")))
            until(senders, lambda: senders.counters.messages_delivered == 2)
        assert (len(server.posts), len(letters.box.letters)) == (1, 2)


def test_a_channel_that_needs_mending_falls_over_at_once_and_says_what_helps(record: Record, tmp_path: Path) -> None:
    with HookServer() as server:
        put(record, message(1, ("post", "ana@example.org"), ("hook", "")))
        lost = post(1, password_file=tmp_path / "none", username="watch")
        with sending(record.path, lost, hook("hook", server.url)) as senders:
            until(senders, lambda: senders.counters.messages_delivered == 1)
            (trouble,) = senders.troubles().values()
            assert trouble.mend
            assert "password_file" in trouble.remedy
            assert senders.counters.messages_tried_again == 0


def test_with_no_other_way_it_waits_until_it_is_mended(record: Record, tmp_path: Path) -> None:
    with MailServer() as letters:
        put(record, message(1, ("post", "ana@example.org")))
        outlet = post(letters.port, ca_file=tmp_path / "none.pem", security="starttls")
        with sending(record.path, outlet) as senders:
            until(senders, lambda: senders.counters.messages_tried_again == 2)
            assert senders.counters.messages_given_up == 0
            outlet._ca_file, outlet._security = None, "plain"
            until(senders, lambda: senders.counters.messages_delivered == 1)
            assert not senders.troubles()
