"""What came over a TCP connection in answer to one Modbus/TCP request: the answer, or why it is none.

Each frame has a header: transaction number, protocol (0), length, unit; MODBUS Messaging on TCP/IP
Implementation Guide V1.0b, 3.1.3 (from memory). The number says which question a frame answers, so a late
one is passed over. A gateway with serial instruments behind it may still put the answer to another
question under this number: unit, function and count are checked as strictly as on a serial line.
"""

from drivers.decoders.register_plans import Request

HEADER_SIZE = 7
LENGTH_LEAST, LENGTH_MOST = 3, 254  # what the length field may say: unit and an answer of 2 to 253 bytes
REPLY_PARTS = 2  # function, byte count


class TcpFraming:
    """Knows the answers to the last request that was sent."""

    noise_most = 0  # TCP loses nothing and adds nothing
    function_at = HEADER_SIZE

    def __init__(self) -> None:
        self._number = b""

    def sent(self, data: bytes) -> None:
        """Remember the request's number."""
        self._number = data[:2]

    def find(self, data: bytes, request: Request) -> bytes | None:
        """The frame that answers the request, or None as long as there is none.

        Args:
            data: all that came since the request was sent.
            request: what was asked.
        """
        while (frame := _first_frame(data)) is not None:
            data = data[len(frame) :]
            if frame[:2] == self._number:
                return frame if not data and _fits(frame, request) else None
        return None

    def explain(self, data: bytes, request: Request) -> str:
        """Say in words what came instead of the answer; `data` is not empty."""
        shown = data[:16].hex(" ") + (" ..." if len(data) > 16 else "")
        frame = _first_frame(data)
        if frame is None:
            return f"no whole Modbus/TCP frame: {len(data)} bytes, {shown}; is framing right for this line?"
        if frame[:2] != self._number:
            return f"an answer to transaction {frame[:2].hex()} instead of {self._number.hex()}: late, or mixed up"
        if frame[6] != request.unit:
            return f"answer from unit {frame[6]} instead of {request.unit}"
        if frame[7] & 0x7F != request.function:
            return f"answer with function {frame[7] & 0x7F} instead of {request.function}"
        if frame[7] == request.function and not _fits(frame, request):
            return f"answer with {frame[8] // 2} registers instead of {request.count}: it belongs to another question"
        return f"more came than the answer: {len(data)} bytes, {shown}"

    def unit_of(self, stray: bytes) -> int | None:
        """The unit that said what nobody asked for; None when it can't be told."""
        frame = _first_frame(stray)
        return frame[6] if frame is not None and len(frame) == len(stray) else None


def _first_frame(data: bytes) -> bytes | None:
    """The frame the data begins with; None when it is not whole, or is none."""
    if len(data) < HEADER_SIZE + REPLY_PARTS or data[2:4] != b"\0\0":
        return None
    length = int.from_bytes(data[4:6], "big")
    if not LENGTH_LEAST <= length <= LENGTH_MOST or len(data) < 6 + length:
        return None
    return data[: 6 + length]


def _fits(frame: bytes, request: Request) -> bool:
    unit, answer = frame[6], frame[7:]
    if unit != request.unit:
        return False
    if answer[0] == request.function | 0x80:
        return len(answer) == 2
    return answer[0] == request.function and answer[1] == 2 * request.count and len(answer) == 2 + answer[1]
