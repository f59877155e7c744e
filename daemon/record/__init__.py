"""The record: everything the site told, kept in one SQLite file that survives kills and power cuts.

`Record` is the service's side, `RecordReader` everybody else's.
"""

from daemon.clock import Anchor
from daemon.record.catalogue import Channel, ChannelEntry
from daemon.record.contents import (
    Batch,
    Boot,
    BootEntry,
    Entry,
    Moment,
    Placed,
    RecordSize,
    Saved,
    StoredEntry,
    StoredEvent,
    StoredNotice,
)
from daemon.record.reader import RecordReader
from daemon.record.writer import Record

__all__ = [
    "Anchor",
    "Batch",
    "Boot",
    "BootEntry",
    "Channel",
    "ChannelEntry",
    "Entry",
    "Moment",
    "Placed",
    "Record",
    "RecordReader",
    "RecordSize",
    "Saved",
    "StoredEntry",
    "StoredEvent",
    "StoredNotice",
]
