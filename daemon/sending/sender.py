"""Takes letters from the record's queue and hands them over until they are taken. No clock, no thread of its own.

While the record can't be written, what would be in its queue comes from beside it (`daemon.waiting_file`). A
letter is known by its key, so one that comes both ways goes out once.

Each turn: settle what has come back, read what is new in the record, hand over what is due. A way that
fails is tried again after a time that doubles up to a cap; order is kept on each way, except that a letter
the server keeps putting off steps aside after a while, so that it can't hold up the next ones.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from daemon.errors import StoreError
from daemon.sending.receipts import DROPPED, KEPT_LETTERS, REFUSED, TAKEN, WAITING, Receipt, ReceiptFile, Remembered
from daemon.sending.ways import Letter, Outcome, Way
from daemon.trouble_log import TroubleLog
from shared.site import SEVERITIES

log = logging.getLogger("halfmark.send")

RETRY_LEAST_S = 15.0
RETRY_MOST_S = 600.0
ASIDE_AFTER_TRIES = 6  # put off this often (about eight minutes), a letter lets the next ones pass
ATTEMPT_MOST_S = 180.0  # for one hand-over in all; after it the way is cut short
WAITING_MOST = 500  # letters on one way; beyond it the oldest is dropped, and said
PAGE = 100  # notices read from the record at a time
LOOK_BACK = 50  # with no receipts at all: this many of the newest notices are sent, older ones are not
WITHOUT_RECEIPTS_S = 60.0  # a receipt file that can't be opened for this long is done without


class QueuedNotice(Protocol):
    """A row of the record's queue, `daemon.record.StoredNotice`."""

    @property
    def id(self) -> int:
        """Its number in the queue, above 0; counts up."""

    @property
    def body(self) -> Mapping[str, object]:
        """The fields of `shared.notices.Notice`."""


class NoticeSource(Protocol):
    """The record, opened for reading."""

    def notices(self, after_id: int, limit: int) -> Sequence[QueuedNotice]:
        """Give the notices after one number, the oldest first; raises StoreError."""


class Hands(Protocol):
    """Who hands letters over: `crew.Crew`, or a test's."""

    def hand(self, way: str, letter: Letter, to: Sequence[str]) -> None:
        """Begin one hand-over."""

    def outcomes(self) -> list[tuple[str, Outcome]]:
        """What has come back."""

    def abort(self, way: str) -> None:
        """Cut a hand-over short."""


@dataclass(slots=True)
class _Waiting:
    letter: Letter
    receipt: Receipt
    next_try_s: float = 0.0
    delay_s: float = 0.0

    @property
    def is_aside(self) -> bool:
        return self.receipt.tries >= ASIDE_AFTER_TRIES or bool(self.receipt.taken or self.receipt.refused)


class _WayDesk:
    """One way's queue and its fortune."""

    def __init__(self, way: Way, kind: str) -> None:
        self.way = way
        self.kind = kind
        self.queue: dict[str, _Waiting] = {}  # by the letter's key, in order
        self.busy: _Waiting | None = None
        self.busy_since_s = 0.0
        self.is_cut_short = False
        self.next_try_s = 0.0
        self.delay_s = 0.0
        self.failing_since_s: float | None = None
        self.last_error: str | None = None
        self.last_taken: dict[str, object] | None = None
        self.last_refused: dict[str, object] | None = None
        self.counts = {TAKEN: 0, REFUSED: 0, DROPPED: 0}
        self.trouble = TroubleLog(log, f"way-out.{way.name}")

    def pick(self, now_s: float) -> _Waiting | None:
        """The letter to try now: the oldest that waits in order, else one aside that is due."""
        if self.busy is not None or now_s < self.next_try_s:
            return None
        head = next((item for item in self.queue.values() if not item.is_aside), None)
        if head is not None and now_s >= head.next_try_s:
            return head
        return next((item for item in self.queue.values() if item.is_aside and now_s >= item.next_try_s), None)

    def due_s(self) -> float | None:
        """When there is next something to do without an outcome or a new letter; None when nothing waits."""
        if self.busy is not None:
            return self.busy_since_s + ATTEMPT_MOST_S
        heads = [item for item in self.queue.values() if item.is_aside]
        heads += [item for item in self.queue.values() if not item.is_aside][:1]
        times = [item.next_try_s for item in heads]
        return max(self.next_try_s, min(times)) if times else None

    def state(self) -> dict[str, object]:
        return {
            "kind": self.kind,
            **self.counts,
            "last_taken": self.last_taken,
            "last_refused": self.last_refused,
            "failing_since_s": self.failing_since_s,
            "last_error": self.last_error,
            "next_try_s": self.next_try_s if self.failing_since_s is not None else None,
        }


class Sender:
    """The whole of sending but its clock, its threads and its wake."""

    def __init__(
        self,
        ways: Mapping[str, Way],
        kinds: Mapping[str, str],
        hands: Hands,
        receipts: ReceiptFile,
        open_record: Callable[[], AbstractContextManager[NoticeSource]],
        *,
        boot_id: str,
        beside: Callable[[], Sequence[Mapping[str, object]]] = tuple,
        has_central: bool = False,
        doors: Sequence[str] = (),
    ) -> None:
        """Take the parts; nothing is opened before the first turn.

        Args:
            ways: by name, in the order in which the site file has them.
            kinds: the kind of each way, for the screens.
            hands: who hands letters over.
            receipts: the receipt file, not yet opened.
            open_record: opens the record for reading; raises StoreError or OSError while it can't.
            boot_id: which boot the seconds of the turns belong to.
            beside: gives new notices that wait for the record; raises StoreError.
            has_central: whether a copy goes to a central store beside the letters, for the screens.
            doors: which doors are open beside that, for the screens.
        """
        self._desks = {name: _WayDesk(way, kinds[name]) for name, way in ways.items()}
        self._hands = hands
        self._receipts = receipts
        self._open_record = open_record
        self._boot_id = boot_id
        self._beside = beside
        self._has_central = has_central
        self._doors = tuple(doors)
        self._keys: dict[str, None] = {}  # of the letters taken in, the oldest first
        self._next_seq = 1
        self._has_looked = False  # into receipts that can't be written
        self._cursor: tuple[int, str] | None = None  # number and key of the last notice taken in
        self._began_s: float | None = None
        self._record_why: str | None = None
        self._record_trouble = TroubleLog(log, "record")
        self._beside_trouble = TroubleLog(log, "beside the record")
        self._receipt_trouble = TroubleLog(log, "receipts")
        self._state_changed = True

    @property
    def waiting(self) -> int:
        """Letters that are not taken, over all ways."""
        return sum(len(desk.queue) for desk in self._desks.values())

    @property
    def busy(self) -> bool:
        """Whether a hand-over is under way."""
        return any(desk.busy is not None for desk in self._desks.values())

    @property
    def record_why(self) -> str | None:
        """Why the record could not be read at the last turn; None when it could."""
        return self._record_why

    @property
    def receipts_why(self) -> str | None:
        """Why the receipts could not be opened or written at the last turn; None when they could."""
        return self._receipts.why

    def turn(self, now_s: float, *, hand_over: bool = True) -> float | None:
        """Do all that can be done now.

        Args:
            now_s: seconds since boot.
            hand_over: False to begin nothing new (at the end of the process).
        Returns: seconds since boot at which there is next something to do by itself; None when only a
            new notice or an outcome can give any.
        """
        self._began_s = now_s if self._began_s is None else self._began_s
        for name, outcome in self._hands.outcomes():
            self._settle(self._desks[name], outcome, now_s)
        if hand_over and self._has_receipts(now_s):
            self._take_in(now_s)
            self._take_from_beside(now_s)
        # Written before anything is handed over: a letter known to be waiting is not lost with the record.
        self._save(now_s)
        if hand_over:
            for desk in self._desks.values():
                self._hand_over(desk, now_s)
        due = [due_s for desk in self._desks.values() if (due_s := desk.due_s()) is not None]
        return min(due, default=None)

    # -- receipts ------------------------------------------------------------------------------

    def _has_receipts(self, now_s: float) -> bool:
        """Open the receipt file if need be; True as well when it has been waited for long enough."""
        if self._receipts.is_open:
            return True
        found = self._receipts.open()
        if found is not None:
            if not self._has_looked:
                self._remember(found)
            return True
        self._receipt_trouble.failed(now_s, f"{self._receipts.why}; letters may go out twice after a restart")
        if not self._has_looked and (found := self._receipts.look()) is not None:
            self._has_looked = True
            self._remember(found)
        assert self._began_s is not None
        return self._has_looked or now_s - self._began_s >= WITHOUT_RECEIPTS_S

    def _remember(self, found: Remembered) -> None:
        """Take up what the file holds; what has been done without it goes behind, and is not done again."""
        self._keys = {**dict.fromkeys(found.keys), **self._keys}
        self._next_seq = max(self._next_seq, found.last_seq + 1)
        for name, desk in self._desks.items():
            own, desk.queue = desk.queue, {}
            for letter, receipt in found.waiting:
                if receipt.way == name and letter.key not in own:
                    desk.queue[letter.key] = _Waiting(letter, receipt)
            for key, item in own.items():
                if item is desk.busy or (key, name) not in found.done:
                    desk.queue[key] = item
        for _, receipt in found.waiting:
            if receipt.way not in self._desks:
                receipt.state, receipt.why = DROPPED, "the site file has no such way out any more"
                self._receipts.put_receipt(receipt)
        cursor = _cursor(found.meta.get("cursor"))
        if cursor is not None and (self._cursor is None or cursor[0] < self._cursor[0]):
            self._cursor = cursor
        self._take_up_counts(found.meta.get("state"))

    def _take_up_counts(self, state: object) -> None:
        ways = state.get("ways") if isinstance(state, dict) else None
        for name, row in ways.items() if isinstance(ways, dict) else ():
            desk = self._desks.get(name)
            if desk is None or not isinstance(row, dict):
                continue
            for count in desk.counts:
                desk.counts[count] += int(row.get(count, 0))

    def _save(self, now_s: float) -> None:
        if self._state_changed:
            ways = {name: desk.state() for name, desk in self._desks.items()}
            self._receipts.put_meta(
                "state",
                {
                    "boot_id": self._boot_id,
                    "written_s": now_s,
                    "record_why": self._record_why,
                    "has_central": self._has_central,
                    "doors": self._doors,
                    "ways": ways,
                },
            )
            self._state_changed = False
        is_flushed = self._receipts.flush()
        if not self._receipts.is_open:
            return
        if is_flushed:
            self._receipt_trouble.recovered(now_s)
        else:
            self._receipt_trouble.failed(now_s, f"{self._receipts.why}; letters may go out twice after a restart")

    # -- letters in ----------------------------------------------------------------------------

    def _take_in(self, now_s: float) -> None:
        """Read what is new in the record's queue."""
        try:
            with self._open_record() as source:
                self._read(source)
            why = None
        except (StoreError, OSError) as error:
            why = str(error)
        if why is None:
            self._record_trouble.recovered(now_s)
        else:
            self._record_trouble.failed(now_s, f"can't read the queue of notices: {why}")
        if why != self._record_why:
            self._record_why, self._state_changed = why, True

    def _take_from_beside(self, now_s: float) -> None:
        """Read what waits for the record; after the record itself, in which the older ones are."""
        try:
            found = self._beside()
        except StoreError as why:
            self._beside_trouble.failed(now_s, str(why))
            return
        self._beside_trouble.recovered(now_s)
        for body in found:
            self._take(_letter(body, str(body["key"])))

    def _read(self, source: NoticeSource) -> None:
        if self._cursor is None:
            self._begin(source)
        assert self._cursor is not None
        if self._is_another_record(source):
            log.warning("the record has been replaced: its queue of notices is read from the start")
            self._cursor = (0, "")
        while page := source.notices(self._cursor[0], PAGE):
            for row in page:
                letter = letter_of(row)
                self._take(letter)
                self._cursor = (row.id, letter.key)
            self._receipts.put_meta("cursor", list(self._cursor))

    def _begin(self, source: NoticeSource) -> None:
        """Without receipts: start with the newest notices, not with years of them."""
        newest: list[tuple[int, str]] = [(0, "")]
        count = 0
        while page := source.notices(newest[-1][0], PAGE):
            newest = [*newest, *((row.id, letter_of(row).key) for row in page)][-LOOK_BACK - 1 :]
            count += len(page)
        if count > LOOK_BACK:
            log.warning("%d older notices in the record are not sent, only the last %d", count - LOOK_BACK, LOOK_BACK)
        self._cursor = newest[0]

    def _is_another_record(self, source: NoticeSource) -> bool:
        """Whether the last notice taken in is not in this record's queue, where it was."""
        assert self._cursor is not None
        number, key = self._cursor
        if number == 0:
            return False
        there = source.notices(number - 1, 1)
        if not there:
            return True
        return there[0].id == number and letter_of(there[0]).key != key

    def _take(self, letter: Letter) -> None:
        if letter.key in self._keys:
            return
        self._keys[letter.key] = None
        if len(self._keys) > 2 * KEPT_LETTERS:
            del self._keys[next(iter(self._keys))]
        self._receipts.put_letter(self._next_seq, letter)
        self._next_seq += 1
        for name, desk in self._desks.items():
            if _rank(letter.severity) < _rank(desk.way.least):
                continue
            receipt = Receipt(letter.key, name, WAITING, desk.way.recipients, (), {})
            desk.queue[letter.key] = _Waiting(letter, receipt)
            self._receipts.put_receipt(receipt)
            if len(desk.queue) > WAITING_MOST:
                self._drop_oldest(desk)
        self._state_changed = True

    def _drop_oldest(self, desk: _WayDesk) -> None:
        oldest = next(item for item in desk.queue.values() if item is not desk.busy)
        log.warning("way-out.%s: %s is dropped, %d newer ones wait", desk.way.name, oldest.letter.key, WAITING_MOST)
        oldest.receipt.why = f"{WAITING_MOST} newer ones were waiting"
        self._finish(desk, oldest, DROPPED)

    # -- letters out ---------------------------------------------------------------------------

    def _hand_over(self, desk: _WayDesk, now_s: float) -> None:
        if desk.busy is not None and now_s - desk.busy_since_s >= ATTEMPT_MOST_S and not desk.is_cut_short:
            desk.is_cut_short = True
            self._hands.abort(desk.way.name)
        item = desk.pick(now_s)
        if item is None:
            return
        desk.busy, desk.busy_since_s, desk.is_cut_short = item, now_s, False
        item.receipt.tries += 1
        self._hands.hand(desk.way.name, item.letter, item.receipt.rest)

    def _settle(self, desk: _WayDesk, outcome: Outcome, now_s: float) -> None:
        item, desk.busy = desk.busy, None
        assert item is not None
        receipt = item.receipt
        receipt.taken = (*receipt.taken, *outcome.taken)
        receipt.refused.update(outcome.refused)
        receipt.rest = tuple(who for who in receipt.rest if who not in outcome.taken and who not in outcome.refused)
        receipt.why = _said(outcome) or receipt.why
        if not receipt.rest:
            receipt.at_s = now_s
            self._finish(desk, item, TAKEN if receipt.taken else REFUSED)
        else:
            item.delay_s = _doubled(item.delay_s)
            item.next_try_s = now_s + max(item.delay_s, outcome.wait_s or 0.0)
            self._receipts.put_receipt(receipt)
        if outcome.broken is None:
            self._works(desk, outcome, now_s)
        else:
            receipt.tries -= 1  # the way did not work: this says nothing about the letter
            item.next_try_s = now_s
            item.delay_s = 0.0
            self._fails(desk, outcome.broken, now_s, outcome.wait_s or 0.0)
        self._state_changed = True

    def _works(self, desk: _WayDesk, outcome: Outcome, now_s: float) -> None:
        if outcome.later and not outcome.taken:  # it answers, but nothing goes: that is failing too
            desk.last_error = _said(outcome)
            desk.failing_since_s = now_s if desk.failing_since_s is None else desk.failing_since_s
            desk.trouble.failed(now_s, desk.last_error or "put off")
            desk.next_try_s, desk.delay_s = now_s, 0.0
            return
        desk.failing_since_s = desk.last_error = None
        desk.next_try_s = desk.delay_s = 0.0
        desk.trouble.recovered(now_s)

    def _fails(self, desk: _WayDesk, why: str, now_s: float, wait_s: float) -> None:
        desk.delay_s = _doubled(desk.delay_s)
        desk.next_try_s = now_s + max(desk.delay_s, wait_s)
        desk.failing_since_s = now_s if desk.failing_since_s is None else desk.failing_since_s
        desk.last_error = why
        desk.trouble.failed(now_s, why)

    def _finish(self, desk: _WayDesk, item: _Waiting, state: str) -> None:
        receipt = item.receipt
        receipt.state = state
        desk.queue.pop(receipt.key, None)
        desk.counts[state] += 1
        self._receipts.put_receipt(receipt)
        if state == TAKEN:
            desk.last_taken = {"subject": item.letter.subject, "at_s": receipt.at_s}
            log.info("way-out.%s: %s taken", desk.way.name, item.letter.key)
        if receipt.refused:
            why = "; ".join(f"{who}: {reason}" for who, reason in receipt.refused.items())
            desk.last_refused = {"subject": item.letter.subject, "why": why, "at_s": receipt.at_s}
            log.warning("way-out.%s: %s refused for good: %s", desk.way.name, item.letter.key, why)


def letter_of(row: QueuedNotice) -> Letter:
    """Take what is to be sent from a row of the queue; a field that is missing does not hold the rest back."""
    return _letter(row.body, str(row.body.get("key") or f"number-{row.id}"))


def _letter(body: Mapping[str, object], key: str) -> Letter:
    utc_s = body.get("utc_s")
    words = {
        name: str(body.get(name, "")) for name in ("alert", "state", "severity", "site", "subject", "text", "short")
    }
    return Letter(
        key=key,
        utc_s=float(utc_s) if isinstance(utc_s, int | float) else None,
        **words,
    )


def _rank(severity: str) -> int:
    """How grave; a severity this release does not know counts as the gravest."""
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def _doubled(delay_s: float) -> float:
    return min(RETRY_MOST_S, 2.0 * delay_s) if delay_s else RETRY_LEAST_S


def _said(outcome: Outcome) -> str | None:
    if outcome.broken is not None:
        return outcome.broken
    return "; ".join(f"{who}: {why}" for who, why in {**outcome.refused, **outcome.later}.items()) or None


def _cursor(value: object) -> tuple[int, str] | None:
    if isinstance(value, list) and len(value) == 2:
        return int(value[0]), str(value[1])
    return None
