"""Futures carried along together: volume and strength of many draws of many sumps, a step of the forecast at a time.

Time is the first axis: all draws of one step lie side by side, so that each operation runs over memory in order and
what a step needs stays in the processor's cache.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from monitor.model.layout import CARRY, Flags, Floats, Ints

HIGHEST_LN: Final = 4.6
THINNEST_PCT: Final = 0.02
SHARES: Final = (0.1, 0.5, 0.9)
LOW_SIDE, RICH_SIDE, LEAN_SIDE, NO_SIDE = range(4)


class Desk:
    """Arrays by name that are used again and again: fresh memory costs more than what is written into it."""

    def __init__(self) -> None:
        self._room: dict[str, Floats] = {}

    def room(self, name: str, *shape: int) -> Floats:
        """Return an array of a shape; what it holds is anything, and is lost when the name is asked for again."""
        size = math.prod(shape)
        if name not in self._room or len(self._room[name]) < size:
            self._room[name] = np.empty(size)
        return self._room[name][:size].reshape(shape)


@dataclass(frozen=True, slots=True)
class Steps:
    """The steps ahead: hours, local day (steps,); running share (n, steps).

    `curved` (n, steps), or (1, steps) where it is the same for all, are the hours weighed by the day's curve or by how
    warm the coolant usually is.
    """

    hours: Floats
    curved: Floats
    day: Ints
    share: Floats


@dataclass(frozen=True, slots=True)
class First:
    """Where the futures begin (n, draws), the litres none falls below, and the lowest level, ln high, ln low (n, 1)."""

    volume_l: Floats
    ln_strength: Floats
    least_l: Floats
    limits: tuple[Floats, Floats, Floats]


@dataclass(slots=True)
class Rates:
    """Litres an hour on each day: vapour always, more while running, drag-out (days, n, draws); leak (n, draws)."""

    by_hour: Floats
    by_running: Floats
    by_drag: Floats
    leak: Floats = field(default_factory=lambda: np.zeros(()))


@dataclass(frozen=True, slots=True)
class Valve:
    """What a filling valve does: when it opens, how much it lets in, of what mix, and whether it is there at all.

    Litres at which it opens in each step (n, steps), litres of an opening (n, 1), mix in % and presence (n, draws).
    """

    mark_l: Floats
    opening_l: Floats
    mix_pct: Floats
    there: Flags


@dataclass(slots=True)
class Courses:
    """Volume and ln strength at all edges (edges, n, draws); how many edges each future stayed inside its limits."""

    volume: Floats
    ln_strength: Floats
    inside: Ints
    limits: tuple[Floats, Floats, Floats]
    desk: Desk

    def exits(self, edges_h: Floats) -> tuple[Floats, Ints]:
        """Return hours to the first crossing and its side (n, draws); within a step it lies on a straight line."""
        last = len(edges_h) - 1
        gone = self.inside <= last
        first = np.where(gone, self.inside, 0)
        before = np.maximum(first - 1, 0)
        best = np.full(first.shape, np.inf)
        side = np.full(first.shape, NO_SIDE, dtype=np.int64)
        level, ln = (_at(self.volume, before, first), _at(self.ln_strength, before, first))
        for name, (old, new), limit, sign in zip(
            (LOW_SIDE, RICH_SIDE, LEAN_SIDE), (level, ln, ln), self.limits, (-1.0, 1.0, -1.0), strict=True
        ):
            crossed = gone & (sign * (new - limit) > 0.0)
            moved = np.where(new == old, 1.0, new - old)
            at = np.where(crossed, np.clip((limit - old) / moved, 0.0, 1.0), np.inf)
            side = np.where(at < best, name, side)
            best = np.minimum(best, at)
        hours = edges_h[before] + np.where(gone, best, 0.0) * (edges_h[first] - edges_h[before])
        return np.where(gone, hours, edges_h[-1]), side

    def path(self, edges: Ints) -> Floats:
        """Return 10, 50, 90 % of volume and strength at some edges (n, 2, 3, edges)."""
        n, draws = self.volume.shape[1:]
        ranks = [round(share * (draws - 1)) for share in SHARES]
        found = np.empty((n, 2, len(ranks), len(edges)))
        part = self.desk.room("sorted", len(edges), n, draws)
        for i, course in enumerate((self.volume, self.ln_strength)):
            np.take(course, edges, axis=0, out=part, mode="clip")
            part.sort(axis=2)
            found[:, i] = part[:, :, ranks].transpose(1, 2, 0)
        found[:, 1] = np.exp(np.minimum(found[:, 1], HIGHEST_LN))
        return found


def _at(course: Floats, before: Ints, first: Ints) -> tuple[Floats, Floats]:
    """Return a course just before and just behind each future's first crossing (n, draws)."""
    flat, own = course.reshape(-1), np.arange(first.size).reshape(first.shape)
    return flat[before * first.size + own], flat[first * first.size + own]


def walk(first: First, rates: Rates, steps: Steps, valve: Valve | None, desk: Desk) -> Courses:
    """Carry the futures of sumps along; either all of them have a valve or none has."""
    shape = (len(steps.hours) + 1, *first.volume_l.shape)
    volume, ln_strength = desk.room("volume", *shape), desk.room("ln_strength", *shape)
    volume[0], ln_strength[0] = first.volume_l, first.ln_strength
    lost = _Lost(rates, steps)
    move = _Falling(first, lost) if valve is None else _Filled(first, lost, valve)
    watch = _Watch(first)
    watch.look(volume[0], ln_strength[0])
    for s in range(len(steps.hours)):
        lost.step(s)
        move.step(s, volume, ln_strength)
        watch.look(volume[s + 1], ln_strength[s + 1])
    return Courses(volume, ln_strength, watch.inside.astype(np.int64), first.limits, desk)


class _Lost:
    """Litres of vapour, of drag-out and in all that one step takes (n, draws), in arrays that are used again."""

    def __init__(self, rates: Rates, steps: Steps) -> None:
        self._rates, self._steps = rates, steps
        self._running = (steps.share * steps.curved).T[:, :, None]
        self._curved = steps.curved.T[:, :, None]
        self._draining = (steps.share * steps.hours).T[:, :, None]
        self._leaks = bool(rates.leak.any())
        self.vapour, self.drag, self.gone = (np.empty(rates.by_hour.shape[1:]) for _ in range(3))

    def step(self, s: int) -> None:
        """Reckon step s."""
        rates, day = self._rates, self._steps.day[s]
        np.multiply(rates.by_running[day], self._running[s], out=self.vapour)
        np.multiply(rates.by_hour[day], self._curved[s], out=self.gone)
        self.vapour += self.gone
        np.multiply(rates.by_drag[day], self._draining[s], out=self.drag)
        np.add(self.vapour, self.drag, out=self.gone)
        if self._leaks:
            self.gone += rates.leak * self._steps.hours[s]


class _Falling:
    """Sumps that nobody fills: volume falls by what is lost, strength rises as water leaves."""

    def __init__(self, first: First, lost: _Lost) -> None:
        self._lost, self._least = lost, first.least_l
        self._left = first.volume_l.copy()
        self._middle = np.empty_like(self._left)

    def step(self, s: int, volume: Floats, ln_strength: Floats) -> None:
        """Fill in edge s + 1 of the courses."""
        lost, middle, richer = self._lost, self._middle, self._lost.vapour
        self._left -= lost.gone
        np.maximum(self._left, self._least, out=volume[s + 1])
        np.add(volume[s + 1], volume[s], out=middle)
        middle *= 0.5
        lost.drag *= CARRY - 1.0
        richer -= lost.drag
        richer /= middle
        np.add(ln_strength[s], richer, out=ln_strength[s + 1])


class _Filled:
    """Sumps with a valve that opens at a mark of the gauge."""

    def __init__(self, first: First, lost: _Lost, valve: Valve) -> None:
        self._lost, self._least, self._mix = lost, first.least_l, valve.mix_pct
        self._mark, self._opening = valve.mark_l.T[:, :, None], valve.opening_l
        self._there = valve.there
        self._strength = np.exp(first.ln_strength)

    def step(self, s: int, volume: Floats, ln_strength: Floats) -> None:
        """Fill in edge s + 1 of the courses."""
        lost, strength = self._lost, self._strength
        left = volume[s] - lost.gone
        filled = self._opening * np.ceil(np.maximum(self._mark[s] - left, 0.0) / self._opening) * self._there
        middle = np.maximum(volume[s] - 0.5 * (lost.gone - filled), self._least)
        growth = (lost.vapour - (CARRY - 1.0) * lost.drag - filled) / middle
        strength *= np.exp(growth)
        strength += self._mix * filled / middle
        np.maximum(left + filled, self._least, out=volume[s + 1])
        np.log(np.maximum(strength, THINNEST_PCT), out=ln_strength[s + 1])


class _Watch:
    """Counts for how many edges, from the first on, each future lies inside its limits."""

    def __init__(self, first: First) -> None:
        self._lowest, self._high, self._low = first.limits
        self._still: Flags = np.ones(first.volume_l.shape, dtype=np.bool_)
        self._out, self._more = np.empty_like(self._still), np.empty_like(self._still)
        self.inside = np.zeros(first.volume_l.shape, dtype=np.uint8)

    def look(self, volume: Floats, ln_strength: Floats) -> None:
        """Look at one edge."""
        np.less(volume, self._lowest, out=self._out)
        np.greater(ln_strength, self._high, out=self._more)
        self._out |= self._more
        np.less(ln_strength, self._low, out=self._more)
        self._out |= self._more
        np.greater(self._still, self._out, out=self._still)
        self.inside += self._still.view(np.uint8)
