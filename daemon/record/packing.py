"""One packed row: every reading between two commits, as whole numbers of steps, with its own checksum.

A row's key is `boot << 40 | ms`, with ms since boot at or after its newest reading. The row is

    u32   CRC-32 over the key (8 bytes) and all that follows, high byte first
    u8    format, 1
    n     ms from its oldest reading to its key
    n     groups; a group is what one instrument said in one shape: the same quantities, the same
          suspect ones for the same reasons, the same missing ones. Each group:
            n   instrument's number          n   readings
            col times, ms before the key     (step first, then what is left: a steady poll costs nothing)
            n   channels, their numbers, then a column each
            n   suspect channels: number, reason's number (0: length and text follow)
            n   missing channels: numbers

n is an unsigned number of 7 bits a byte, low first; signed ones are folded (0, -1, 1, -2, ...).
A column is its first value, then one byte that says how wide each difference is (0, 1, 2, 4 or 8
bytes, low first; 0: they are all nothing), then the differences.
"""

import math
import struct
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import sub
from zlib import crc32

from daemon.record.catalogue import REASON_LENGTH_MOST, Catalogue, ChannelEntry
from shared.readings import Reading

FORMAT = 1
BOOT_SHIFT = 40
MS_MOST = (1 << BOOT_SHIFT) - 1  # 34.8 years in one boot
BOOT_MOST = (1 << 23) - 1
# What a column can hold: the difference of two such numbers still fits 8 bytes.
STEPS_MOST = 1 << 61

_WIDTHS = (0, 1, 2, 4, 8)
_CODES = {1: "b", 2: "h", 4: "i", 8: "q"}
_NOT_KEPT = "value could not be kept"

_Shape = tuple[str, tuple[str, ...], tuple[tuple[str, str], ...], tuple[str, ...]]


class DamagedRow(ValueError):
    """A row whose checksum does not fit, or whose inside makes no sense."""


def row_key(boot: int, at_ms: int) -> int:
    """Make a row's key.

    Raises: ValueError: the boot's number or the time is out of range.
    """
    if not (0 <= boot <= BOOT_MOST and 0 <= at_ms <= MS_MOST):
        raise ValueError(f"boot {boot} at {at_ms} ms is outside what a row's key can hold")
    return boot << BOOT_SHIFT | at_ms


def split_key(key: int) -> tuple[int, int]:
    """Take a key apart: boot's number, ms since boot."""
    return key >> BOOT_SHIFT, key & MS_MOST


def pack_row(key: int, readings: Sequence[Reading], catalogue: Catalogue) -> bytes:
    """Pack readings of one boot into one row.

    Args:
        key: the row's key, not before the newest reading.
        readings: at least one, in any order.
        catalogue: numbers for the names; new names are added to it.
    """
    try:
        return _pack(key, readings, catalogue)
    except (ValueError, OverflowError, TypeError, struct.error):
        # A value no column can hold must not keep the readings beside it out of the record.
        return _pack(key, [_keepable(reading, catalogue) for reading in readings], catalogue)


def unpack_row(
    key: int, row: bytes, catalogue: Catalogue, *, instrument: str | None = None, quantity: str | None = None
) -> list[Reading]:
    """Give a row's readings back, oldest first; of one instrument or one quantity only, if asked.

    Raises: DamagedRow: the row is not what was written. UnknownNumber: the catalogue is too old.
    """
    check_row(key, row)
    try:
        return _unpack(key, row, catalogue, instrument, quantity)
    except (IndexError, struct.error, UnicodeDecodeError) as why:
        raise DamagedRow(f"row {key} ends or counts wrong inside: {why}") from why


def check_row(key: int, row: bytes) -> None:
    """Compare a row with its checksum.

    Raises: DamagedRow: it does not fit, or the format is not known.
    """
    if len(row) < 6 or int.from_bytes(row[:4], "big") != _crc(key, memoryview(row)[4:]):
        raise DamagedRow(f"row {key} does not fit its checksum")
    if row[4] != FORMAT:
        raise DamagedRow(f"row {key} has format {row[4]}, this release reads {FORMAT}")


def oldest_ms(key: int, row: bytes) -> int:
    """Tell when a row's oldest reading was made, ms since boot."""
    try:
        back, _ = _take(row, 5)
    except IndexError as why:
        raise DamagedRow(f"row {key} is cut short") from why
    return (key & MS_MOST) - back


def at_ms(at_s: float) -> int:
    """Give a time of the record in whole milliseconds."""
    return round(at_s * 1000.0)


@dataclass(slots=True)
class Group:
    """What one instrument said in one shape, in numbers only: nothing has been looked up or scaled.

    `suspect` holds channel, reason's number and, where that is 0, the reason's text.
    """

    instrument: int
    times_ms: list[int]
    columns: dict[int, list[int]]
    suspect: tuple[tuple[int, int, str], ...]
    missing: tuple[int, ...]


def take_groups(key: int, row: bytes) -> list[Group]:
    """Give what is in a row as it is kept.

    Raises: DamagedRow: the row is not what was written.
    """
    check_row(key, row)
    try:
        _, place = _take(row, 5)
        count, place = _take(row, place)
        groups: list[Group] = []
        for _ in range(count):
            group, place = _take_as_kept(row, place, key & MS_MOST)
            groups.append(group)
    except (IndexError, struct.error, UnicodeDecodeError) as why:
        raise DamagedRow(f"row {key} ends or counts wrong inside: {why}") from why
    return groups


def pack_groups(key: int, groups: Sequence[Group]) -> bytes:
    """Pack what `take_groups` gave, or a part of it, into one row again."""
    key_ms = key & MS_MOST
    body = bytearray((FORMAT,))
    _put(body, key_ms - min(min(group.times_ms) for group in groups))
    _put(body, len(groups))
    for group in groups:
        _put(body, group.instrument)
        _put(body, len(group.times_ms))
        _put_times(body, [key_ms - time_ms for time_ms in group.times_ms])
        _put_numbers(body, group.columns)
        for column in group.columns.values():
            _put_column(body, column)
        _put(body, len(group.suspect))
        for channel, reason, text in group.suspect:
            _put(body, channel)
            _put(body, reason)
            if reason == 0:
                _put_text(body, text)
        _put_numbers(body, group.missing)
    return _crc(key, body).to_bytes(4, "big") + body


# -- packing -----------------------------------------------------------------------------------


def _pack(key: int, readings: Sequence[Reading], catalogue: Catalogue) -> bytes:
    key_ms = key & MS_MOST
    groups = _by_shape(readings)
    body = bytearray((FORMAT,))
    _put(body, key_ms - min(at_ms(reading.at_s) for reading in readings))
    _put(body, len(groups))
    for shape, members in groups.items():
        _put_group(body, key_ms, shape, members, catalogue)
    return _crc(key, body).to_bytes(4, "big") + body


def _by_shape(readings: Sequence[Reading]) -> dict[_Shape, list[Reading]]:
    groups: dict[_Shape, list[Reading]] = {}
    for reading in readings:
        suspect = tuple(reading.suspect.items()) if reading.suspect else ()
        shape = (reading.instrument, tuple(reading.values), suspect, tuple(reading.missing))
        members = groups.get(shape)
        if members is None:
            groups[shape] = [reading]
        else:
            members.append(reading)
    return groups


def _put_group(body: bytearray, key_ms: int, shape: _Shape, members: list[Reading], catalogue: Catalogue) -> None:
    instrument, quantities, suspect, missing = shape
    _put(body, catalogue.instrument(instrument))
    _put(body, len(members))
    _put_times(body, [key_ms - round(reading.at_s * 1000.0) for reading in members])
    entries = [catalogue.channel(instrument, quantity) for quantity in quantities]
    _put(body, len(entries))
    for entry in entries:
        _put(body, entry.number)
    for entry in entries:
        quantity, per_unit = entry.quantity, entry.per_unit
        _put_column(body, [round(reading.values[quantity] * per_unit) for reading in members])
    _put(body, len(suspect))
    for quantity, reason in suspect:
        _put(body, catalogue.channel(instrument, quantity).number)
        _put_reason(body, reason, catalogue)
    _put(body, len(missing))
    for quantity in missing:
        _put(body, catalogue.channel(instrument, quantity).number)


def _put(body: bytearray, number: int) -> None:
    while number > 127:
        body.append(number & 127 | 128)
        number >>= 7
    body.append(number)  # a negative one is refused by the bytearray


def _put_signed(body: bytearray, number: int) -> None:
    _put(body, number << 1 if number >= 0 else (-number << 1) - 1)


def _put_reason(body: bytearray, reason: str, catalogue: Catalogue) -> None:
    text = reason[:REASON_LENGTH_MOST]
    number = catalogue.reason(text)
    _put(body, number)
    if number == 0:
        _put_text(body, text)


def _put_text(body: bytearray, text: str) -> None:
    coded = text.encode()
    _put(body, len(coded))
    body += coded


def _put_numbers(body: bytearray, numbers: Collection[int]) -> None:
    _put(body, len(numbers))
    for number in numbers:
        _put(body, number)


def _put_times(body: bytearray, times: list[int]) -> None:
    _put(body, times[0])
    if len(times) > 1:
        step = times[1] - times[0]
        _put_signed(body, step)
        _put_differences(body, [after - before - step for before, after in zip(times[1:], times[2:], strict=False)])


def _put_column(body: bytearray, column: list[int]) -> None:
    _put_signed(body, column[0])
    if len(column) > 1:
        _put_differences(body, list(map(sub, column[1:], column)))


def _put_differences(body: bytearray, differences: list[int]) -> None:
    if not differences:
        return
    widest = max(max(differences), -1 - min(differences))
    if widest == 0 and not any(differences):
        body.append(0)
        return
    width = 1 if widest < 1 << 7 else 2 if widest < 1 << 15 else 4 if widest < 1 << 31 else 8
    body.append(width)
    body += struct.pack(f"<{len(differences)}{_CODES[width]}", *differences)


def _crc(key: int, body: bytes | bytearray | memoryview) -> int:
    return crc32(body, crc32(key.to_bytes(8, "big")))


def _keepable(reading: Reading, catalogue: Catalogue) -> Reading:
    """The same reading with every value that no column can hold made suspect."""
    values: dict[str, float] = {}
    suspect = dict(reading.suspect)
    for quantity, value in reading.values.items():
        if _fits(value, catalogue.channel(reading.instrument, quantity)):
            values[quantity] = value
        else:
            suspect[quantity] = f"{_NOT_KEPT}: {value}"
    return Reading(reading.instrument, reading.at_s, values, suspect, reading.missing)


def _fits(value: object, entry: ChannelEntry) -> bool:
    return isinstance(value, int | float) and math.isfinite(value) and abs(value) * entry.per_unit < STEPS_MOST


# -- unpacking ---------------------------------------------------------------------------------


def _unpack(key: int, row: bytes, catalogue: Catalogue, instrument: str | None, quantity: str | None) -> list[Reading]:
    key_ms = key & MS_MOST
    _, place = _take(row, 5)
    count, place = _take(row, place)
    found: list[tuple[int, Reading]] = []
    for _ in range(count):
        place = _take_group(row, place, key_ms, catalogue, instrument, quantity, found)
    if place != len(row):
        raise DamagedRow(f"row {key} has {len(row) - place} bytes too many")
    found.sort(key=_time_of)
    return [reading for _, reading in found]


def _time_of(timed: tuple[int, Reading]) -> int:
    return timed[0]


def _take_group(
    row: bytes,
    place: int,
    key_ms: int,
    catalogue: Catalogue,
    instrument: str | None,
    quantity: str | None,
    found: list[tuple[int, Reading]],
) -> int:
    number, place = _take(row, place)
    name = catalogue.instrument_name(number)
    count, place = _take(row, place)
    times, place = _take_times(row, place, count)
    numbers, place = _take_many(row, place)
    entries = [catalogue.channel_entry(channel) for channel in numbers]
    wanted = instrument is None or instrument == name
    quantities: list[str] = []
    columns: list[list[float]] = []
    for entry in entries:
        if wanted and (quantity is None or quantity == entry.quantity):
            column, place = _take_column(row, place, count)
            per_unit = entry.per_unit
            quantities.append(entry.quantity)
            columns.append([steps / per_unit for steps in column])
        else:
            place = _skip_column(row, place, count)
    reasons, place = _take_suspect(row, place)
    suspect = {
        catalogue.channel_entry(channel).quantity: text if reason == 0 else catalogue.reason_text(reason)
        for channel, reason, text in reasons
    }
    numbers, place = _take_many(row, place)
    missing = tuple(catalogue.channel_entry(channel).quantity for channel in numbers)
    if quantity is not None:
        suspect = {quantity: suspect[quantity]} if quantity in suspect else {}
        missing = (quantity,) if quantity in missing else ()
        wanted = wanted and bool(quantities or suspect or missing)
    if wanted:
        tuples = zip(*columns, strict=True) if columns else iter([()] * count)
        for back, values in zip(times, tuples, strict=True):
            ms = key_ms - back
            pairs = dict(zip(quantities, values, strict=True))
            found.append((ms, Reading(name, ms / 1000.0, pairs, suspect, missing)))
    return place


def _take_as_kept(row: bytes, place: int, key_ms: int) -> tuple[Group, int]:
    instrument, place = _take(row, place)
    count, place = _take(row, place)
    times, place = _take_times(row, place, count)
    channels, place = _take_many(row, place)
    columns: dict[int, list[int]] = {}
    for channel in channels:
        columns[channel], place = _take_column(row, place, count)
    suspect, place = _take_suspect(row, place)
    missing, place = _take_many(row, place)
    return Group(instrument, [key_ms - back for back in times], columns, suspect, tuple(missing)), place


def _take(row: bytes, place: int) -> tuple[int, int]:
    byte = row[place]
    if byte < 128:
        return byte, place + 1
    number, shift = byte & 127, 7
    while True:
        place += 1
        byte = row[place]
        number |= (byte & 127) << shift
        if byte < 128:
            return number, place + 1
        shift += 7


def _take_signed(row: bytes, place: int) -> tuple[int, int]:
    folded, place = _take(row, place)
    return (-(folded + 1) >> 1 if folded & 1 else folded >> 1), place


def _take_many(row: bytes, place: int) -> tuple[list[int], int]:
    count, place = _take(row, place)
    numbers: list[int] = []
    for _ in range(count):
        number, place = _take(row, place)
        numbers.append(number)
    return numbers, place


def _take_suspect(row: bytes, place: int) -> tuple[tuple[tuple[int, int, str], ...], int]:
    count, place = _take(row, place)
    suspect: list[tuple[int, int, str]] = []
    for _ in range(count):
        channel, place = _take(row, place)
        reason, place = _take(row, place)
        text = ""
        if reason == 0:
            length, place = _take(row, place)
            text = row[place : place + length].decode()
            place += length
        suspect.append((channel, reason, text))
    return tuple(suspect), place


def _take_times(row: bytes, place: int, count: int) -> tuple[list[int], int]:
    first, place = _take(row, place)
    if count < 2:
        return [first], place
    step, place = _take_signed(row, place)
    rests, place = _take_differences(row, place, count - 2)
    return list(accumulate([first, step, *(rest + step for rest in rests)])), place


def _take_column(row: bytes, place: int, count: int) -> tuple[list[int], int]:
    first, place = _take_signed(row, place)
    differences, place = _take_differences(row, place, count - 1)
    return list(accumulate(differences, initial=first)), place


def _skip_column(row: bytes, place: int, count: int) -> int:
    _, place = _take_signed(row, place)
    return place if count < 2 else place + 1 + row[place] * (count - 1)


def _take_differences(row: bytes, place: int, count: int) -> tuple[Sequence[int], int]:
    if count == 0:
        return (), place
    width = row[place]
    place += 1
    if width not in _WIDTHS:
        raise DamagedRow(f"a column is {width} bytes wide")
    if width == 0:
        return (0,) * count, place
    return struct.unpack_from(f"<{count}{_CODES[width]}", row, place), place + width * count
