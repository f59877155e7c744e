"""What an open door has to remember, as named values in `sent.db`; written seldom, each time in one short transaction.

The file is opened for each write only: there is one write in many minutes, and the notices' own connection is
another thread's.
"""

import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from daemon.sending.receipts import FILE_NAME

BUSY_S = 2.0
_TABLE = "create table if not exists meta(name text primary key, value text not null) without rowid"


class DoorMemory:
    """Named values; for any thread, one at a time."""

    def __init__(self, folder: Path) -> None:
        """Open nothing yet.

        Args:
            folder: the sending folder.
        """
        self.path = folder / FILE_NAME
        self.why: str | None = None  # why the last write or reading failed

    def load(self, name: str) -> object:
        """Give a value as JSON has it; None when there is none or it can't be read, for the reason in `why`."""
        try:
            with closing(self._opened()) as db:
                row = db.execute("select value from meta where name = ?", (name,)).fetchone()
                found: object = None if row is None else json.loads(row[0])
        except (OSError, ValueError, sqlite3.Error) as why:
            self.why = f"{self.path}: {why}"
            return None
        self.why = None
        return found

    def save(self, values: Mapping[str, object]) -> bool:
        """Write values; False when they could not be written, for the reason in `why`."""
        rows = [(name, json.dumps(value)) for name, value in values.items()]
        try:
            with closing(self._opened()) as db, db:
                db.executemany("insert or replace into meta(name, value) values(?, ?)", rows)
        except (OSError, sqlite3.Error) as why:
            self.why = f"{self.path}: {why}"
            return False
        self.why = None
        return True

    def _opened(self) -> sqlite3.Connection:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        db = sqlite3.connect(self.path, timeout=BUSY_S)
        try:
            db.execute(_TABLE)
        except BaseException:
            db.close()
            raise
        return db
