"""What came over a serial line in answer to one RTU request: the answer, or why it is none.

Stricter than the client library, which takes any function and any count and hunts for a frame in
whatever it gets: here only a frame with the unit, the function and the count that were asked, and a
right checksum, is the answer, with at most three stray bytes around it (a transceiver that changes
direction makes one or two). More than that means that something else is on the line.
"""

from collections.abc import Sequence

from drivers.decoders.register_plans import Request

NOISE_MOST = 3  # stray bytes before and after an answer together; the shortest frame has five
EXCEPTION_SIZE = 5
REPLY_FRAME_BYTES = 5  # unit, function, byte count, checksum
REQUEST_SIZE = 8


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """The checksum of an RTU frame. Source: MODBUS over Serial Line Guide V1.02, 6.2.2."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def is_frame(data: bytes) -> bool:
    """Whether this is one whole frame with a right checksum, low byte first."""
    return len(data) >= EXCEPTION_SIZE and crc16(data[:-2]) == int.from_bytes(data[-2:], "little")


def find_answer(data: bytes, request: Request) -> bytes | None:
    """The frame that answers the request, or None as long as there is none.

    Args:
        data: all that came since the request was sent, the request's own echo taken off.
        request: what was asked.
    Returns: the frame, a read reply or an exception reply, without the stray bytes around it.
    """
    replies = (
        (bytes((request.unit, request.function, 2 * request.count)), REPLY_FRAME_BYTES + 2 * request.count),
        (bytes((request.unit, request.function | 0x80)), EXCEPTION_SIZE),
    )
    for head, size in replies:
        stray = len(data) - size
        if not 0 <= stray <= NOISE_MOST:
            continue
        for start in range(stray + 1):
            if data.startswith(head, start) and is_frame(data[start : start + size]):
                return data[start : start + size]
    return None


def explain(data: bytes, request: Request) -> str:
    """Say in words what came instead of the answer; `data` is not empty."""
    shown = data[:16].hex(" ") + (" ..." if len(data) > 16 else "")
    frame = _first_frame(data)
    if frame is None:
        size = REPLY_FRAME_BYTES + 2 * request.count
        if data.startswith(bytes((request.unit, request.function))) and len(data) < size:
            return f"answer cut short after {len(data)} of {size} bytes: {shown}"
        return f"noise or a wrong checksum: {len(data)} bytes, {shown}"
    if len(frame) == REQUEST_SIZE and frame[:2] == bytes((request.unit, request.function)):
        return "the request itself came back: if the adapter echoes, set echo = true on this line"
    if frame[0] != request.unit:
        return f"answer from unit {frame[0]} instead of {request.unit}"
    if frame[1] & 0x7F != request.function:
        return f"answer with function {frame[1] & 0x7F} instead of {request.function}"
    if frame[1] == request.function and frame[2] != 2 * request.count:
        return f"answer with {frame[2] // 2} registers instead of {request.count}: it belongs to another question"
    return f"more on the line than the answer: {len(data)} bytes, {shown}"


class RtuFraming:
    """The same as a line's framing; an RTU frame has no number, so it need not know what was sent."""

    noise_most = NOISE_MOST
    function_at = 1

    def sent(self, data: bytes) -> None:
        """Nothing in it marks the answer."""

    def find(self, data: bytes, request: Request) -> bytes | None:
        """The frame that answers the request, or None."""
        return find_answer(data, request)

    def explain(self, data: bytes, request: Request) -> str:
        """What came instead of the answer, in words."""
        return explain(data, request)

    def unit_of(self, stray: bytes) -> int | None:
        """The unit that said what nobody asked for, or None."""
        return stray[0] if is_frame(stray) else None


def _first_frame(data: bytes) -> bytes | None:
    """The first whole frame in the data, wherever it starts."""
    for start in range(len(data)):
        for size in _frame_sizes(data[start:]):
            if start + size <= len(data) and is_frame(data[start : start + size]):
                return data[start : start + size]
    return None


def _frame_sizes(data: bytes) -> Sequence[int]:
    if len(data) < EXCEPTION_SIZE:
        return ()
    if data[1] & 0x80:
        return (EXCEPTION_SIZE,)
    return (REPLY_FRAME_BYTES + data[2], REQUEST_SIZE)
