"""A record with a known past, dated or not, over one boot or several."""

from collections.abc import Callable, Sequence
from pathlib import Path

from daemon.clock import operator_anchor
from daemon.record import Batch, Record
from shared.alerts import AlertEvent
from shared.readings import Reading

START_UTC_S = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC
Value = Callable[[float], float | None]


def boot_name(number: int) -> str:
    return f"{number:032x}"


def make_past(
    folder: Path,
    *,
    hours: float = 6.0,
    every_s: float = 60.0,
    values: Sequence[tuple[str, str, Value]] = (("shunt", "bank_v", lambda at_s: 12.0 + at_s / 36_000.0),),
    boots: int = 1,
    dated: Sequence[int] = (1,),
    off_s: float = 3600.0,
    timezone: str | None = None,
    events: Sequence[AlertEvent] = (),
) -> Path:
    """Make a record.

    Args:
        folder: where.
        hours: length of each boot.
        every_s: between two readings.
        values: instrument, quantity and its value over the seconds of a boot; None leaves it out.
        boots: how many.
        dated: numbers of the boots a trusted clock places.
        off_s: time between two boots.
        timezone: what the service left in its picture.
        events: changes of alerts, all in the last boot.
    Returns: the record's file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(1, boots + 1):
        begin_utc_s = START_UTC_S + (number - 1) * (hours * 3600.0 + off_s)
        record = Record.open(folder, boot_id=boot_name(number), elapsed_s=0.0, wall_utc_s=begin_utc_s)
        try:
            batch = Batch()
            if number in dated:
                batch.anchors.append(operator_anchor(0.0, begin_utc_s))
            if number == boots:
                batch.events.extend(events)
                batch.state["picture"] = {"timezone": timezone} if timezone else {}
            for step in range(round(hours * 3600.0 / every_s)):
                at_s = step * every_s
                for instrument, quantity, value in values:
                    known = value(at_s)
                    if known is not None:
                        batch.readings.append(Reading(instrument, at_s, {quantity: known}))
                if step % 60 == 59:
                    batch.until_s = at_s
                    record.commit(batch)
                    batch = Batch()
            batch.until_s = hours * 3600.0
            record.commit(batch)
        finally:
            record.close()
    return folder / "record.db"


def event(
    number: int, alert: str, state: str, at_s: float, *, severity: str = "act", value: float = 46.0
) -> AlertEvent:
    """One change of an alert."""
    rule = alert.partition(":")[0]
    return AlertEvent(number, alert, rule, state, at_s, at_s - 60.0, True, value, value, 45.0, severity)
