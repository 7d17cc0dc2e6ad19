"""The payload forms of a source (`payload = …` in the plant file), each as three pure steps."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from adapters import iolink, parsers, senml
from adapters.sample import Sample
from monitor.plant.errors import SourceError


class Payload(NamedTuple):
    """How a form of payload is read.

    `read` turns bytes (and the arrival time) into content, `pick` gives the samples that a selector means (the part
    of an address behind `?`, empty for most), `check` refuses a selector that can never work with SourceError.
    Only a form whose payloads hold several values (`parts`) has selectors; else an address is a topic as it stands.
    """

    read: Callable[[bytes, float], Any]
    pick: Callable[[Any, str], Sequence[Sample]]
    check: Callable[[str], None]
    parts: bool = False


def payload_named(name: str) -> Payload:
    """Find a payload form by its name in the plant file."""
    if name not in PAYLOADS:
        raise SourceError(f'payload = "{name}" is not known: write one of {", ".join(PAYLOADS)}')
    return PAYLOADS[name]


def _read_json(payload: bytes, _now_s: float) -> Sample:
    return parsers.parse_json(payload)


def _read_number(payload: bytes, _now_s: float) -> Sample:
    return parsers.parse_number(payload)


def _only(sample: Sample, _selector: str) -> Sequence[Sample]:
    return (sample,)


def _any_selector(_selector: str) -> None:
    """Accept any name."""


PAYLOADS: Final[Mapping[str, Payload]] = {
    "json": Payload(_read_json, _only, _any_selector),
    "number": Payload(_read_number, _only, _any_selector),
    "senml": Payload(senml.read_senml, senml.pick_senml, _any_selector, parts=True),
    "iolink": Payload(iolink.read_iolink, iolink.pick_iolink, iolink.check_iolink, parts=True),
}
