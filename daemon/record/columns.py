"""A column of whole numbers, as small as the standard library makes it, and back; pure.

A column is a byte that says how, then what that way needs:

    0  all the same          signed: the number
    1  as they are           signed: the least     n: the divisor
    2  their differences     signed: the first     n: the divisor
    3  differences of those  signed: the first     n: the divisor     signed: the first difference

and for 1 to 3 the rest: how many bytes the widest number takes, its size, and the bytes, the lowest
byte of every number first, then the next of every number ("planes"); through deflate, or with the
first bit of the width set as they are, where that is shorter. Differences are folded (0, -1, 1, -2,
...) and, like the numbers, divided by what divides all of them: a device that shows 10 mV is not
paid for in steps of 1 mV. The ways are tried until one is no shorter, and the shortest is kept: noise as it is,
a slope as differences, a counter as differences of differences.
"""

import math
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from itertools import accumulate, islice, repeat
from operator import floordiv, sub

SAME, PLAIN, DIFFERENCES, SECOND_DIFFERENCES = range(4)
# Differences of differences of such numbers, folded, still fit eight bytes.
SECOND_MOST = 1 << 60
COUNT_MOST = 1 << 24  # six hours at a kilohertz nearly; more is damage
AS_THEY_ARE = 0x80
_CODES = {1: "B", 2: "H", 4: "I", 8: "Q"}
# The best level takes half as much time again for 0.3 % fewer bytes; the way is chosen at the quickest.
_LEVEL, _GLANCE_LEVEL = 8, 1
# The window and the memory level deflate is given. To make them ready takes 75 us for the largest, more than pressing a
# few thousand bytes; these need no more.
_LARGE, _SMALL, _SMALL_MOST = (zlib.MAX_WBITS, 9), (13, 7), 4096
GLANCE = 64
# A folded byte as a signed one, for a whole column at once.
_UNFOLD = bytes((-(n + 1) >> 1 if n & 1 else n >> 1) & 255 for n in range(256))
_FOLD = bytes(n << 1 if n < 128 else (256 - n << 1) - 1 for n in range(256))  # the other way round

_Way = tuple[bytearray, int, bytes]  # what comes first, bytes of the widest number, planes


class DamagedColumn(ValueError):
    """A column whose inside makes no sense."""


def put(body: bytearray, number: int) -> None:
    """Append an unsigned number, 7 bits a byte, low first."""
    while number > 127:
        body.append(number & 127 | 128)
        number >>= 7
    body.append(number)  # a negative one is refused by the bytearray


def put_signed(body: bytearray, number: int) -> None:
    """Append a signed number, folded."""
    put(body, number << 1 if number >= 0 else (-number << 1) - 1)


def take(row: bytes, place: int) -> tuple[int, int]:
    """Take an unsigned number; give it and the place behind it. Raises: IndexError: cut short."""
    number = shift = 0
    while True:
        byte = row[place]
        place += 1
        number |= (byte & 127) << shift
        if byte < 128:
            return number, place
        shift += 7


def take_signed(row: bytes, place: int) -> tuple[int, int]:
    """Take a signed number; give it and the place behind it."""
    folded, place = take(row, place)
    return (-(folded + 1) >> 1 if folded & 1 else folded >> 1), place


def put_column(body: bytearray, column: Sequence[int]) -> None:
    """Append a column in its shortest form.

    Args:
        column: at least one number, each below 2**61 from zero.
    """
    for _ in put_in_slices(body, column):
        pass


def put_in_slices(body: bytearray, column: Sequence[int]) -> Iterator[None]:
    """Do the same a part at a time, each a few milliseconds for six hours of seconds; whole when it ends."""
    least, most = min(column), max(column)
    if least == most:
        body.append(SAME)
        put_signed(body, least)
        return
    best = _plain(column, least)
    yield
    best_size = _size_at_a_glance(best)
    yield
    first_differences = _between(column)
    makers = [partial(_differences, column, first_differences)]
    if len(column) > 2 and most - least < SECOND_MOST:
        makers.append(partial(_second_differences, column, first_differences))
    for make in makers:
        way = make()
        yield
        size = _size_at_a_glance(way)
        yield
        if size >= best_size:
            break  # what differences make longer is noise, and their differences are longer still
        best, best_size = way, size
    head, widest, planes = best
    body += head
    pressed = _pressed(planes, _LEVEL)
    if len(pressed) < len(planes):
        body.append(widest)
        put(body, len(pressed))
        body += pressed
    else:
        body.append(widest | AS_THEY_ARE)
        body += planes


def take_column(row: bytes, place: int, count: int) -> tuple["array[int]", int]:
    """Take a column of `count` numbers; give it and the place behind it.

    Raises: DamagedColumn, IndexError: it is not one.
    """
    how = row[place]
    if count > COUNT_MOST:
        raise DamagedColumn(f"a column of {count} numbers")
    first, place = take_signed(row, place + 1)
    if how == SAME:
        return array("q", (first,)) * count, place
    if how > SECOND_DIFFERENCES:
        raise DamagedColumn(f"a column of kind {how}")
    divisor, place = take(row, place)
    try:
        if how == PLAIN:
            numbers, place = _take_planes(row, place, count)
            return array("q", [first + number * divisor for number in numbers]), place
        if how == DIFFERENCES:
            differences, place = _take_folded(row, place, count - 1, divisor)
            return array("q", accumulate(differences, initial=first)), place
        slope, place = take_signed(row, place)
        bends, place = _take_folded(row, place, count - 2, divisor)
        return array("q", accumulate(accumulate(bends, initial=slope), initial=first)), place
    except (OverflowError, zlib.error) as why:
        raise DamagedColumn(str(why)) from why


def _plain(column: Sequence[int], least: int) -> _Way:
    raised = array("q", map(sub, column, repeat(least)))
    divisor = _divisor(raised)
    way = bytearray((PLAIN,))
    put_signed(way, least)
    put(way, divisor)
    return way, *_planes(raised if divisor == 1 else map(floordiv, raised, repeat(divisor)))


def _differences(column: Sequence[int], differences: "array[int]") -> _Way:
    way = bytearray((DIFFERENCES,))
    put_signed(way, column[0])
    return _folded(way, differences, ())


def _second_differences(column: Sequence[int], differences: "array[int]") -> _Way:
    way = bytearray((SECOND_DIFFERENCES,))
    put_signed(way, column[0])
    return _folded(way, _between(differences), (differences[0],))


def _between(numbers: Sequence[int]) -> "array[int]":
    """The differences of neighbours; in an array, because lists of six hours are megabytes."""
    return array("q", map(sub, islice(numbers, 1, None), numbers))


def _divisor(numbers: "array[int]") -> int:
    """The greatest number that divides all; mostly 1 or 10, and then found soon."""
    divisor = 0
    for begin in range(0, len(numbers), GLANCE):
        divisor = math.gcd(divisor, *numbers[begin : begin + GLANCE])
        if divisor == 1:
            break
    return divisor or 1


def _folded(way: bytearray, numbers: "array[int]", between: Iterable[int]) -> _Way:
    divisor = _divisor(numbers)
    put(way, divisor)
    for number in between:
        put_signed(way, number)
    parts = numbers if divisor == 1 else array("q", map(floordiv, numbers, repeat(divisor)))
    try:  # mostly a byte takes the widest, and then all of it is done in C
        return way, 1, array("b", parts).tobytes().translate(_FOLD)
    except OverflowError:
        return way, *_planes(number << 1 if number >= 0 else (-number << 1) - 1 for number in parts)


def _planes(numbers: Iterable[int]) -> tuple[int, bytes]:
    """How many bytes the widest of some numbers takes, and the planes of them."""
    whole = array("Q", numbers)
    widest = (max(whole).bit_length() + 7) // 8 or 1
    if sys.byteorder != "little":
        whole.byteswap()
    raw = whole.tobytes()
    return widest, b"".join([raw[plane :: whole.itemsize] for plane in range(widest)])


def _pressed(planes: bytes, level: int) -> bytes:
    window, memory = _SMALL if len(planes) <= _SMALL_MOST else _LARGE
    press = zlib.compressobj(level, zlib.DEFLATED, -window, memory, zlib.Z_FILTERED)
    return press.compress(planes) + press.flush()


def _size_at_a_glance(way: _Way) -> int:
    head, _, planes = way
    return len(head) + min(len(planes), len(_pressed(planes, _GLANCE_LEVEL)))


def _take_folded(row: bytes, place: int, count: int, divisor: int) -> tuple[Sequence[int], int]:
    width = row[place] & ~AS_THEY_ARE
    if width == 1:
        planes, place = _take_bytes(row, place, count, 1)
        signed = array("b", planes.translate(_UNFOLD))
        # A byte can be a fold of -128 too, which a signed one still holds.
        return (signed if divisor == 1 else [number * divisor for number in signed]), place
    numbers, place = _take_planes(row, place, count)
    return [divisor * (-(n + 1) >> 1 if n & 1 else n >> 1) for n in numbers], place


def _take_planes(row: bytes, place: int, count: int) -> tuple["array[int] | bytes", int]:
    widest = row[place] & ~AS_THEY_ARE
    if not 1 <= widest <= 8:
        raise DamagedColumn(f"numbers of {widest} bytes")
    planes, place = _take_bytes(row, place, count, widest)
    if widest == 1:
        return planes, place
    width = 1 << (widest - 1).bit_length()
    raw = bytearray(count * width)
    for plane in range(widest):
        raw[plane::width] = planes[plane * count : (plane + 1) * count]
    whole = array(_CODES[width])
    whole.frombytes(raw)
    if sys.byteorder != "little":
        whole.byteswap()
    return whole, place


def _take_bytes(row: bytes, place: int, count: int, widest: int) -> tuple[bytes, int]:
    """The planes of a column; never more than they should be, whatever the deflated bytes claim."""
    if count < 0:
        raise DamagedColumn("a column of fewer numbers than its kind needs")
    size = count * widest
    if row[place] & AS_THEY_ARE:
        planes, end = row[place + 1 : place + 1 + size], place + 1 + size
    else:
        length, begin = take(row, place + 1)
        end = begin + length
        planes = zlib.decompressobj(-zlib.MAX_WBITS).decompress(row[begin:end], size + 1)
    if len(planes) != size or end > len(row):
        raise DamagedColumn(f"a column of {len(planes)} bytes where {size} belong")
    return planes, end
