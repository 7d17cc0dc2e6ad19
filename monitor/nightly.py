"""The nightly backup: made in a process of its own, so that the watch goes on and a damaged copy harms nothing."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from monitor.plant.types import BackupSpec, Plant
from monitor.record.backups import DAMAGED, DONE, backups_in

log = logging.getLogger("bandkeeper.backup")

LOOK_EVERY_S: Final = 60.0
AGAIN_AFTER_S: Final = 3600.0
LONGEST_S: Final = 6 * 3600.0
OVERDUE_S: Final = 2 * 86400.0


class Nightly:
    """Looks once a minute (of real time) whether a backup is due. `damaged` is told if the record turns out to be."""

    def __init__(self, plant: Plant, clock: Callable[[], float], damaged: Callable[[str], None]) -> None:
        self.plant = plant
        self.trouble = ""
        self._clock, self._damaged = clock, damaged
        self._not_before = 0.0
        self._child: subprocess.Popen[str] | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="backup", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """End; a backup under way is given up, and the next one goes on with it."""
        self._stopping.set()
        child = self._child
        if child is not None:
            child.terminate()
        if self._thread.is_alive():
            self._thread.join(5.0)

    def overdue_s(self) -> float | None:
        """Return for how long there has been no backup where one should be, None if that is not too long."""
        spec = self.plant.backup
        if spec is None or not self.trouble:
            return None
        there = backups_in(spec.folder, self.plant.database)
        age_s = self._clock() - there[0].made_s if there else OVERDUE_S + 1.0
        return age_s if age_s > OVERDUE_S else None

    def look(self) -> bool:
        """Make a backup if one is due; tell whether one was made."""
        spec, now_s = self.plant.backup, self._clock()
        if spec is None or time.monotonic() < self._not_before:
            return False
        there = backups_in(spec.folder, self.plant.database)
        if there and there[0].made_s >= last_due_s(spec.at_minute, self.plant.zone, now_s):
            return False
        return self._make(spec, now_s)

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            try:
                self.look()
            except Exception as error:  # the watch goes on without a backup, and says so
                log.exception("no backup")
                self._failed(str(error))

    def _make(self, spec: BackupSpec, now_s: float) -> bool:
        database: Path = self.plant.database.absolute()
        command = [sys.executable, "-m", "monitor.record.backups", str(database), str(spec.folder.absolute())]
        command += [str(spec.count), repr(now_s)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:  # noqa: S603 - our own
            self._child = child
            try:
                out, err = child.communicate(timeout=LONGEST_S)
            except subprocess.TimeoutExpired:
                child.kill()
                out, err = child.communicate()
            self._child = None
        if child.returncode == DONE:
            log.info("backup: %s", out.strip())
            self.trouble = ""
            return True
        if not self._stopping.is_set():
            self._failed(err.strip().splitlines()[-1] if err.strip() else f"it ended with {child.returncode}")
            if child.returncode == DAMAGED:
                self._damaged(self.trouble)
        return False

    def _failed(self, why: str) -> None:
        self._not_before = time.monotonic() + AGAIN_AFTER_S
        if why != self.trouble:
            log.error("no backup: %s", why)
        self.trouble = why


def last_due_s(at_minute: int, zone: str, now_s: float) -> float:
    """Return the last moment (Unix seconds) at which the plant's clock showed a time of day, in minutes."""
    now = datetime.fromtimestamp(now_s, ZoneInfo(zone))
    due = now.replace(hour=at_minute // 60, minute=at_minute % 60, second=0, microsecond=0)
    if due.timestamp() > now_s:
        due = (due - timedelta(days=1)).replace(hour=at_minute // 60, minute=at_minute % 60)
    return due.timestamp()
