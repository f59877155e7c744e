"""What waits for a record that can't be written, in a file that `send` reads: notices leave the hill all the same.

A full disk or a card gone read-only is when somebody has to be told. The file lies beside the sockets, in
memory, and is there only while the record refuses a commit. It holds the notices that wait; what the record
would have kept along with them, so that a service that is killed meanwhile does not tell everything anew; and
nothing else. A notice keeps its key: by that `send` knows it again when it comes by the record later.
"""

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, is_dataclass
from pathlib import Path

from daemon.errors import StoreError
from daemon.memory_file import drop_file, put_file, read_file
from daemon.record.contents import Batch, Message
from daemon.record.files import group_number
from shared.alerts import AlertEvent
from shared.site import SEVERITIES

log = logging.getLogger("halfmark.record")

FILE_NAME = "waiting.json"
VERSION = 1
NOTICES_MOST = 200  # of 2 to 3 kB each
EVENTS_MOST = 500
FILE_MOST_BYTES = 4 << 20
ALERTS_STATE = "alerts"
STATES = (ALERTS_STATE, "regular")  # what keeps a notice from being told twice; `daemon.regular` is not for `send`

WaitingNotice = Message | Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Waiting:
    """What a file holds.

    Attributes:
        boot_id: of the boot in which it was written.
        at_s: when, in seconds since that boot.
        notices: with the fields of `shared.notices.Notice`, the oldest first; each has a key.
        events: of alerts, the oldest first.
        states: by the name they have in the record, of STATES.
    """

    boot_id: str = ""
    at_s: float = 0.0
    notices: tuple[Mapping[str, object], ...] = ()
    events: tuple[AlertEvent, ...] = ()
    states: Mapping[str, Mapping[str, object]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.notices or self.events)

    def in_boot(self, boot_id: str, now_s: float) -> "Waiting":
        """What of it a service of this boot can take up; the seconds of another boot mean nothing now."""
        if boot_id == self.boot_id:
            return self
        notices = tuple({**notice, "at_s": now_s} for notice in self.notices)
        return Waiting(boot_id, now_s, notices)


class WaitingFile:
    """The service's side of the file."""

    def __init__(self, folder: Path, boot_id: str, *, group: str | None = None) -> None:
        """Take where it is to be; nothing is written yet.

        Args:
            folder: the runtime folder.
            boot_id: of this boot.
            group: whose members may read it; None for this process's own group.
        """
        self.path = folder / FILE_NAME
        self._boot_id = boot_id
        self._group = group

    def put(self, batches: Iterable[Batch], now_s: float) -> None:
        """Put what waits in batches that are not stored, the oldest first, in the file's place.

        Raises: OSError: it can't be written; StoreError: there is no such group.
        """
        group = None if self._group is None else group_number(self._group)
        notices: list[WaitingNotice] = []
        events: list[object] = []
        states: dict[str, object] = {}
        for batch in batches:
            notices += batch.notices
            events += batch.events
            states.update({name: batch.state[name] for name in STATES if name in batch.state})
        value = {
            "version": VERSION,
            "boot_id": self._boot_id,
            "at_s": now_s,
            "notices": [_row(notice) for notice in notices],
            "events": [_row(event) for event in events],
            "states": states,
        }
        put_file(self.path, value, group=group)

    def read(self) -> Waiting:
        """Read what an earlier service left; empty when there is nothing.

        Raises: StoreError: it can't be read, or holds something else.
        """
        return read_waiting(self.path.parent)

    def drop(self) -> bool:
        """Remove the file, because the record has it all; tell whether it is not there now."""
        return drop_file(self.path)


class WaitingReader:
    """The sender's side: gives the notices once each time the file is another."""

    def __init__(self, folder: Path) -> None:
        """Take the runtime folder."""
        self._folder = folder
        self._seen: tuple[int, int, int] | None = None

    def notices(self) -> Sequence[Mapping[str, object]]:
        """Give the notices in the file; none when there is no file or it has been read already.

        Raises: StoreError: it can't be read, or holds something else.
        """
        try:
            found = (self._folder / FILE_NAME).stat()
        except OSError:
            self._seen = None
            return ()
        seen = (found.st_ino, found.st_mtime_ns, found.st_size)
        if seen == self._seen:
            return ()
        notices = read_waiting(self._folder).notices
        self._seen = seen
        return notices


def read_waiting(folder: Path) -> Waiting:
    """Read the file in a runtime folder; empty when there is none.

    A row that is not what it should be does not hold the others back: it is left out, and said.

    Raises: StoreError: it can't be read, or is not such a file.
    """
    path = folder / FILE_NAME
    try:
        value = read_file(path, FILE_MOST_BYTES)
    except (OSError, ValueError) as why:
        raise StoreError(f"{path} can't be read ({why}): the service writes it anew with its next notice") from why
    if value is None:
        return Waiting()
    if not isinstance(value, dict) or value.get("version") != VERSION:
        raise StoreError(f"{path} is no file of notices that wait, of version {VERSION}: restart the service and send")
    rows = [row for row in _list(value.get("notices")) if isinstance(row, dict) and _is_key(row.get("key"))]
    events = [event for event in map(_event, _list(value.get("events"))) if event is not None]
    strange = len(_list(value.get("notices"))) + len(_list(value.get("events"))) - len(rows) - len(events)
    if strange:
        log.warning("%s: %d rows are left out, they are none of ours", path, strange)
    at_s, states = value.get("at_s"), value.get("states")
    return Waiting(
        boot_id=str(value.get("boot_id", "")),
        at_s=float(at_s) if isinstance(at_s, int | float) else 0.0,
        notices=tuple(rows[-NOTICES_MOST:]),
        events=tuple(events[-EVENTS_MOST:]),
        states={n: s for n, s in states.items() if isinstance(s, dict)} if isinstance(states, dict) else {},
    )


def bounded(notices: list[WaitingNotice]) -> list[WaitingNotice]:
    """Take out what is more than NOTICES_MOST: the oldest advice first, then the oldest of the next severity.

    Returns: what was taken out.
    """
    dropped: list[WaitingNotice] = []
    while len(notices) > NOTICES_MOST:
        least = min(range(len(notices)), key=lambda place: (_rank(notices[place]), place))
        dropped.append(notices.pop(least))
    return dropped


def part_of(notice: WaitingNotice, name: str) -> object:
    """Give one field of a notice; None when it has none such."""
    return notice.get(name) if isinstance(notice, Mapping) else getattr(notice, name, None)


def _rank(notice: WaitingNotice) -> int:
    severity = part_of(notice, "severity")
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def _row(plain: object) -> object:
    return asdict(plain) if is_dataclass(plain) and not isinstance(plain, type) else plain


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _is_key(value: object) -> bool:
    return isinstance(value, str) and value != ""


def _event(row: object) -> AlertEvent | None:
    """An event from its fields; None when they are another release's, or no event's."""
    try:
        event = AlertEvent(**row) if isinstance(row, dict) else None
    except TypeError:
        return None
    sound = event is not None and isinstance(event.id, int) and isinstance(event.at_s, int | float)
    return event if sound else None
