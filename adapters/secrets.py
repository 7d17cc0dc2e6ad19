"""Secrets of channels: from the file the plant file names, or from a systemd credential; read anew for each use."""

from __future__ import annotations

import os
from pathlib import Path


def read_secret(file: object, credential: str) -> str | None:
    """Return the secret, None if there is none. Raises OSError if a named file cannot be read."""
    if isinstance(file, Path):
        return file.read_text("utf-8").rstrip("\r\n")
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    path = Path(folder) / credential if folder else None
    return path.read_text("utf-8").rstrip("\r\n") if path is not None and path.is_file() else None
