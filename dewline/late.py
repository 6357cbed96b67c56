"""History imported while the analysis may be running elsewhere, or is already past it: what to fold again.

The import leaves a note in the home for every unit and the oldest row it brought; the runtime takes the notes
up and has the analyst rewind. Files, because importer and runtime are two processes.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Mapping
from pathlib import Path

import msgspec

log = logging.getLogger(__name__)

FOLDER = "imported"


def leave_note(home: Path, oldest_ms: Mapping[str, int]) -> None:
    """Write down, whole or not at all, from where each unit must be folded again. [Unix ms]"""
    folder = home / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"{time.time_ns()}-{os.getpid()}.json"
    partial = target.with_suffix(".part")
    partial.write_bytes(msgspec.json.encode(dict(oldest_ms)))
    os.replace(partial, target)


class Notes:
    """The runtime's side: each note counts once, and is thrown away when all its units are done."""

    def __init__(self, home: Path) -> None:
        self._folder = home / FOLDER
        self._open: dict[Path, set[str]] = {}
        self._oldest_ms: dict[str, int] = {}
        self._lock = threading.Lock()

    def read(self) -> list[str]:
        """Take up new notes; the units they name."""
        with self._lock:
            for path in sorted(self._folder.glob("*.json")):
                if path in self._open:
                    continue
                noted = msgspec.json.decode(path.read_bytes(), type=dict[str, int])
                self._open[path] = set(noted)
                for unit_id, at_ms in noted.items():
                    self._oldest_ms[unit_id] = min(at_ms, self._oldest_ms.get(unit_id, at_ms))
            return list(self._oldest_ms)

    def oldest_ms(self, unit_id: str) -> int | None:
        """From where a unit must be looked at again; None when nothing is noted. [Unix ms]"""
        with self._lock:
            return self._oldest_ms.get(unit_id)

    def done(self, unit_id: str, oldest_ms: int) -> None:
        """The unit has been folded again from what `oldest_ms` said; older news since then stay noted."""
        with self._lock:
            if self._oldest_ms.get(unit_id) != oldest_ms:
                return
            del self._oldest_ms[unit_id]
            for path, units in list(self._open.items()):
                units.discard(unit_id)
                if not units:
                    path.unlink(missing_ok=True)
                    del self._open[path]
