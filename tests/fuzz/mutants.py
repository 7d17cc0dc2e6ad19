"""Mutants of well-formed input: bytes flipped, cut, doubled, spliced, and tokens that have hurt parsers before."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from typing import Final

_NUMBERS: Final = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_WORDS: Final = re.compile(rb'"[^"]*"')
_ODD_NUMBERS: Final = (
    b"NaN Infinity -Infinity 1e999 -1e999 -0 0x1F 1_000 007 1. .5 +3 1e-400 99999999999999999999 1e5 -1 0 true null "
    b"251,4 1e9 1000000001 4294967295 65535 3.4028235e38 1.7976931348623157e308"
).split()
_ODD_WORDS: Final = (
    b'"" "\\u0000" "\\ud800" "good" "bad" "mm" "m" "US gal" "2031-03-03T21:30:00Z" "2031-02-30T21:30:00Z" '
    b'"1970-01-01T00:00:00Z" "v" "t" "bn" "__proto__" "%s%n" "\xc3\x28" "\xe2\x80\xae" "2031-03-03T21:30:60Z"'
).split(b" ")
_ODD_BYTES: Final = [
    *(b"\x00", b"\xff", b"\xfe", b"\r", b"\n", b"\x1a", b"\xef\xbb\xbf", b"\xed\xa0\x80"),
    *(b"\\", b'"', b","),
]
_BRACKETS: Final = [b"[" * 40, b'{"v":' * 20, b"]", b"}", b"[", b"{", b"[]", b"{}"]


class Mutants:
    """An endless supply, the same for a seed."""

    def __init__(self, seeds: Sequence[bytes], seed: int) -> None:
        self._seeds = seeds
        self._draw = random.Random(seed)
        self._ways: Sequence[Callable[[bytes], bytes]] = (
            self._flip,
            self._cut,
            self._double,
            self._insert,
            self._splice,
            self._other_number,
            self._other_number,
            self._other_word,
            self._other_bracket,
        )

    def one(self) -> bytes:
        """Return one mutant, one to four steps away from a well-formed piece."""
        draw = self._draw
        raw = draw.choice(self._seeds)
        for _ in range(draw.choice((1, 1, 1, 1, 2, 3, 4))):
            raw = draw.choice(self._ways)(raw)
        return raw

    def _place(self, raw: bytes) -> int:
        return int(self._draw.random() * (len(raw) + 1))

    def _flip(self, raw: bytes) -> bytes:
        if not raw:
            return raw
        at = int(self._draw.random() * len(raw))
        return raw[:at] + bytes([raw[at] ^ (1 << int(self._draw.random() * 8))]) + raw[at + 1 :]

    def _cut(self, raw: bytes) -> bytes:
        low, high = sorted((self._place(raw), self._place(raw)))
        return raw[:low] + raw[high:] if self._draw.random() < 0.7 else raw[low:high]

    def _double(self, raw: bytes) -> bytes:
        low, high = sorted((self._place(raw), self._place(raw)))
        return raw[:high] + raw[low:high] * self._draw.choice((1, 1, 2, 30)) + raw[high:]

    def _insert(self, raw: bytes) -> bytes:
        at = self._place(raw)
        return raw[:at] + self._draw.choice(_ODD_BYTES) + raw[at:]

    def _splice(self, raw: bytes) -> bytes:
        other = self._draw.choice(self._seeds)
        return raw[: self._place(raw)] + other[self._place(other) :]

    def _other_number(self, raw: bytes) -> bytes:
        return self._other(raw, _NUMBERS, _ODD_NUMBERS)

    def _other_word(self, raw: bytes) -> bytes:
        return self._other(raw, _WORDS, _ODD_WORDS)

    def _other_bracket(self, raw: bytes) -> bytes:
        at = self._place(raw)
        return raw[:at] + self._draw.choice(_BRACKETS) + raw[at:]

    def _other(self, raw: bytes, token: re.Pattern[bytes], others: Sequence[bytes]) -> bytes:
        found = list(token.finditer(raw))
        if not found:
            return self._flip(raw)
        hit = self._draw.choice(found)
        return raw[: hit.start()] + self._draw.choice(others) + raw[hit.end() :]
