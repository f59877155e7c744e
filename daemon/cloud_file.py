"""Cloudiness of today and the next days from a file that something else writes, for sites that can be told.

The service has no network: a forecast must be fetched by another job, which leaves one number a line,
today's first, 0 for a clear day to 1 for a dark one, "-" for one it does not know. A file that was not written
for a day, or that can't be read, is as good as none: the lookahead then goes by the site's own past.
"""

import logging
import math
import time
from collections.abc import Callable
from pathlib import Path

from daemon.trouble_log import TroubleLog

log = logging.getLogger("halfmark.clouds")

DAYS_MOST = 7
SIZE_MOST = 4096
OLD_S = 24.0 * 3600.0


class CloudFile:
    """Reads the file of [lookahead] clouds when asked."""

    def __init__(self, path: Path, *, wall_s: Callable[[], float] = time.time) -> None:
        """Take the file's path and the clock its date is compared with; nothing is read yet."""
        self.path = path
        self._wall_s = wall_s
        self._trouble = TroubleLog(log, f"cloudiness from {path}")

    def days(self, now_s: float) -> tuple[float | None, ...]:
        """Give the cloudiness of today and the next days; empty when nothing usable is there."""
        try:
            age_s = self._wall_s() - self.path.stat().st_mtime
            if age_s > OLD_S:
                raise ValueError(f"it was written {age_s / 3600.0:.0f} h ago, at most {OLD_S / 3600.0:.0f} h count")
            with self.path.open(encoding="ascii") as file:
                found = cloudiness(file.read(SIZE_MOST))
        except (OSError, ValueError) as why:
            self._trouble.failed(now_s, f"not used: {why}")
            return ()
        self._trouble.recovered(now_s)
        return found


def cloudiness(text: str) -> tuple[float | None, ...]:
    """Read one number a line.

    Raises: ValueError: a line is neither a number from 0 to 1 nor "-", or there is none.
    """
    found: list[float | None] = []
    for number, line in enumerate(text.splitlines()[:DAYS_MOST], start=1):
        word = line.strip()
        if word == "-":
            found.append(None)
            continue
        try:
            value = float(word)
        except ValueError:
            value = math.nan
        if not 0.0 <= value <= 1.0:
            raise ValueError(f'line {number} is {word[:20]!r}: a number from 0 (clear) to 1 (dark), or "-"')
        found.append(value)
    if not found:
        raise ValueError("it is empty")
    return tuple(found)
