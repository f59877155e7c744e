"""The record: everything the site told, kept in one SQLite file that survives kills and power cuts.

`Record` is the service's side, `RecordReader` everybody else's.
"""

from daemon.clock import Anchor
from daemon.record.catalogue import Channel, ChannelEntry
from daemon.record.contents import (
    Batch,
    Boot,
    BootEntry,
    Damage,
    Day,
    Entry,
    Moment,
    Placed,
    RecordSize,
    Rollup,
    Run,
    Saved,
    Series,
    SeriesPoint,
    StoredEntry,
    StoredEvent,
    StoredNotice,
    StoredRun,
)
from daemon.record.reader import RecordReader
from daemon.record.room import Room, pages_of
from daemon.record.sealing import Sealed
from daemon.record.sweep import Swept
from daemon.record.writer import Record

__all__ = [
    "Anchor",
    "Batch",
    "Boot",
    "BootEntry",
    "Channel",
    "ChannelEntry",
    "Damage",
    "Day",
    "Entry",
    "Moment",
    "Placed",
    "Record",
    "RecordReader",
    "RecordSize",
    "Rollup",
    "Room",
    "Run",
    "Saved",
    "Sealed",
    "Series",
    "SeriesPoint",
    "StoredEntry",
    "StoredEvent",
    "StoredNotice",
    "StoredRun",
    "Swept",
    "pages_of",
]
