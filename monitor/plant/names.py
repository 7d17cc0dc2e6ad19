"""Names and identifiers."""

from __future__ import annotations

import re
import unicodedata

from monitor.plant.faults import Faults
from monitor.plant.lines import Path
from monitor.plant.schema import IDENTIFIER


def check_name(name: str, path: Path, faults: Faults) -> None:
    """Refuse a table name that is no identifier, with one that would be."""
    if not IDENTIFIER.fullmatch(name):
        better = f', such as "{slug(name)}"' if slug(name) else ""
        faults.add(path, f'"{name}" is no identifier: use small letters, digits and hyphens, at most 63{better}')


def slug(name: str) -> str:
    """Make an identifier from a name: `Ferry Lane works` gives `ferry-lane-works`; empty if nothing is left."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss")).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:63].strip("-")
