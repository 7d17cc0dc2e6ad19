"""Where a source's settings stand: the addresses that signals ask of it, and the folder of the plant file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath

from monitor.plant.lines import Path

_CREDENTIALS = "$CREDENTIALS_DIRECTORY/"


@dataclass(frozen=True, slots=True)
class Address:
    """One address that a signal asks of a source, where it stands in the file, and the keys beside it.

    `path` is ("sump", SUMP, "signal", SIGNAL, "address").
    """

    text: str
    path: Path
    keys: frozenset[str] = frozenset()

    @property
    def signal(self) -> str:
        """The signal as it is named in rows of a file: SUMP/SIGNAL."""
        return f"{self.path[1]}/{self.path[3]}"

    def beside(self, key: str) -> Path:
        """Return the path of another key of the same signal."""
        return (*self.path[:-1], key)


@dataclass(frozen=True, slots=True)
class Home:
    """Where the plant file lies, what its plant is called, and the folder of systemd credentials if there is one."""

    folder: FilePath
    plant_id: str
    credentials: str | None

    def file(self, written: str) -> FilePath:
        """Resolve a path of the plant file; one of a systemd credential only where there are credentials."""
        if self.credentials and written.startswith(_CREDENTIALS):
            return FilePath(self.credentials) / written.removeprefix(_CREDENTIALS)
        return self.folder / written
