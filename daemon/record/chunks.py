"""Sealed chunks: what one instrument said in an hour or more, its times once, each channel by itself; pure.

A chunk is a row of the record under a key that says it all, so that one checksum over key and bytes
covers boot, start, channel and count:

    boot << 40 | start << 21 | number << 2 | kind        start in whole hours since boot

    kind 0  values of channel `number`      kind 1  its minutes     kind 2  its hours (rollups.py)
    kind 3  the polls of instrument `number`: when, and in which shape

    u32   CRC-32 over the key (8 bytes) and all that follows, high byte first
    u8    format, 1
    n     how many: good values, or polls
          kind 0: the values as whole numbers of steps, a column
          kind 3: the times in ms since the start, a column; the shapes; each poll's shape, a column
                  where there is more than one

A shape says which channels were good, which suspect and why, which missing, in the order in which the
instrument gave them. n, signed and column are those of columns.py.
"""

from array import array
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice, pairwise
from operator import itemgetter, le
from typing import NamedTuple, TypeVar
from zlib import crc32

from daemon.record.catalogue import Catalogue
from daemon.record.columns import put, put_column, put_in_slices, take, take_column
from daemon.record.packing import Group
from shared.readings import Reading

T = TypeVar("T")
Slices = Generator[None, None, bytes]  # work in parts, and the row that comes of it

FORMAT = 1
VALUES, MINUTES, HOURS, POLLS = range(4)
HOUR_MS = 3_600_000
BLOCK_H = 6
EPOCH_H = 240  # hours in one row of hours; a multiple of BLOCK_H
KIND_BITS, START_SHIFT, BOOT_SHIFT = 2, 21, 40
NUMBER_MOST = (1 << START_SHIFT - KIND_BITS) - 1
START_MOST = (1 << BOOT_SHIFT - START_SHIFT) - 1


class DamagedChunk(ValueError):
    """A chunk whose checksum does not fit, or whose inside makes no sense."""


class ChunkKey(NamedTuple):
    """What a chunk holds: of which boot, from which hour on, of which kind, of which channel or instrument."""

    boot: int
    start_h: int
    kind: int
    number: int

    @property
    def start_ms(self) -> int:
        """Ms since boot at which it may begin."""
        return self.start_h * HOUR_MS

    def packed(self) -> int:
        """The key as one number, in the order of boot, start, number, kind.

        Raises: ValueError: the channel or the hour is out of range.
        """
        if not (0 <= self.number <= NUMBER_MOST and 0 <= self.start_h <= START_MOST):
            raise ValueError(f"chunk {self} is outside what a key can hold")
        return self.boot << BOOT_SHIFT | self.start_h << START_SHIFT | self.number << KIND_BITS | self.kind

    @classmethod
    def of(cls, packed: int) -> "ChunkKey":
        """Take a packed key apart."""
        number = packed >> KIND_BITS & NUMBER_MOST
        return cls(packed >> BOOT_SHIFT, packed >> START_SHIFT & START_MOST, packed & 3, number)


def first_key(boot: int, start_h: int) -> int:
    """The least key of what starts in an hour of a boot."""
    return boot << BOOT_SHIFT | min(start_h, START_MOST) << START_SHIFT


def hour_key(key: ChunkKey) -> int:
    """The key of a row of hours in their own table: by channel first, so that a year of one lies together."""
    return key.number << 42 | key.boot << 19 | key.start_h


def key_of_hours(key: int) -> ChunkKey:
    """The chunk's key of a row in the table of hours."""
    return ChunkKey(key >> 19 & (1 << 23) - 1, key & (1 << 19) - 1, HOURS, key >> 42)


class Shape(NamedTuple):
    """How one reading looked: channels that were good, suspect with reason and text, missing."""

    good: tuple[int, ...]
    suspect: tuple[tuple[int, int, str], ...] = ()
    missing: tuple[int, ...] = ()


@dataclass(slots=True)
class PollBlock:
    """The polls of one instrument, oldest first.

    Attributes:
        instrument: its number.
        times_ms: since boot, one for each poll.
        shapes: every shape there is.
        shape_of: the place in `shapes` of each poll's shape.
        columns: by channel, its good values in steps, one for each poll in whose shape it is good.
    """

    instrument: int
    times_ms: Sequence[int] = ()
    shapes: list[Shape] = field(default_factory=list)
    shape_of: Sequence[int] = ()
    columns: dict[int, Sequence[int]] = field(default_factory=dict)

    def count_of(self, channel: int) -> int:
        """How often a channel was good, by the shapes."""
        good = [channel in shape.good for shape in self.shapes]
        if len(good) == 1:
            return len(self.times_ms) if good[0] else 0
        return sum(map(good.__getitem__, self.shape_of))

    def times_of(self, channel: int) -> Sequence[int]:
        """The times at which a channel was good."""
        good = [channel in shape.good for shape in self.shapes]
        if all(good):
            return self.times_ms
        return [time_ms for time_ms, shape in zip(self.times_ms, self.shape_of, strict=True) if good[shape]]


_Poll = tuple[int, Shape, tuple[int, ...]]
_time_of = itemgetter(0)


class Gathering:
    """Groups of packed rows put together to a block; in arrays, because an hour of lists is megabytes."""

    def __init__(self, instrument: int) -> None:
        self._instrument = instrument
        self._times, self._shape_of = array("q"), array("q")
        self._shapes: dict[Shape, int] = {}
        self._columns: dict[int, array[int]] = {}

    def add(self, group: Group) -> None:
        """Take a group in."""
        shape = Shape(tuple(group.columns), group.suspect, group.missing)
        number = self._shapes.setdefault(shape, len(self._shapes))
        self._times.extend(group.times_ms)
        self._shape_of.extend([number] * len(group.times_ms))
        for channel, column in group.columns.items():
            self._columns.setdefault(channel, array("q")).extend(column)

    def block(self) -> PollBlock:
        """What has come together, oldest first."""
        block = PollBlock(self._instrument, self._times, list(self._shapes), self._shape_of, dict(self._columns))
        if all(map(le, self._times, islice(self._times, 1, None))):
            return block
        return block_of(self._instrument, list(polls_in(block)))


def polls_in(block: PollBlock) -> Iterator[_Poll]:
    """Take a block apart: time, shape, good values of each poll."""
    of_channel = {channel: iter(column) for channel, column in block.columns.items()}
    for time_ms, number in zip(block.times_ms, block.shape_of, strict=True):
        shape = block.shapes[number]
        yield time_ms, shape, tuple([next(of_channel[channel]) for channel in shape.good])


def block_of(instrument: int, polls: list[_Poll]) -> PollBlock:
    """Put polls together, oldest first; those of the same time stay in their order."""
    polls.sort(key=_time_of)
    numbers: dict[Shape, int] = {}
    shape_of = [numbers.setdefault(shape, len(numbers)) for _, shape, _ in polls]
    columns: dict[int, Sequence[int]] = {}
    if len(numbers) == 1:
        (shape,) = numbers
        rows = [values for _, _, values in polls]
        columns = dict(zip(shape.good, zip(*rows, strict=True), strict=True))
    else:
        lists: dict[int, list[int]] = {}
        for _, shape, values in polls:
            for channel, value in zip(shape.good, values, strict=True):
                lists.setdefault(channel, []).append(value)
        columns.update(lists)
    return PollBlock(instrument, [time_ms for time_ms, _, _ in polls], list(numbers), shape_of, columns)


def joined(blocks: Sequence[PollBlock]) -> PollBlock:
    """Make one block out of several of the same instrument, which may overlap."""
    if len(blocks) == 1:
        return blocks[0]
    if are_end_to_end(blocks):
        return _end_to_end(blocks)
    return block_of(blocks[0].instrument, [poll for block in blocks for poll in polls_in(block)])


def are_end_to_end(blocks: Sequence[PollBlock]) -> bool:
    """Whether none begins before the one in front of it has ended."""
    return all(earlier.times_ms[-1] <= later.times_ms[0] for earlier, later in pairwise(blocks))


def _end_to_end(blocks: Sequence[PollBlock]) -> PollBlock:
    """Join blocks none of which begins before the last ended; much faster than poll by poll."""
    # Arrays, not lists: six hours of a site are 100,000 numbers, and a reader has little room.
    times, shape_of = array("q"), array("q")
    numbers: dict[Shape, int] = {}
    columns: dict[int, array[int]] = {}
    for block in blocks:
        places = [numbers.setdefault(shape, len(numbers)) for shape in block.shapes]
        times.extend(block.times_ms)
        shape_of.extend(map(places.__getitem__, block.shape_of))
        for channel, column in block.columns.items():
            columns.setdefault(channel, array("q")).extend(column)
    return PollBlock(blocks[0].instrument, times, list(numbers), shape_of, dict(columns))


# -- to bytes and back -------------------------------------------------------------------------


def signed_row(key: int, body: bytes | bytearray) -> bytes:
    """Put the checksum over key and body before the body."""
    return _crc(key, body).to_bytes(4, "big") + body


def check_chunk(key: int, row: bytes) -> None:
    """Compare a chunk with its checksum.

    Raises: DamagedChunk: it does not fit, or the format is not known.
    """
    if not isinstance(row, bytes) or len(row) < 6 or int.from_bytes(row[:4], "big") != _crc(key, memoryview(row)[4:]):
        raise DamagedChunk(f"chunk {ChunkKey.of(key)} does not fit its checksum")
    if row[4] != FORMAT:
        raise DamagedChunk(f"chunk {ChunkKey.of(key)} has format {row[4]}, this release reads {FORMAT}")


def pack_polls(key: ChunkKey, block: PollBlock) -> bytes:
    """Pack when an instrument was polled, and the shapes of what it said."""
    return _at_once(polls_in_slices(key, block))


def polls_in_slices(key: ChunkKey, block: PollBlock) -> Slices:
    """Do the same a part at a time."""
    start_ms = key.start_ms
    body = bytearray((FORMAT,))
    put(body, len(block.times_ms))
    yield from put_in_slices(body, array("q", (time_ms - start_ms for time_ms in block.times_ms)))
    put(body, len(block.shapes))
    for shape in block.shapes:
        _put_shape(body, shape)
    if len(block.shapes) > 1:
        put_column(body, block.shape_of)
    return signed_row(key.packed(), body)


def pack_values(key: ChunkKey, column: Sequence[int]) -> bytes:
    """Pack a channel's good values."""
    return _at_once(values_in_slices(key, column))


def values_in_slices(key: ChunkKey, column: Sequence[int]) -> Slices:
    """Do the same a part at a time."""
    body = bytearray((FORMAT,))
    put(body, len(column))
    yield from put_in_slices(body, column)
    return signed_row(key.packed(), body)


def _at_once(slices: Slices) -> bytes:
    """Do all of what goes in parts."""
    while True:
        try:
            next(slices)
        except StopIteration as done:
            row: bytes = done.value
            return row


def take_polls(key: ChunkKey, row: bytes) -> PollBlock:
    """Give back when an instrument was polled; the columns are still to be put in.

    Raises: DamagedChunk.
    """
    check_chunk(key.packed(), row)
    return _sound(key, lambda: _take_polls(key, row))


def take_values(key: ChunkKey, row: bytes) -> Sequence[int]:
    """Give back a channel's good values. Raises: DamagedChunk."""
    check_chunk(key.packed(), row)

    def values() -> Sequence[int]:
        count, place = take(row, 5)
        return take_column(row, place, count)[0]

    return _sound(key, values)


def count_of(row: bytes) -> int:
    """How many values or polls a chunk says it has."""
    return take(row, 5)[0]


def channels_of(key: ChunkKey, row: bytes) -> dict[int, int]:
    """How many good values each channel must have by what its instrument's polls say."""
    block = take_polls(key, row)
    counts: dict[int, int] = {}
    polls = [0] * len(block.shapes)
    for number in block.shape_of:
        polls[number] += 1
    for shape, count in zip(block.shapes, polls, strict=True):
        for channel in shape.good:
            counts[channel] = counts.get(channel, 0) + count
    return counts


def _take_polls(key: ChunkKey, row: bytes) -> PollBlock:
    count, place = take(row, 5)
    times, place = take_column(row, place, count)
    start_ms = key.start_ms
    shapes: list[Shape] = []
    shape_count, place = take(row, place)
    for _ in range(shape_count):
        shape, place = _take_shape(row, place)
        shapes.append(shape)
    shape_of: Sequence[int] = bytes(count)
    if shape_count > 1:
        shape_of, place = take_column(row, place, count)
    if place != len(row) or shape_count == 0 or not 0 <= min(shape_of) <= max(shape_of) < shape_count:
        raise DamagedChunk(f"chunk {key} counts wrong inside")
    return PollBlock(key.number, array("q", (start_ms + time_ms for time_ms in times)), shapes, shape_of)


def _sound(key: ChunkKey, work: Callable[[], T]) -> T:
    try:
        return work()
    except (IndexError, ValueError, OverflowError, MemoryError) as why:
        raise DamagedChunk(f"chunk {key} makes no sense inside: {why}") from why


def _put_shape(body: bytearray, shape: Shape) -> None:
    put(body, len(shape.good))
    for channel in shape.good:
        put(body, channel)
    put(body, len(shape.suspect))
    for channel, reason, text in shape.suspect:
        put(body, channel)
        put(body, reason)
        if reason == 0:
            coded = text.encode()
            put(body, len(coded))
            body += coded
    put(body, len(shape.missing))
    for channel in shape.missing:
        put(body, channel)


def _take_shape(row: bytes, place: int) -> tuple[Shape, int]:
    good, place = _take_numbers(row, place)
    count, place = take(row, place)
    suspect: list[tuple[int, int, str]] = []
    for _ in range(count):
        channel, place = take(row, place)
        reason, place = take(row, place)
        text = ""
        if reason == 0:
            length, place = take(row, place)
            text = row[place : place + length].decode()
            place += length
        suspect.append((channel, reason, text))
    missing, place = _take_numbers(row, place)
    return Shape(good, tuple(suspect), missing), place


def _take_numbers(row: bytes, place: int) -> tuple[tuple[int, ...], int]:
    count, place = take(row, place)
    numbers: list[int] = []
    for _ in range(count):
        number, place = take(row, place)
        numbers.append(number)
    return tuple(numbers), place


def _crc(key: int, body: bytes | bytearray | memoryview) -> int:
    return crc32(body, crc32(key.to_bytes(8, "big")))


# -- to readings -------------------------------------------------------------------------------


@dataclass(slots=True)
class _Look:
    """A shape in words, and where its good values come from."""

    quantities: list[str]
    channels: list[tuple[int, float]]
    suspect: dict[str, str]
    missing: tuple[str, ...]
    wanted: bool


def readings_of(
    block: PollBlock, catalogue: Catalogue, quantity: str | None, first_ms: int, end_ms: int
) -> Iterator[Reading]:
    """Give a block's readings from a time up to but without another, of one quantity if asked.

    Raises: UnknownNumber: the catalogue is too old.
    """
    name = catalogue.instrument_name(block.instrument)
    looks = [_look(shape, catalogue, quantity) for shape in block.shapes]
    of_channel = {channel: iter(column) for channel, column in block.columns.items()}
    sources = [[(of_channel[channel], per_unit) for channel, per_unit in look.channels] for look in looks]
    for time_ms, number in zip(block.times_ms, block.shape_of, strict=True):
        look = looks[number]
        values = [next(column) / per_unit for column, per_unit in sources[number]]
        if look.wanted and first_ms <= time_ms < end_ms:
            pairs = dict(zip(look.quantities, values, strict=True))
            yield Reading(name, time_ms / 1000.0, pairs, look.suspect, look.missing)


def _look(shape: Shape, catalogue: Catalogue, quantity: str | None) -> _Look:
    entries = [catalogue.channel_entry(channel) for channel in shape.good]
    suspect = {
        catalogue.channel_entry(channel).quantity: text if reason == 0 else catalogue.reason_text(reason)
        for channel, reason, text in shape.suspect
    }
    missing = tuple(catalogue.channel_entry(channel).quantity for channel in shape.missing)
    if quantity is not None:
        entries = [entry for entry in entries if entry.quantity == quantity]
        suspect = {quantity: suspect[quantity]} if quantity in suspect else {}
        missing = (quantity,) if quantity in missing else ()
    wanted = quantity is None or bool(entries or suspect or missing)
    channels = [(entry.number, entry.per_unit) for entry in entries]
    return _Look([entry.quantity for entry in entries], channels, suspect, missing, wanted)
