"""Senders: one thread a channel takes messages out of the outbox, tries them, and marks what the channel said.

A slow or dead channel keeps no other waiting, and never the writer. A message that a channel does not take goes to the
person's next way (at once if it will never be taken there, after some tries if not), which says so; after the last way
it begins again with the first, until it is delivered or given up.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from adapters.outlet import Letter, Outlet, Said, Verdict
from monitor.plant.errors import RecordError
from monitor.record.outbox import Claimed, Outbox

log = logging.getLogger("bandkeeper.sender")

LEASE_S: Final = 180.0
FIRST_WAIT_S: Final = 5.0
MOST_WAIT_S: Final = 900.0
TRIES_A_WAY: Final = 4
GIVE_UP_S: Final = 2 * 86400.0
LOOK_EVERY_S: Final = 1.0
TIDY_EVERY_S: Final = 86400.0


@dataclass(slots=True)
class Counters:
    """What only ever grows."""

    messages_delivered: int = 0
    messages_tried_again: int = 0
    messages_fallen_over: int = 0
    messages_given_up: int = 0
    messages_dropped: int = 0


@dataclass(frozen=True, slots=True)
class ChannelTrouble:
    """What is wrong in a channel, and since when (Unix seconds; None: nothing). `mend`: it goes on until mended."""

    detail: str = ""
    since_s: float | None = None
    mend: bool = False
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Timing:
    """How patient the senders are; seconds of the plant's clock, but `look_every_s` is real time."""

    first_wait_s: float = FIRST_WAIT_S
    most_wait_s: float = MOST_WAIT_S
    tries_a_way: int = TRIES_A_WAY
    give_up_s: float = GIVE_UP_S
    lease_s: float = LEASE_S
    look_every_s: float = LOOK_EVERY_S


@dataclass(slots=True)
class _Channel:
    """A channel's thread and its bell; until when the other side `asked` to be left alone."""

    outlet: Outlet
    asked: Verdict = field(default_factory=lambda: Verdict(Said.AGAIN))
    rest_until_s: float = 0.0
    bell: threading.Event = field(default_factory=threading.Event)
    trouble: ChannelTrouble = field(default_factory=ChannelTrouble)
    thread: threading.Thread | None = None


class Senders:
    """All channels of a plant."""

    def __init__(
        self, path: Path, outlets: Mapping[str, Outlet], clock: Callable[[], float], timing: Timing | None = None
    ) -> None:
        self.counters = Counters()
        self._path, self._clock, self._timing = path, clock, timing or Timing()
        self._channels = {name: _Channel(outlet) for name, outlet in outlets.items()}
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._dice = random.Random()  # noqa: S311 - jitter, no secret

    def start(self) -> None:
        """Begin; what a former process held is sent again under the same id."""
        outbox = Outbox(self._path)
        outbox.free_leases()
        outbox.tidy(self._clock())
        self._adopt(outbox)
        outbox.close()
        for name, channel in self._channels.items():
            channel.thread = threading.Thread(target=self._run, args=(channel,), name=f"sender {name}", daemon=True)
            channel.thread.start()

    def _adopt(self, outbox: Outbox) -> None:
        """Let messages of channels that are no longer in the plant file go the person's other ways, or give them up."""
        now_s = self._clock()
        for gone in outbox.channels() - self._channels.keys():
            while (claimed := outbox.claim(gone, float("inf"), self._timing.lease_s)) is not None:
                self._fall_over(outbox, claimed, Verdict(Said.NEVER, f"there is no channel {gone} any more"), now_s)

    def stop(self, within_s: float = 3.0) -> None:
        """End after the messages under way; one that takes longer is sent again after the next start under its id."""
        self._stopping.set()
        self.wake()
        until = time.monotonic() + within_s
        for channel in self._channels.values():
            if channel.thread is not None:
                channel.thread.join(max(0.0, until - time.monotonic()))

    def wake(self) -> None:
        """Look now (from any thread)."""
        for channel in self._channels.values():
            channel.bell.set()

    def troubles(self) -> dict[str, ChannelTrouble]:
        """Return, for each channel that does not take messages, what is wrong."""
        found = {name: replace(channel.trouble) for name, channel in self._channels.items()}
        return {name: one for name, one in found.items() if one.since_s is not None}

    def _run(self, channel: _Channel) -> None:
        outbox: Outbox | None = None
        while not self._stopping.is_set():
            try:
                outbox = outbox or Outbox(self._path)
                while not self._stopping.is_set() and self._one(outbox, channel):
                    pass
            except RecordError as error:
                self._note(channel, Verdict(Said.AGAIN, str(error)))
            except Exception as error:  # one odd message must not end the channel: its lease ends, it comes again
                log.exception("own fault in channel %s", channel.outlet.id)
                self._note(channel, Verdict(Said.AGAIN, str(error) or type(error).__name__))
            channel.bell.wait(self._timing.look_every_s)
            channel.bell.clear()
        if outbox is not None:
            outbox.close()

    def _one(self, outbox: Outbox, channel: _Channel) -> bool:
        """Take and try one message; False if there is none."""
        claimed = outbox.claim(channel.outlet.id, self._clock(), self._timing.lease_s)
        if claimed is None:
            return False
        message = claimed.message
        if message.only_if_open and message.alert_id is not None and not outbox.is_open(message.alert_id):
            outbox.done(claimed, "dropped", self._clock(), "somebody has acknowledged, or it is gone")
            self._count(messages_dropped=1)
            return True
        rest_s = channel.rest_until_s - self._clock()
        if rest_s > 0.0:
            verdict = replace(channel.asked, after_s=rest_s)
        else:
            verdict = channel.outlet.send(letter_of(claimed))
            if verdict.after_s is not None:
                channel.asked, channel.rest_until_s = verdict, self._clock() + verdict.after_s
        self._judge(outbox, channel, claimed, verdict)
        return True

    def _judge(self, outbox: Outbox, channel: _Channel, claimed: Claimed, verdict: Verdict) -> None:
        now_s = self._clock()
        if verdict.said is Said.DELIVERED:
            outbox.done(claimed, "delivered", now_s, f"by {channel.outlet.id}")
            self._count(messages_delivered=1)
            self._note(channel, verdict)
            return
        if verdict.said is Said.AGAIN:
            self._note(channel, verdict)
        others, wait_s = len(claimed.message.ways) > 1, self._wait_s(claimed.way_tries, verdict.after_s)
        hopeless = verdict.mend or claimed.way_tries >= self._timing.tries_a_way or wait_s > self._longest_s
        if now_s - max(claimed.made_s, 0.0) > self._timing.give_up_s:
            self._give_up(outbox, claimed, verdict, now_s)
        elif verdict.said is Said.NEVER or (hopeless and others):
            self._fall_over(outbox, claimed, verdict, now_s)
        else:
            outbox.later(claimed, now_s + wait_s, verdict.detail)
            self._count(messages_tried_again=1)

    def _fall_over(self, outbox: Outbox, claimed: Claimed, verdict: Verdict, now_s: float) -> None:
        refused = claimed.refused | ({claimed.way} if verdict.said is Said.NEVER else frozenset())
        count = len(claimed.message.ways)
        others = [(claimed.way + step) % count for step in range(1, count + 1)]
        known = [way for way in others if way not in refused and claimed.message.ways[way][0] in self._channels]
        if not known:
            self._give_up(outbox, claimed, verdict, now_s)
            return
        way = known[0]
        first_round = claimed.tries <= self._timing.tries_a_way * count
        due_s = now_s if first_round else now_s + self._wait_s(claimed.tries, verdict.after_s)
        outbox.other_way(claimed, way, due_s, refused, verdict.detail)
        self._count(messages_fallen_over=1)
        log.warning(
            "%s: %s does not take it (%s); by %s now",
            *(
                claimed.message.person,
                claimed.message.ways[claimed.way][0],
                verdict.detail,
                claimed.message.ways[way][0],
            ),
        )
        other = self._channels.get(claimed.message.ways[way][0])
        if other is not None:
            other.bell.set()

    def _give_up(self, outbox: Outbox, claimed: Claimed, verdict: Verdict, now_s: float) -> None:
        outbox.done(claimed, "never", now_s, verdict.detail)
        self._count(messages_given_up=1)
        log.error("%s cannot be reached: %s", claimed.message.person, verdict.detail)

    @property
    def _longest_s(self) -> float:
        """So long a way is tried before the next; whoever asks to be left alone for longer is left for it at once."""
        return self._timing.first_wait_s * 2.0**self._timing.tries_a_way

    def _wait_s(self, tries: int, asked_s: float | None) -> float:
        """Return a wait that doubles with each try, with up to a quarter of jitter, and no less than was asked for."""
        wait_s = min(self._timing.first_wait_s * 2.0 ** min(tries - 1, 30), self._timing.most_wait_s)
        return max(wait_s * (1.0 + 0.25 * self._dice.random()), asked_s or 0.0)

    def _count(self, **more: int) -> None:
        with self._lock:
            for name, number in more.items():
                setattr(self.counters, name, getattr(self.counters, name) + number)

    def _note(self, channel: _Channel, verdict: Verdict) -> None:
        """Note what is wrong in a channel, or that nothing is; logged only when the words change."""
        before = channel.trouble
        if verdict.said is Said.DELIVERED:
            channel.trouble = ChannelTrouble()
            return
        if verdict.detail != before.detail:
            said = f"{verdict.detail} - {verdict.remedy}" if verdict.remedy else verdict.detail
            log.warning("channel %s: %s", channel.outlet.id, said)
        since_s = self._clock() if before.since_s is None else before.since_s
        channel.trouble = ChannelTrouble(verdict.detail, since_s, verdict.mend, verdict.remedy)


def letter_of(claimed: Claimed) -> Letter:
    """Return a claimed message as the letter for the way it goes, which says if it comes instead of another."""
    message, body = claimed.message, claimed.message.body
    way = message.ways[claimed.way]
    text, html = str(body["text"]), str(body["html"])
    if claimed.way != 0:
        said = f"Sent by {way[0]} because {message.ways[0][0]} does not take messages."
        text, html = f"{text}\n{said}\n", html.replace("</body>", f"<p>{said}</p></body>")
    return Letter(
        id=message.event,
        person=message.person,
        to=way[1],
        subject=str(body["subject"]),
        text=text,
        html=html,
        short=str(body["short"]),
        made_s=claimed.made_s,
        event=_event(body),
    )


def _event(body: Mapping[str, Any]) -> Mapping[str, Any]:
    event = body.get("event")
    return event if isinstance(event, dict) else {}
