"""Change notices: coalesced, bounded, ended with their reader."""

from __future__ import annotations

import asyncio
import threading

from monitor.status.feed import Feed
from monitor.status.stream import MAX_STREAMS, Streams
from tests.fixtures.board import FakeBoard


def test_changes_from_many_threads_come_as_one() -> None:
    async def run() -> tuple[frozenset[str], frozenset[str]] | None:
        feed = Feed()
        subscription = feed.subscribe()
        threads = [threading.Thread(target=feed.publish, args=([f"sump-{n}"], [])) for n in range(20)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        feed.publish(alerts=["a-1"])
        feed.publish(["sump-3"])
        return await subscription.take(10)

    assert asyncio.run(run()) == (frozenset(f"sump-{n}" for n in range(20)), frozenset({"a-1"}))


def test_nothing_new_is_none_and_so_is_the_end() -> None:
    async def run() -> None:
        feed = Feed()
        subscription = feed.subscribe()
        assert await subscription.take(0.01) is None
        waiting = asyncio.create_task(subscription.take(60))
        await asyncio.sleep(0)
        feed.close()
        assert await waiting is None
        assert subscription.closed

    asyncio.run(run())


def test_a_closed_subscription_is_forgotten_and_a_dead_loop_harms_nobody() -> None:
    feed = Feed()

    async def run() -> None:
        feed.subscribe()
        feed.subscribe().close()

    asyncio.run(run())
    feed.publish(["sump-1"])  # one subscription is still open, its loop is gone
    feed.close()


def test_the_stream_says_what_changed_and_stops_with_the_server() -> None:
    async def run() -> list[bytes]:
        board = FakeBoard()
        streams = Streams(board)
        said = []
        events = streams.events()
        said.append(await anext(events))
        board.feed.publish(["lathe-04"], ["a-1"])
        said.append(await anext(events))
        streams.close()
        said += [event async for event in events]
        return said

    said = asyncio.run(run())
    assert said[0].startswith(b"retry:")
    assert said[1] == (
        b'event: changed\ndata: {"time":"2031-03-07T21:10:00+00:00","sumps":["lathe-04"]}\n\n'
        b'event: alert\ndata: {"time":"2031-03-07T21:10:00+00:00","alerts":["a-1"]}\n\n'
    )
    assert len(said) == 2


def test_a_stream_that_waits_ends_without_a_word() -> None:
    async def run() -> list[bytes]:
        streams = Streams(FakeBoard())
        events = streams.events()
        await anext(events)
        waiting = asyncio.ensure_future(anext(events, b""))
        await asyncio.sleep(0)
        streams.close()
        return [await waiting]

    assert asyncio.run(run()) == [b""]


def test_the_number_of_streams_is_bounded_and_a_gone_reader_makes_room() -> None:
    async def run() -> None:
        streams = Streams(FakeBoard())
        readers = [streams.events() for _ in range(MAX_STREAMS)]
        for reader in readers:
            await anext(reader)
        assert streams.full
        await readers[0].aclose()  # type: ignore[attr-defined]
        assert not streams.full

    asyncio.run(run())
