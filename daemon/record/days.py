"""The daybook's rows and the starts of the service, as they lie in the record."""

import json
from collections.abc import Callable, Mapping
from typing import Any

from daemon.record.contents import Batch, Day, StoredRun
from daemon.record.packing import at_ms

Ask = Callable[..., list[Any]]


def put_days(execute: Callable[..., object], boot: int, batch: Batch) -> None:
    """Write the starts and the days of a batch; inside a transaction.

    Args:
        execute: of the connection.
        boot: the boot the service runs in.
        batch: what is to be stored.
    """
    for run in batch.runs:
        body = {"last": run.last, "ended": run.ended}
        execute("INSERT INTO run (boot, at_ms, json) VALUES (?, ?, ?)", (boot, at_ms(run.at_s), json.dumps(body)))
    for name in batch.days_gone:
        execute("DELETE FROM day WHERE name = ?", (name,))
    for day in batch.days:
        text = json.dumps(dict(day.body), separators=(",", ":"), allow_nan=False)
        row = (day.name, day.boot, at_ms(day.at_s), text)
        execute("INSERT OR REPLACE INTO day (name, boot, at_ms, json) VALUES (?, ?, ?, ?)", row)


def runs_of(ask: Ask) -> list[StoredRun]:
    """Give every start of the service, oldest first."""
    found = []
    for boot, ms, text in ask("SELECT boot, at_ms, json FROM run ORDER BY id"):
        body = _mapping(text)
        last, ended = body.get("last"), body.get("ended")
        known = isinstance(last, list) and len(last) == 2
        place = (int(last[0]), float(last[1])) if known and isinstance(last, list) else None
        found.append(StoredRun(boot, ms / 1000.0, place, ended if isinstance(ended, str) else ""))
    return found


def days_of(ask: Ask) -> list[Day]:
    """Give every row of the daybook, in the order in which the days began; a damaged one is worked out again."""
    rows = ask("SELECT name, boot, at_ms, json FROM day ORDER BY boot, at_ms, name")
    days = (Day(name, boot, ms / 1000.0, _mapping(text)) for name, boot, ms, text in rows)
    return [day for day in days if day.body]


def _mapping(text: str) -> Mapping[str, Any]:
    """What a row holds; nothing where it was damaged, because no checksum guards it."""
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
