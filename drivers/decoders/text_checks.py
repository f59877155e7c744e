"""Checksums of text records: which bytes they cover, how they are written, whether they are right.

XOR and 8-bit sums are weak: bytes that change places, or NULs that slip in, leave them as they were. So
the decoder also refuses records with control bytes, and counts their fields.
"""

from functools import reduce
from operator import xor

from drivers.decoders.rtu_answers import crc16
from drivers.text_maps import Check, TextMap

_HEX_DIGITS = frozenset(b"0123456789abcdefABCDEF")
_DIGITS = frozenset(b"0123456789")


def check_value(kind: str, data: bytes) -> int:
    """The checksum of some bytes.

    Args:
        kind: "xor" (all bytes), "sum8" (their sum modulo 256) or "crc16" (preset 0xFFFF, polynomial 0xA001).
        data: the bytes covered.
    Source: crc16 from MODBUS over Serial Line Guide V1.02, 6.2.2; the others by their definition.
    """
    if kind == "crc16":
        return crc16(data)
    return reduce(xor, data, 0) if kind == "xor" else sum(data) & 0xFF


def open_record(record: bytes, text_map: TextMap) -> tuple[bytes | None, str]:
    """Take start and checksum off a record.

    Args:
        record: from the first byte of its start to the last of its check value.
        text_map: says where the check is.
    Returns: what stands between, and ""; or None, and why the record can't be believed.
    """
    start, check = text_map.start, text_map.check
    if not record.startswith(start):
        return None, f"it does not begin with {start.decode()}"
    if check.kind == "none":
        return record[len(start) :], ""
    end = len(record) - check.width if check.notation == "byte" else len(record)
    mark_at = record.rfind(check.mark, len(start), end)
    if mark_at < 0:
        return None, "its checksum is not there"
    behind = mark_at + len(check.mark)
    found = _found(record[behind:], check)
    if found is None:
        return None, "its checksum can't be read"
    covered = record[:behind] if check.covers == "whole" else record[len(start) : mark_at]
    wanted = check_value(check.kind, covered)
    if check.zero_sum:
        wanted = -wanted & 0xFF
    if found != wanted:
        return None, f"its checksum is {found:#x}, its bytes give {wanted:#x}"
    return record[len(start) : mark_at], ""


def _found(written: bytes, check: Check) -> int | None:
    """The check value as it is written; None when it is not written as it should be."""
    if check.notation == "byte":
        if len(written) != check.width:
            return None
        return int.from_bytes(written, "big" if check.bytes_order == "high-first" else "little")
    if check.notation == "decimal":
        if not 1 <= len(written) <= 5 or not _DIGITS.issuperset(written):
            return None
        return int(written)
    if len(written) != 2 * check.width or not _HEX_DIGITS.issuperset(written):
        return None
    digits = written if check.bytes_order == "high-first" else written[2:] + written[:2]
    return int(digits, 16)
