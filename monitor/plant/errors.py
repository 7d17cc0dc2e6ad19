"""The errors Bandkeeper raises on purpose.

BandkeeperError
├── PlantFileError      the plant file has faults (all of them, each with line and key)
├── QuantityError       a text is no quantity, or its unit does not fit
├── RecordError         the database cannot be opened, read or written
│   └── DamagedRecordError   it is damaged
├── SourceError         a source cannot be used as configured (never "not there yet": that is waiting)
└── ModelError          the estimator refused a non-finite or impossible result
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.plant.plain import one_line


class BandkeeperError(Exception):
    """Base of all errors that carry a message meant for people."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a plant file: where, what, and what would be right."""

    file: str
    line: int
    key: str
    text: str

    def __str__(self) -> str:
        return one_line(f"{self.file}:{self.line}: {self.key}: {self.text}")


class PlantFileError(BandkeeperError):
    """A plant file with at least one fault; `faults` holds all of them in line order."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


class QuantityError(BandkeeperError):
    """A text that is no quantity with a unit, or whose unit is of the wrong kind."""


class RecordError(BandkeeperError):
    """The record on disk cannot be opened, read or written."""


class DamagedRecordError(RecordError):
    """The record on disk is damaged: what it says can no longer be read."""


class SourceError(BandkeeperError):
    """A source whose configuration cannot work."""


class ModelError(BandkeeperError):
    """A model step whose result would not be finite or not be possible."""
