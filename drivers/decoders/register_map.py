"""Registers to readings. Opens nothing, reads no clock, logs nothing."""

import math
import struct
from collections.abc import Sequence

from drivers.decoders.register_plans import Request
from drivers.register_maps import RegisterMap, RegisterPoint, width_of
from shared.quantities import QUANTITIES
from shared.readings import Reading


def raw_of(registers: Sequence[int], kind: str, words: str) -> int:
    """The unsigned bits of one value.

    Args:
        registers: shape (1,) or (2,), 0 to 65535 each, in the order of their addresses.
        kind: "u16", "s16", "u32", "s32" or "f32".
        words: "high-first" or "low-first"; the standard orders the bytes in a register, not the words.
    """
    assert len(registers) == width_of(kind)
    if len(registers) == 1:
        return registers[0]
    high, low = registers if words == "high-first" else reversed(registers)
    return high << 16 | low


def number_of(raw: int, kind: str) -> float:
    """The number that unsigned bits mean for a type; NaN and infinity come through."""
    if kind == "f32":
        return float(struct.unpack(">f", raw.to_bytes(4, "big"))[0])
    bits = 16 * width_of(kind)
    return float(raw - (1 << bits) if kind.startswith("s") and raw >> (bits - 1) else raw)


def decode(
    instrument: str,
    register_map: RegisterMap,
    requests: Sequence[Request],
    answers: Sequence[Sequence[int] | None],
    at_s: float,
) -> Reading:
    """Turn the answers of one poll into a reading.

    Args:
        instrument: its name in the site file.
        register_map: the map the requests were planned from.
        requests: what was asked, as planned.
        answers: for each request its registers, exactly as many as were asked; None when refused.
        at_s: seconds since boot when the last answer was complete.
    """
    values: dict[str, float] = {}
    suspect: dict[str, str] = {}
    missing: list[str] = []
    for point in register_map.points:
        registers = _registers(point, requests, answers)
        if registers is None:
            suspect[point.quantity] = "the instrument refused these registers"
            continue
        raw = raw_of(registers, point.type, point.words)
        number = number_of(raw, point.type)
        if raw in point.missing or math.isnan(number):
            missing.append(point.quantity)
            continue
        value = number * point.scale + point.offset
        if why := _implausible(point, value):
            suspect[point.quantity] = why
        else:
            values[point.quantity] = value
    return Reading(instrument, at_s, values, suspect, tuple(missing))


def _registers(
    point: RegisterPoint, requests: Sequence[Request], answers: Sequence[Sequence[int] | None]
) -> Sequence[int] | None:
    """The point's registers from the last request that covers it: a leading short read never counts."""
    for request, answer in zip(reversed(requests), reversed(answers), strict=True):
        if request.covers(point.table, point.address, point.width):
            if answer is None:
                return None
            assert len(answer) == request.count, "the transport lets no other count through"
            start = point.address - request.address
            return answer[start : start + point.width]
    raise AssertionError(f"no request of the plan covers {point.quantity}")


def _implausible(point: RegisterPoint, value: float) -> str | None:
    if point.least <= value <= point.most:
        return None
    unit = QUANTITIES[point.quantity].unit
    return f"{value:g} {unit} is outside of {point.least:g} to {point.most:g} {unit}".replace("  ", " ")
