"""What is still to be copied to the central store, batch by batch, as lines with their times.

Each boot of the record is copied in the order of its commits. A boot that nobody has placed in the
calendar waits, and keeps no later one waiting.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from daemon.clock import LATEST_UTC, RELEASE_UTC
from daemon.picture import STATE_NAME
from daemon.record import BootEntry, RecordReader
from daemon.record.dating import Dating
from daemon.record.packing import at_ms
from daemon.record.poll_times import MOVED_MOST_MS
from daemon.sending.central_lines import LineMaker, rank
from daemon.sending.central_memory import Batch, CentralMemory, Position
from shared.readings import Reading

BATCH_LINES = 1000  # some eight minutes of a site; a commit that holds more is sent whole all the same
BATCH_MS = 3_600_000  # one start of the boot is taken for the whole of a batch, so it is kept short
REDATE_MS = 50  # a boot's start that has moved less is left as it was
GIVEN_AGAIN_MS = 2000  # how far back of a position the record gives what is sealed once more, and some
EVENTS_MOST = 500  # changes of alerts in one batch
WAITING_MOST = 100_000  # commits counted as waiting
_FIRST_MS, _LAST_MS = (round(moment.timestamp() * 1000.0) for moment in (RELEASE_UTC, LATEST_UTC))


@dataclass(slots=True)
class Waiting:
    """What is not copied yet.

    Attributes:
        commits: of the record, all of them.
        unplaced_boots: boots that nobody has placed in the calendar and that hold some of them.
        unplaced_commits: those of such boots.
    """

    commits: int = 0
    unplaced_boots: int = 0
    unplaced_commits: int = 0


class CentralFeed:
    """Makes batches from a record; for one thread."""

    def __init__(self, site: str, memory: CentralMemory) -> None:
        """Take the site's name and where the positions are kept."""
        self._lines = LineMaker(site)
        self._memory = memory
        # Boots whose last batch has arrived, as far as this process knows: only then may the boot's start
        # move, because a batch that may have arrived must be sent again as it was.
        self._settled: set[tuple[str, int, int]] = set()

    def batches(self, reader: RecordReader) -> Iterator[Batch]:
        """Give what is to be sent, the oldest boot first; the position must be moved on before the next one."""
        boots = reader.boots()
        dating = Dating(reader.anchors())
        for boot in boots:
            position = self._position(boot)
            if position.finished:
                continue
            commits = _Ahead(reader.commits(boot.number, position.ms))
            while (batch := self._batch(reader, boot, position, dating, commits)) is not None:
                yield batch
            if boot is not boots[-1] and self._has_begun(dating, boot):
                position.finished = True
                self._memory.put(position)

    def settle(self, position: Position) -> None:
        """Note that a batch of this boot has arrived."""
        self._settled.add(position.key)

    def waiting(self, reader: RecordReader) -> Waiting:
        """Count what is not copied yet, about: what the record has sealed counts by the minute."""
        found = Waiting()
        dating = Dating(reader.anchors())
        for boot in reader.boots():
            position = self._position(boot)
            if position.finished or found.commits >= WAITING_MOST:
                continue
            count = reader.commit_count(boot.number, position.ms, WAITING_MOST - found.commits)
            found.commits += count
            if count and not self._has_begun(dating, boot):
                found.unplaced_boots += 1
                found.unplaced_commits += count
        return found

    def copied_ms(self, reader: RecordReader) -> dict[int, float]:
        """Give up to where each boot is copied, ms since its start; without end where all of it is."""
        found = {boot.number: self._position(boot) for boot in reader.boots()}
        return {number: math.inf if one.finished else float(one.ms) for number, one in found.items()}

    def standing(self, reader: RecordReader) -> list[str]:
        """Give the lines that tell how the site stands now, from the service's last picture of itself.

        The alerts that stand are told with the same time as the site's own line: whoever reads them later
        knows that an alert with an older time stands no more.
        """
        saved = reader.saved(STATE_NAME)
        offset_ms = None if saved is None else self._start_ms(Dating(reader.anchors()), saved.boot, saved.at_s)
        if saved is None or offset_ms is None:
            return []
        ms = offset_ms + at_ms(saved.at_s)
        alerts = [row for row in _rows(saved.body.get("alerts")) if isinstance(row.get("alert"), str)]
        numbers = {name: saved.body.get(name) for name in ("half_mark", "capacity_ah")}
        worst = max((rank(str(row.get("severity"))) for row in alerts), default=0.0)
        site = self._lines.site({**numbers, "standing": len(alerts), "worst": worst}, ms)
        return [*([] if site is None else [site]), *(self._standing_line(row, ms) for row in alerts)]

    def _standing_line(self, row: Mapping[str, object], ms: int) -> str:
        numbers = {name: row.get(name) for name in ("value", "limit")}
        return self._lines.alert(
            str(row["alert"]), standing=True, severity=str(row.get("severity")), numbers=numbers, ms=ms
        )

    def _position(self, boot: BootEntry) -> Position:
        return self._memory.position(boot.boot_id, boot.number, at_ms(boot.first_s))

    def _batch(
        self, reader: RecordReader, boot: BootEntry, position: Position, dating: Dating, commits: "_Ahead"
    ) -> Batch | None:
        batch = Batch(position, position.ms, position.event_id, dict(position.newest))
        first_s: float | None = None
        while (commit := commits.next) is not None:
            ms, readings = commit
            if first_s is None:
                first_s = ms / 1000.0
                if not self._date(batch, dating, boot.number, first_s):
                    return None
            elif len(batch.lines) >= BATCH_LINES or ms - first_s * 1000.0 > BATCH_MS:
                break
            offset_ms = position.offset_ms
            assert offset_ms is not None
            for reading in readings:
                if _is_there(reading, position):
                    continue
                _note(reading, batch.newest)
                line = self._lines.reading(reading, offset_ms)
                if line is not None:
                    batch.lines.append(line)
                    batch.newest_ms = offset_ms + at_ms(reading.at_s)
            batch.ms = ms
            batch.commits += 1
            commits.move_on()
        self._add_events(reader, boot, batch, dating, until_ms=None if first_s is None else batch.ms)
        return batch if (batch.ms, batch.event_id) != (position.ms, position.event_id) else None

    def _add_events(
        self, reader: RecordReader, boot: BootEntry, batch: Batch, dating: Dating, *, until_ms: int | None
    ) -> None:
        """Add the changes of alerts up to the batch's end, or all of them when no readings are left."""
        for event in reader.alert_events(batch.position.event_id, EVENTS_MOST, boot.number):
            if until_ms is not None and at_ms(event.at_s) > until_ms:
                return
            if batch.position.offset_ms is None and not self._date(batch, dating, boot.number, event.at_s):
                return
            assert batch.position.offset_ms is not None
            line = self._lines.alert(
                event.alert,
                standing=event.state != "cleared",
                severity=event.severity,
                numbers={"value": event.value, "limit": event.limit},
                ms=batch.position.offset_ms + at_ms(event.at_s),
            )
            batch.lines.append(line)
            batch.event_id = event.id

    def _date(self, batch: Batch, dating: Dating, boot: int, at_s: float) -> bool:
        """Place the batch in the calendar; False when nobody can say when the boot was."""
        start_ms = self._start_ms(dating, boot, at_s)
        if start_ms is None:
            return False
        position, known_ms = batch.position, batch.position.offset_ms
        may_move = position.key in self._settled
        self._settled.discard(position.key)
        if known_ms is not None and (not may_move or abs(start_ms - known_ms) < REDATE_MS):
            return True
        position.offset_ms, batch.redated = start_ms, True
        return True

    def _has_begun(self, dating: Dating, boot: BootEntry) -> bool:
        return self._start_ms(dating, boot.number, boot.first_s) is not None

    def _start_ms(self, dating: Dating, boot: int, at_s: float) -> int | None:
        """When a boot began, as told for one time in it; None when nobody vouches, or it can't be true."""
        utc_s = dating.utc_of(boot, at_s)
        if utc_s is None or not _FIRST_MS <= utc_s * 1000.0 <= _LAST_MS:
            return None
        return round(utc_s * 1000.0) - at_ms(at_s)


def _is_there(reading: Reading, position: Position) -> bool:
    """Whether a reading near the position has been sent already: what is sealed is given once more, some ms later."""
    ms = at_ms(reading.at_s)
    if ms > position.ms + MOVED_MOST_MS:
        return False
    newest_ms, gap_ms = position.newest.get(reading.instrument, (None, 0))
    moved_ms = min(MOVED_MOST_MS, gap_ms // 4) if gap_ms else MOVED_MOST_MS
    return newest_ms is not None and newest_ms - GIVEN_AGAIN_MS <= ms <= newest_ms + moved_ms


def _note(reading: Reading, newest: dict[str, tuple[int, int]]) -> None:
    ms = at_ms(reading.at_s)
    before_ms, _ = newest.get(reading.instrument, (ms, 0))
    if ms >= before_ms:
        newest[reading.instrument] = (ms, ms - before_ms)


class _Ahead:
    """Commits one by one, the next one looked at before it is taken: what is sealed is unpacked once, not each time."""

    def __init__(self, commits: Iterator[tuple[int, list[Reading]]]) -> None:
        self._commits = commits
        self.next: tuple[int, list[Reading]] | None = None
        self.move_on()

    def move_on(self) -> None:
        """Take the next one; there is none at the end."""
        self.next = next(self._commits, None)


def _rows(value: object) -> list[Mapping[str, object]]:
    return [row for row in value if isinstance(row, Mapping)] if isinstance(value, list) else []
