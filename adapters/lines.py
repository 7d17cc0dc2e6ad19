"""Text lines from a serial instrument: bytes to lines, lines to samples. Pure.

A line ends with CR, LF or both. What comes without an end is not a line yet; what is longer than 256 bytes or holds
anything but printable ASCII is noise (a wrong baud rate, a power-up, a broken wire).
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from adapters.parsers import number, show
from adapters.sample import PayloadError, Sample
from adapters.timestamps import parse_time_text
from monitor.plant.errors import SourceError
from monitor.plant.linear import PatternError, compile_linear
from monitor.plant.reading import Quality

LONGEST: Final = 256
_ENDS: Final = re.compile(rb"[\r\n]")
_CLEAN: Final = re.compile(rb"[\t\x20-\x7e]*")
_NOISE: Final = "holds bytes that are no printable ASCII: check baud rate, parity and cable"
_LONG: Final = f"is longer than {LONGEST} bytes without an end of line: check baud rate and cable"
_CUT: Final = "was cut off: the line ended in its middle"
_DECIMALS: Final = {
    ".": re.compile(r"[+-]?\s?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})", re.ASCII),
    ",": re.compile(r"[+-]?\s?(?:\d{1,20}(?:,\d{0,20})?|,\d{1,20})", re.ASCII),
}
_GOOD_WORDS: Final = frozenset({"", "ok", "good", "valid"})
_BAD_WORDS: Final = frozenset({"bad", "err", "error", "fail", "fault", "invalid"})


class Line(NamedTuple):
    """One line without its end. `fault` says why it cannot be used; empty for a clean one."""

    raw: bytes
    fault: str = ""


class Framing(NamedTuple):
    """What is left of the stream: an unfinished line, and what is wrong with it already."""

    rest: bytes = b""
    fault: str = ""


JOINED: Final = Framing(fault="began before the port was opened: its beginning may be missing")
"""Where to begin on a line that was already talking."""


def frame(framing: Framing, data: bytes) -> tuple[Framing, list[Line]]:
    """Cut the next bytes of a stream into lines. The lines do not depend on how the bytes are split up.

    Empty lines are left out. Of an overlong line the first 256 bytes are kept.
    """
    *ended, rest = _ENDS.split(framing.rest + data)
    lines = [_line(raw) for raw in ended if raw]
    if not ended:
        return Framing(rest[: LONGEST + 1], _LONG if len(rest) > LONGEST else framing.fault), lines
    if ended[0] and framing.fault:
        lines[0] = Line(ended[0][:LONGEST], framing.fault)
    return Framing(rest[: LONGEST + 1], _LONG if len(rest) > LONGEST else ""), lines


def unfinished(framing: Framing) -> list[Line]:
    """Give what was left when the stream broke off, as a line that cannot be used."""
    return [Line(framing.rest[:LONGEST], _CUT)] if framing.rest else []


def _line(raw: bytes) -> Line:
    if len(raw) > LONGEST:
        return Line(raw[:LONGEST], _LONG)
    return Line(raw, "" if _CLEAN.fullmatch(raw) else _NOISE)


class LineSample(NamedTuple):
    """What a line said: of which channel, the value, and the temperature where the pattern has a group for it."""

    channel: str
    value: Sample
    temperature: Sample | None = None


class LinePattern:
    """The pattern of a source: a regular expression that fits a whole line, and what its named groups mean.

    Groups: `value`, and where the line has them `channel`, `unit`, `time` (RFC 3339 with offset, or Unix seconds),
    `status` and `temperature`. Without the group `channel` every line is of the source's one channel.
    """

    def __init__(self, pattern: str, *, decimal: str = ".", channel: str = "") -> None:
        try:
            self._pattern = compile_linear(pattern)
        except PatternError as error:
            raise SourceError(f"the pattern {pattern!r} is no regular expression ({error})") from error
        if "value" not in self._pattern.groupindex:
            raise SourceError(f"the pattern {pattern!r} has no group named value: write (?P<value>…)")
        self._decimal = decimal
        self._channel = channel

    @property
    def names_channels(self) -> bool:
        """Say whether a line tells its channel itself."""
        return "channel" in self._pattern.groupindex

    @property
    def has_temperature(self) -> bool:
        """Say whether a line holds a temperature beside its value."""
        return "temperature" in self._pattern.groupindex

    def read(self, line: Line) -> LineSample:
        """Read one line. Raises PayloadError with what is wrong and what would be right."""
        if line.fault:
            raise PayloadError(f"the line {show(line.raw)} {line.fault}")
        text = line.raw.decode("ascii").strip()
        match = self._pattern.fullmatch(text)
        if match is None:
            raise PayloadError(f"the line {show(line.raw)} does not fit the pattern of the source: correct one of them")
        groups = {name: (found or "").strip() for name, found in match.groupdict().items()}
        time_s = parse_time_text(groups["time"]) if groups.get("time") else None
        quality, reason = _status(groups.get("status", ""))
        value = Sample(self._number(groups["value"]), time_s, groups.get("unit", ""), quality, reason)
        warmth = groups.get("temperature")
        temperature = Sample(self._number(warmth), time_s, "", quality, reason) if warmth else None
        return LineSample(groups.get("channel") or self._channel, value, temperature)

    def _number(self, text: str) -> float:
        if _DECIMALS[self._decimal].fullmatch(text) is None:
            raise PayloadError(
                f'{text!r} is no number with the decimal sign "{self._decimal}": check decimal and pattern'
            )
        return number(float(text.replace(" ", "").replace(",", ".")), f"the value {text!r}")


def _status(word: str) -> tuple[Quality, str]:
    lower = word.lower()
    if lower in _GOOD_WORDS:
        return Quality.GOOD, ""
    quality = Quality.BAD if lower in _BAD_WORDS else Quality.DOUBTFUL
    return quality, f"the device says {word!r}"
