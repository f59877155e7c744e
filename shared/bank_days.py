"""What became of the bank day by day: how low it went, how long it was low, what it could hold, what that wore.

The last month is kept by the day, what is older by the month, for five years.
"""

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from math import hypot
from typing import Any

DAY_S = 86_400.0
DAYS_MOST = 31
MONTH_DAYS = 30
MONTHS_MOST = 60


@dataclass(slots=True)
class BankDay:
    """One day, or a month of them.

    Attributes:
        begin_s: seconds since boot; below zero for what was before.
        days: how many it stands for.
        seen_s: time that was looked at, s.
        least_soc, most_soc: lowest and highest charge, 0 to 1; None when none was known well enough.
        below_h: hours below the half mark, in the mean of what is likely.
        capacity_ah, capacity_sigma_ah: at its end, with standard error.
        ohm: mean resistance at 25 C and full, ohm; None when none was seen.
        wear: share of the bank's cycle life used, the likely value.
    """

    begin_s: float
    days: int = 1
    seen_s: float = 0.0
    least_soc: float | None = None
    most_soc: float | None = None
    below_h: float = 0.0
    capacity_ah: float | None = None
    capacity_sigma_ah: float = 0.0
    ohm: float | None = None
    wear: float = 0.0

    def see(self, soc_frac: float) -> None:
        """Take a state of charge."""
        if self.least_soc is None or soc_frac < self.least_soc:
            self.least_soc = soc_frac
        if self.most_soc is None or soc_frac > self.most_soc:
            self.most_soc = soc_frac

    def absorb(self, later: "BankDay") -> None:
        """Take a later day in: now it stands for both."""
        for soc_frac in (later.least_soc, later.most_soc):
            if soc_frac is not None:
                self.see(soc_frac)
        self.days += later.days
        self.seen_s += later.seen_s
        self.below_h += later.below_h
        self.wear += later.wear
        self.ohm = later.ohm if self.ohm is None else self.ohm if later.ohm is None else 0.5 * (self.ohm + later.ohm)
        if later.capacity_ah is not None:
            self.capacity_ah, self.capacity_sigma_ah = later.capacity_ah, later.capacity_sigma_ah


class BankDays:
    """The days so far; `today` is still open.

    Attributes:
        days: the last month, by the day.
        months: what is older.
        phase_s: seconds since boot at which a day begins.
    """

    __slots__ = ("days", "months", "phase_s", "today")

    def __init__(self) -> None:
        self.clear()
        self.phase_s = 0.0

    def clear(self) -> None:
        """Forget everything: another bank."""
        self.days: list[BankDay] = []
        self.months: list[BankDay] = []
        self.today: BankDay | None = None

    def at(self, at_s: float) -> tuple[BankDay, bool]:
        """Give the day a time lies in, the newest so far, and whether another one has just ended before it."""
        today = self.today
        if today is not None and at_s < today.begin_s + DAY_S:
            return today, False
        begin_s = self.phase_s + DAY_S * ((at_s - self.phase_s) // DAY_S)
        if today is not None:
            begin_s = max(begin_s, today.begin_s + 1.0)
            self._end(today)
        self.today = BankDay(begin_s)
        return self.today, today is not None

    def _end(self, day: BankDay) -> None:
        self.days.append(day)
        if len(self.days) <= DAYS_MOST:
            return
        oldest = self.days.pop(0)
        if self.months and self.months[-1].days < MONTH_DAYS:
            self.months[-1].absorb(oldest)
        else:
            self.months.append(oldest)
            del self.months[:-MONTHS_MOST]

    def align(self, midnight_s: float) -> None:
        """Let days begin at midnight.

        Args:
            midnight_s: any local midnight, seconds since boot.
        """
        phase_s = midnight_s % DAY_S
        apart_s = abs(phase_s - self.phase_s)
        if min(apart_s, DAY_S - apart_s) <= 1.0:
            return
        self.phase_s = phase_s
        if self.today is not None:  # the day that is under way is longer or shorter, this once
            self.today.begin_s = phase_s + DAY_S * round((self.today.begin_s - phase_s) / DAY_S)

    def shift(self, by_s: float) -> None:
        """Seconds since boot have started over: what was keeps its age."""
        for row in (*self.days, *self.months, *([self.today] if self.today is not None else [])):
            row.begin_s += by_s
        self.phase_s = (self.phase_s + by_s) % DAY_S

    @property
    def all(self) -> list[BankDay]:
        """Every row, the oldest first."""
        return [*self.months, *self.days, *([self.today] if self.today is not None else [])]

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {
            "phase_s": self.phase_s,
            "today": None if self.today is None else list(astuple(self.today)),
            "days": [list(astuple(row)) for row in self.days],
            "months": [list(astuple(row)) for row in self.months],
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take a snapshot back."""
        self.phase_s = saved["phase_s"]
        self.today = None if saved["today"] is None else BankDay(*saved["today"])
        self.days = [BankDay(*row) for row in saved["days"]]
        self.months = [BankDay(*row) for row in saved["months"]]


def change(rows: Sequence[BankDay]) -> tuple[float, float, float] | None:
    """How the capacity changed from the first row to the last: Ah, its standard error, and over how many days.

    None before a week. The errors of both ends are taken as independent, which makes the error rather too large.
    """
    known = [row for row in rows if row.capacity_ah is not None]
    if len(known) < 2:
        return None
    first, last = known[0], known[-1]
    over_d = (last.begin_s - first.begin_s) / DAY_S
    if over_d < 7.0 or first.capacity_ah is None or last.capacity_ah is None:
        return None
    return last.capacity_ah - first.capacity_ah, hypot(first.capacity_sigma_ah, last.capacity_sigma_ah), over_d
