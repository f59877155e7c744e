"""Airtime by the hour: how much of each hour was seen, and how often and long the transmitter was keyed in it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, astuple, dataclass
from math import floor

HOUR_S = 3600.0
DAY_S = 86_400.0
HOURS_MOST = 8 * 24 + 1


@dataclass(slots=True)
class AirtimeHour:
    """One hour, or the part of it before the hours were set to another minute.

    Attributes:
        begin_s: seconds since boot; below zero for what was before.
        seen_s: time in which every keying of a second or two would have been seen.
        part_s: time in which the sun could hide one.
        keyings: how many began; a share of one where they were worked out from the time on the air.
        keyed_s, longest_s: on the air, and the longest keying that ended in it, s.
    """

    begin_s: float
    seen_s: float = 0.0
    part_s: float = 0.0
    keyings: float = 0.0
    keyed_s: float = 0.0
    longest_s: float = 0.0

    def close(self) -> None:
        """It is over: hundredths are enough, and keep what is saved every few minutes short."""
        for name in ("begin_s", "seen_s", "part_s", "keyings", "keyed_s", "longest_s"):
            setattr(self, name, round(getattr(self, name), 2))


class AirtimeHours:
    """The hours of the last eight days; the newest is still open."""

    __slots__ = ("_end_s", "phase_s", "rows")

    def __init__(self) -> None:
        self.rows: list[AirtimeHour] = []
        self.phase_s = 0.0
        self._end_s = 0.0

    def at(self, at_s: float) -> AirtimeHour:
        """Give the hour that a time lies in, the newest of all so far; opens a new one when it is due."""
        if at_s >= self._end_s or not self.rows:
            begin_s = self.phase_s + HOUR_S * floor((at_s - self.phase_s) / HOUR_S)
            self._end_s = begin_s + HOUR_S
            if self.rows and self.rows[-1].begin_s > begin_s:
                begin_s = at_s
            if self.rows:
                self.rows[-1].close()
            self.rows.append(AirtimeHour(begin_s))
            del self.rows[:-HOURS_MOST]
        return self.rows[-1]

    def align(self, hour_at_s: float) -> None:
        """Let hours begin where the clock's do.

        Args:
            hour_at_s: any time, seconds since boot, at which an hour of the local day begins.
        """
        phase_s = hour_at_s % HOUR_S
        apart_s = abs(phase_s - self.phase_s)
        if min(apart_s, HOUR_S - apart_s) > 1.0:
            self.phase_s = phase_s
            self._end_s = -HOUR_S  # the next time looked at begins an hour of its own

    def shift(self, by_s: float) -> None:
        """Seconds since boot have started over: what was keeps its age."""
        for row in self.rows:
            row.begin_s += by_s
        self._end_s = -HOUR_S

    def take_back(self, keyed_s: float) -> None:
        """Something was no keying after all: take it and its time out again, from the newest hour backwards."""
        if self.rows:
            self.rows[-1].keyings = max(0.0, self.rows[-1].keyings - 1.0)
        for row in reversed(self.rows):
            part_s = min(keyed_s, row.keyed_s)
            row.keyed_s -= part_s
            keyed_s -= part_s
            if keyed_s <= 0.0:
                return

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {"phase_s": self.phase_s, "end_s": self._end_s, "rows": [list(astuple(row)) for row in self.rows]}

    def restore(self, phase_s: float, end_s: float, rows: Iterable[Sequence[float]]) -> None:
        """Take a snapshot back."""
        self.phase_s, self._end_s = phase_s, end_s
        self.rows = [AirtimeHour(*row) for row in rows][-HOURS_MOST:]


def total(rows: Iterable[AirtimeHour]) -> AirtimeHour | None:
    """Add hours up; None when there are none."""
    whole: AirtimeHour | None = None
    for row in rows:
        if whole is None:
            whole = AirtimeHour(row.begin_s)
        whole.seen_s += row.seen_s
        whole.part_s += row.part_s
        whole.keyings += row.keyings
        whole.keyed_s += row.keyed_s
        whole.longest_s = max(whole.longest_s, row.longest_s)
    return whole


def duty(row: AirtimeHour) -> float | None:
    """Share of the time looked at that the transmitter was keyed; None when it was not looked at."""
    looked_s = row.seen_s + row.part_s
    return row.keyed_s / looked_s if looked_s > 0.0 else None


def by_day(rows: Iterable[AirtimeHour], midnight_s: float) -> Iterator[AirtimeHour]:
    """Add hours up to days; `midnight_s` is any midnight, seconds since boot.

    Each row's `begin_s` is its day's midnight.
    """
    days: dict[int, list[AirtimeHour]] = {}
    for row in rows:
        days.setdefault(floor((row.begin_s + 0.5 - midnight_s) / DAY_S), []).append(row)
    for number, hours in days.items():
        whole = total(hours)
        assert whole is not None
        whole.begin_s = midnight_s + number * DAY_S
        yield whole


def by_hour_of_day(rows: Iterable[AirtimeHour], midnight_s: float) -> dict[int, AirtimeHour]:
    """Add up what fell into each hour of the day, 0 to 23; hours that were never looked at are left out."""
    found: dict[int, list[AirtimeHour]] = {}
    for row in rows:
        found.setdefault(floor((row.begin_s + 0.5 - midnight_s) / HOUR_S) % 24, []).append(row)
    whole = {hour: total(parts) for hour, parts in sorted(found.items())}
    return {hour: row for hour, row in whole.items() if row is not None and row.seen_s + row.part_s > 0.0}


def as_row(row: AirtimeHour) -> dict[str, float | None]:
    """Give an hour or a sum of them as a plain mapping, with its duty."""
    return {**asdict(row), "duty": duty(row)}
