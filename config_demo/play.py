"""One minute of the invented works after another: what befalls it, what its gauges say, what its people do."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from config_demo.crew import Act, Crew, Person, Poured
from config_demo.feed import Feed
from config_demo.gate import Gate
from config_demo.instruments import Instruments, Said
from config_demo.story import FIRST_DAY, HAPPENINGS, Happening
from config_demo.watch import Watch
from config_demo.world import World
from monitor.snapshot import Snapshot

Tell = Callable[[str], None]


@dataclass(slots=True)
class Play:
    """The works in motion. `feeds` carry what the gauges of a source say; `picture` is the daemon's latest."""

    world: World
    instruments: Instruments
    feeds: Mapping[str, Feed]
    crew: Crew
    watch: Watch
    gate: Gate
    picture: Callable[[], Snapshot]
    tell: Tell
    happenings: Sequence[Happening] = HAPPENINGS
    by_eye: list[Poured] = field(default_factory=list)

    @property
    def poured(self) -> list[Poured]:
        """Every top-up there was, by the crew and by eye, in order."""
        return sorted([*self.by_eye, *self.crew.poured], key=lambda pour: pour.time_s)

    def minute(self) -> None:
        """Live through the next minute."""
        before_s = self.world.now_s
        self.world.step()
        for happening in self.happenings:
            if before_s < happening.at_s <= self.world.now_s:
                self._befall(happening)
        self.gate.before_sending()
        self._send(self.instruments.read())
        self.watch.minute(self.crew.acts)
        self._people()
        if self.watch.score_due():
            self.gate.catch_up()
            self.watch.score(self.picture())
        self.gate.after_sending()

    def _befall(self, happening: Happening) -> None:
        dead = self.instruments.dead
        if happening.doing == "pour":
            litres = self.world.sumps[happening.sump].pour(happening.volume_l, happening.pct)
            self.by_eye.append(Poured(happening.sump, self.world.now_s, litres, happening.pct, logged=False))
            self.tell(f"[{happening.tale}: {litres:.0f} L of {happening.pct:.0f} %]")
            return
        if happening.doing == "gateway_off":
            dead.add(happening.sump)
        else:
            dead.discard(happening.sump)
        self.tell(f"[{happening.tale}]")

    def _send(self, said: Sequence[Said]) -> None:
        for source, feed in self.feeds.items():
            feed.send(one for one in said if one.gauge.source == source)

    def _people(self) -> None:
        local = self.world.local()
        for person in self.crew.due(local):
            self._round(person, first_day=local.date() == FIRST_DAY.date())
        if self.crew.settling():
            self.gate.catch_up()
            for act in self.crew.settled():
                self.tell(landing_line(act))

    def _round(self, person: Person, *, first_day: bool) -> None:
        self.gate.catch_up()
        self.crew.go_round(person, first_day=first_day)


def landing_line(act: Act) -> str:
    """Say where a recipe landed."""
    return (
        f"{act.sump} landed: said {act.said_pct:.1f} % ({act.said_p10:.1f}–{act.said_p90:.1f}),"
        f" truth {act.truth_pct:.2f} %, estimate {act.estimate_pct:.2f} %"
    )
