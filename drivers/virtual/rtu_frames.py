"""Modbus RTU frames as a device sees them: requests out of raw bytes, replies into raw bytes.

This code is the simulated site's own and knows nothing of the code that reads it, so that an error in
one is not hidden by the same error in the other. Source: MODBUS over Serial Line V1.02 and MODBUS
Application Protocol V1.1b3.
"""

from collections.abc import Sequence
from dataclasses import dataclass

READ_HOLDING, READ_INPUT = 3, 4
MOST_REGISTERS = 125
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_PLAIN_SIZE = 8  # unit, function, two words, CRC: functions 1 to 6
_COUNTED = (15, 16)  # unit, function, two words, a byte count, as many bytes, CRC


def _make_table() -> tuple[int, ...]:
    rows = []
    for row in range(256):
        for _ in range(8):
            row = (row >> 1) ^ 0xA001 if row & 1 else row >> 1
        rows.append(row)
    return tuple(rows)


_TABLE = _make_table()


def check_bytes(data: bytes) -> bytes:
    """Give the two CRC bytes that follow `data` on the wire, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return bytes((crc & 0xFF, crc >> 8))


def sealed(data: bytes) -> bytes:
    """Append the CRC."""
    return data + check_bytes(data)


@dataclass(frozen=True, slots=True)
class HeardRequest:
    """A request with a right CRC; `address` and `count` are the two words after the function, whatever it is."""

    unit: int
    function: int
    address: int
    count: int


def frame_size(heard: bytes | bytearray) -> int | None:
    """Tell how long the request that begins here will be, bytes; None while that can't be told."""
    if len(heard) < 2:
        return None
    if 1 <= heard[1] <= 6:
        return _PLAIN_SIZE
    if heard[1] in _COUNTED:
        return None if len(heard) < 7 else 9 + heard[6]
    return None


def heard_request(frame: bytes) -> HeardRequest | None:
    """Read a whole request; None when its CRC is wrong, to which a device says nothing."""
    if len(frame) < _PLAIN_SIZE or check_bytes(frame[:-2]) != frame[-2:]:
        return None
    return HeardRequest(frame[0], frame[1], frame[2] << 8 | frame[3], frame[4] << 8 | frame[5])


def values_reply(unit: int, function: int, registers: Sequence[int]) -> bytes:
    """Make the reply that carries registers (16 bits each)."""
    body = b"".join(bytes((word >> 8, word & 0xFF)) for word in registers)
    return sealed(bytes((unit, function, len(body))) + body)


def refusal(unit: int, function: int, code: int) -> bytes:
    """Make the exception reply with a code."""
    return sealed(bytes((unit, function | 0x80, code)))


def quiet_s(baud: int) -> float:
    """The silence that ends a frame, s: 3.5 characters of 11 bits, above 19200 Bd a fixed 1.75 ms."""
    return 38.5 / baud if baud <= 19200 else 0.00175
