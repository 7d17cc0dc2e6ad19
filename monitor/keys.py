"""The key that signs the links in messages: made once, for its owner alone, beside the database."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Final

from monitor.plant.errors import RecordError

_BYTES: Final = 32


def link_key(database: Path) -> bytes:
    """Return the key of a plant, made (mode 0600) if there is none. RecordError if it cannot be kept or is open."""
    path = database.with_name(f"{database.name}.key")
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except FileExistsError:
        return _read(path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error.strerror}); let bandkeeper write its folder") from error
    with os.fdopen(handle, "wb") as file:
        file.write(secrets.token_bytes(_BYTES))
        file.flush()
        os.fsync(file.fileno())
    return _read(path)


def _read(path: Path) -> bytes:
    try:
        key, mode = path.read_bytes(), path.stat().st_mode
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror}); let bandkeeper read it") from error
    if mode & 0o077:
        raise RecordError(f"{path}: others may read this key; take their rights away (chmod 600), or remove it")
    if len(key) != _BYTES:
        raise RecordError(f"{path}: is no key of {_BYTES} bytes; remove it, a new one is made (old links end)")
    return key
