"""The slow look over the whole record while the service runs: some rows each five minutes, round after round.

Damage that nobody meets would otherwise be found when the reading is wanted, years later, with every backup spoiled
as well. What is found is told, and looked at again from time to time; setting it aside is a person's decision.
A year of 25 channels is gone through in some ten days.
"""

import sqlite3
from collections.abc import Mapping

from daemon.record.damage import Ask, is_damaged
from daemon.record.failures import is_page
from daemon.record.sweep import look_over, past_pages

TABLES = ("piece", "block", "minute", "hour")  # the tail is looked at when it is sealed, within the hour
EVERY_MS = 300_000
FOUND_MOST = 500  # rows remembered; a record with more is to be replaced, not mended
FIRST_KEY = -(1 << 63)
PAGES_MOST = 50  # such places of one table in one round
STATE_NAME = "patrol"


class Patrol:
    """Where the look stands and what it has found.

    Attributes:
        found: table and key of every row that was damaged when it was looked at last.
        pages: how many times SQLite could not read a page, in this round and the last.
        rows, rounds: looked at and gone round since the record began.
        changed: whether it has got further since `state` was taken last.
    """

    def __init__(self) -> None:
        self.found: list[tuple[str, int]] = []
        self.rows = self.rounds = 0
        self.changed = False
        self._table, self._key = TABLES[0], FIRST_KEY
        self._pages = [0, 0]
        self._again = 0

    @property
    def pages(self) -> int:
        """Pages that could not be read."""
        return max(self._pages)

    @property
    def count(self) -> int:
        """How many damaged pieces there are, as far as the look has come."""
        return len(self.found) + self.pages

    def step(self, ask: Ask) -> list[tuple[str, int]]:
        """Look at the next few rows, and at one that was damaged; give those that are newly found damaged.

        Raises: sqlite3.Error: of any kind but damage.
        """
        self.changed = True
        self._look_again(ask)
        for _ in TABLES:
            before = self.rows
            new = self._look(ask)
            if new or self.rows > before or self._key != FIRST_KEY:
                return new
        return []

    def _look(self, ask: Ask) -> list[tuple[str, int]]:
        """Look at some rows of one table; at its end go to the next one."""
        try:
            swept, behind = look_over(ask, self._table, self._key)
        except sqlite3.DatabaseError as why:
            if not is_page(why):
                raise
            self._pages[0] += 1
            self._key = past_pages(self._table, self._key)
            if self._pages[0] >= PAGES_MOST:
                self._next_table()
            return []
        self.rows += swept.rows
        new = [place for place in swept.bad if place not in self.found]
        self.found += new[: FOUND_MOST - len(self.found)]
        if behind is None:
            self._next_table()
        else:
            self._key = behind
        return new

    def _look_again(self, ask: Ask) -> None:
        """Let go of a row that was set aside, has made room, or reads well again."""
        if not self.found:
            return
        self._again = (self._again + 1) % len(self.found)
        try:
            if not is_damaged(ask, *self.found[self._again]):
                del self.found[self._again]
        except sqlite3.DatabaseError as why:
            if not is_page(why):
                raise

    def _next_table(self) -> None:
        place = TABLES.index(self._table) + 1
        self._key = FIRST_KEY
        if place == len(TABLES):
            place = 0
            self.rounds += 1
            self._pages = [0, self._pages[0]]
        self._table = TABLES[place]

    def forget(self, table: str, key: int) -> None:
        """Take out a row that was set aside."""
        if (table, key) in self.found:
            self.found.remove((table, key))
            self.changed = True

    # -- over a restart ------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        """What is to be kept, as JSON can hold it."""
        self.changed = False
        return {
            "table": self._table,
            "key": self._key,
            "rows": self.rows,
            "rounds": self.rounds,
            "pages": self._pages,
            "found": [list(place) for place in self.found],
        }

    def take_up(self, state: Mapping[str, object]) -> None:
        """Go on where an earlier one was; from the start with what can't be understood."""
        table, key, rows, rounds, pages, found = map(state.get, ("table", "key", "rows", "rounds", "pages", "found"))
        if table not in TABLES or not isinstance(key, int) or not isinstance(found, list):
            return
        self._table, self._key = str(table), key
        self.rows, self.rounds = (n if isinstance(n, int) else 0 for n in (rows, rounds))
        if isinstance(pages, list) and len(pages) == 2 and all(isinstance(n, int) for n in pages):
            self._pages = pages
        self.found = [
            (place[0], place[1])
            for place in found[:FOUND_MOST]
            if isinstance(place, list) and len(place) == 2 and place[0] in TABLES and isinstance(place[1], int)
        ]
