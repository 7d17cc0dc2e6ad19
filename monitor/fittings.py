"""What hangs on the plant file: exchanged as a whole when the file is read anew."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.health import Doctor
from monitor.outward import Outward
from monitor.pipeline import Pipeline
from monitor.plant.types import Plant
from monitor.post import PostOffice


@dataclass(frozen=True, slots=True)
class Fittings:
    """The plant with what reckons, writes messages and sends by it."""

    plant: Plant
    pipeline: Pipeline
    office: PostOffice
    out: Outward
    doctor: Doctor
