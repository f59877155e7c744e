"""What goes into the record and what comes out of it, as plain data."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import NamedTuple, Protocol

from daemon.clock import Anchor
from shared.readings import Reading

# A place in time: (boot's number, seconds since boot), or an aware date and time.
Moment = tuple[int, float] | datetime


@dataclass(frozen=True, slots=True)
class Boot:
    """One run of the machine's kernel; `number` grows by one with each that the record has seen."""

    number: int
    boot_id: str


@dataclass(frozen=True, slots=True)
class BootEntry:
    """A boot as kept.

    Attributes:
        number: its number, in the order the record saw them.
        boot_id: the kernel's id.
        first_s: seconds since boot when the record was first opened in it.
        wall_utc_s: what the wall clock claimed then, seconds since 1970; evidence, not to be believed.
    """

    number: int
    boot_id: str
    first_s: float
    wall_utc_s: float


class AlertChange(Protocol):
    """A change of an alert, as the rules tell it: a dataclass with at least these fields, all of them kept."""

    @property
    def alert(self) -> str:
        """The alert's name."""

    @property
    def rule(self) -> str:
        """The rule behind it."""

    @property
    def state(self) -> str:
        """What it has become, such as raised or cleared."""

    @property
    def at_s(self) -> float:
        """When, in seconds since boot."""

    @property
    def value(self) -> float | None:
        """The value that decided, in the fact's unit."""

    @property
    def limit(self) -> float | None:
        """The limit it passed, in the fact's unit."""

    @property
    def severity(self) -> str:
        """One of advice, act, urgent."""


class Message(Protocol):
    """A notice to be sent: a dataclass, every field of which is kept. A mapping with such keys does as well."""

    @property
    def at_s(self) -> float:
        """When, in seconds since boot."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Something a person wrote into the record."""

    at_s: float
    who: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Run:
    """A start of the service.

    Attributes:
        at_s: when, seconds since boot.
        last: boot and seconds up to which the run before had recorded; None when there was none.
        ended: how that one ended, see `shared.daybook.ENDINGS`.
    """

    at_s: float
    last: tuple[int, float] | None
    ended: str


@dataclass(frozen=True, slots=True)
class Day:
    """A row of the daybook.

    Attributes:
        name: the date, or which day of which boot; a row of the same name is replaced.
        boot, at_s: where it begins.
        body: its figures, as JSON can hold them.
    """

    name: str
    boot: int
    at_s: float
    body: Mapping[str, object]


@dataclass(slots=True)
class Batch:
    """Everything since the last commit; it stays the caller's until `commit` has returned.

    Attributes:
        until_s: seconds since boot up to which the batch is complete.
        state: replaces what is kept under the same name.
        days_gone: names of rows of the daybook whose boot has got a date since.
    """

    readings: list[Reading] = field(default_factory=list)
    events: list[AlertChange] = field(default_factory=list)
    notices: list[Message | Mapping[str, object]] = field(default_factory=list)
    state: dict[str, dict[str, object]] = field(default_factory=dict)
    anchors: list[Anchor] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    days: list[Day] = field(default_factory=list)
    days_gone: list[str] = field(default_factory=list)
    until_s: float = 0.0

    def absorb(self, newer: "Batch") -> None:
        """Add what came in after this batch, because this one could not be stored yet."""
        self.readings.extend(newer.readings)
        self.events.extend(newer.events)
        self.notices.extend(newer.notices)
        self.state.update(newer.state)
        self.anchors.extend(newer.anchors)
        self.entries.extend(newer.entries)
        self.runs.extend(newer.runs)
        self.days.extend(newer.days)
        self.days_gone.extend(newer.days_gone)
        self.until_s = max(self.until_s, newer.until_s)

    def __bool__(self) -> bool:
        happenings = self.events or self.notices or self.anchors or self.entries
        return bool(self.readings or happenings or self.state or self.runs or self.days or self.days_gone)


class Placed(NamedTuple):
    """A reading and the boot whose seconds its `at_s` counts."""

    boot: int
    reading: Reading


class Saved(NamedTuple):
    """A named state and when it was saved."""

    boot: int
    at_s: float
    body: dict[str, object]


class StoredEvent(NamedTuple):
    """A change of an alert as kept; `id` is the record's own, `body` has every field the rules gave."""

    id: int
    boot: int
    at_s: float
    alert: str
    rule: str
    state: str
    value: float | None
    limit: float | None
    severity: str
    body: dict[str, object]


class StoredNotice(NamedTuple):
    """A queued notice; ids only grow, so a sender's cursor is the last id it has dealt with."""

    id: int
    boot: int
    at_s: float
    body: dict[str, object]


class StoredEntry(NamedTuple):
    """A person's entry as kept."""

    id: int
    boot: int
    at_s: float
    who: str
    kind: str
    text: str


class StoredRun(NamedTuple):
    """A start of the service as kept; see Run."""

    boot: int
    at_s: float
    last: tuple[int, float] | None
    ended: str


class Damage(NamedTuple):
    """A row of the record that does not read back as it was written, and what was in it.

    Attributes:
        table, key: where it lay.
        what: "values" of a quantity, "polls" of an instrument, "minutes" or "hours" of a quantity, "commit";
            "pages" where the file itself can't be read.
        instrument, quantity: whose; empty where the row was of all.
        boot, begin_s, end_s: between which times it lay.
        readings: how many were in it; None where nothing tells.
    """

    table: str
    key: int
    what: str
    instrument: str
    quantity: str
    boot: int
    begin_s: float
    end_s: float
    readings: int | None


class RecordSize(NamedTuple):
    """How big the record is.

    Attributes:
        file: the record itself.
        file_bytes: of the file.
        log_bytes: of the write-ahead log beside it.
        free_bytes: of pages inside the file that can be used again.
        rows: how many reading rows it holds.
        disk_free_bytes: what the service may still use of the disk.
    """

    file: Path
    file_bytes: int
    log_bytes: int
    free_bytes: int
    rows: int
    disk_free_bytes: int


class Rollup(NamedTuple):
    """One minute or hour of one quantity.

    Attributes:
        boot, at_s: when it began.
        span_s: how long it is, s.
        good: how many good values were in it.
        least, most, mean: of them, in the quantity's unit.
        integral: of a current or power over the time that was measured, A s or W s; None for others.
        covered_s: the time the values stand for, s.
    """

    boot: int
    at_s: float
    span_s: float
    good: int
    least: float
    most: float
    mean: float
    integral: float | None
    covered_s: float


class SeriesPoint(NamedTuple):
    """One point of a curve: what lies in one stretch of time.

    Attributes:
        boot, at_s: where the stretch begins, by the first value in it.
        utc_s: the same in seconds since 1970; None in a boot that nobody has placed.
        good: how many values are in it.
        least, most, mean: of them.
    """

    boot: int
    at_s: float
    utc_s: float | None
    good: int
    least: float
    most: float
    mean: float


@dataclass(frozen=True, slots=True)
class Series:
    """A curve of one quantity of one instrument.

    Attributes:
        made_from: "raw", "minute" or "hour".
        point_s: how much time one point stands for.
        points: oldest first; stretches without a value have none.
    """

    instrument: str
    quantity: str
    made_from: str
    point_s: float
    points: list[SeriesPoint]
