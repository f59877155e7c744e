"""The facts that only the service knows: lines, clock, record, disk, sending, restarts."""

from collections.abc import Mapping
from pathlib import Path

from daemon.cycle import LineTask
from daemon.record import Anchor
from daemon.recorder import Recorder
from daemon.restarts import Restarts
from daemon.sending.receipts import sending_state

LOOK_EVERY_S = 60.0  # at the receipts of `send`


class SendingWatch:
    """For how long notices have waited: on a way that takes nothing, or for a `send` that does not run."""

    def __init__(self, folder: Path, boot_id: str) -> None:
        self._folder = folder
        self._boot_id = boot_id
        self._cursor: object = None
        self._unread_s: float | None = None  # since when a notice is in the record that `send` has not read
        self._looked_s: float | None = None
        self._failing_s: float | None = None  # since when the way that fails longest does

    def noticed(self, now_s: float) -> None:
        """Take note that notices have got into the record."""
        if self._unread_s is None:
            self._unread_s = now_s

    def waiting_h(self, now_s: float) -> float:
        """Hours; 0 when everything is taken."""
        if self._looked_s is None or now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._look(sending_state(self._folder))
        since_s = [at_s for at_s in (self._unread_s, self._failing_s) if at_s is not None]
        return (now_s - min(since_s)) / 3600.0 if since_s else 0.0

    def _look(self, state: Mapping[str, object] | None) -> None:
        self._failing_s = None
        if state is None:
            return
        cursor = state.get("cursor")
        if cursor != self._cursor:
            self._cursor, self._unread_s = cursor, None
        ways = state.get("ways")
        if state.get("boot_id") != self._boot_id or not isinstance(ways, Mapping):
            return
        since = [way.get("failing_since_s") for way in ways.values() if isinstance(way, Mapping) and way.get("waiting")]
        self._failing_s = min((float(at_s) for at_s in since if isinstance(at_s, int | float)), default=None)


def told_facts(
    now_s: float,
    *,
    anchor: Anchor | None,
    recorder: Recorder,
    lines: Mapping[str, LineTask],
    sending: SendingWatch,
    restarts: Restarts,
) -> dict[str, float | None]:
    """Give the facts of this moment, by name.

    Args:
        now_s: seconds since boot.
        anchor: the newest trusted pair of this boot.
        recorder, lines, sending, restarts: of the service.
    """
    facts: dict[str, float | None] = {
        "clock_untrusted_h": now_s / 3600.0 if anchor is None else 0.0,
        "record_failing_s": recorder.record_failing_s(now_s),
        "record_set_aside": recorder.records_set_aside(now_s),
        "record_damaged": recorder.damaged(now_s),
        "record_used_share": recorder.record_used_share,
        "disk_free_mb": recorder.disk_free_mb,
        "sending_waiting_h": sending.waiting_h(now_s),
        "restarts_day": restarts.count(now_s),
    }
    for name, line in lines.items():
        facts[f"line_down_s:{name}"] = 0.0 if line.down_since_s is None else now_s - line.down_since_s
    return facts
