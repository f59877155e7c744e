"""The virtual RTU line, byte for byte, against published frames; each fault; the memory of what was true."""

from itertools import pairwise

import pytest

from drivers.virtual.faults import FAULTS, Fault, ListedFaults, SeededFaults
from drivers.virtual.register_tables import RegisterTable, TablePoint
from drivers.virtual.rtu_frames import check_bytes, quiet_s
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit


def word(quantity: str, address: int, kind: str = "u16", **more: object) -> TablePoint:
    return TablePoint(quantity, "holding", address, kind, **more)  # type: ignore[arg-type]


def unit_of(number: int, values: dict[str, float | None], *points: TablePoint) -> RtuUnit:
    unit = RtuUnit(number, RegisterTable(points))
    unit.show(values, 0.0)
    return unit


def three_registers(number: int, values: tuple[int, int, int]) -> RtuUnit:
    named = dict(zip("abc", values, strict=True))
    return unit_of(number, dict(named), *(word(name, 0x6B + n) for n, name in enumerate(named)))


def said(line: RtuLine, request: str, now_s: float = 0.0) -> str:
    return b"".join(piece.data for piece in line.hear(bytes.fromhex(request), now_s)).hex(" ").upper()


def test_crc_of_the_catalogue_and_of_the_guide() -> None:
    # CRC RevEng catalogue, CRC-16/MODBUS: check 0x4B37 over "123456789". MBSL 6.2.2: 02 07 -> 41 12.
    assert check_bytes(b"123456789") == bytes.fromhex("37 4B")
    assert check_bytes(bytes.fromhex("02 07")) == bytes.fromhex("41 12")


def test_silence_that_ends_a_frame() -> None:
    # MBSL 2.5.1.1: 3.5 characters of 11 bits, 4010.4 us at 9600 Bd, 1750 us fixed above 19200.
    assert quiet_s(9600) == pytest.approx(4010.4e-6, abs=1e-7)
    assert quiet_s(115200) == 1750e-6


@pytest.mark.parametrize(
    ("unit", "values", "request_hex", "reply_hex"),
    [
        # MBAP 6.3's worked PDU in a frame, and the frame AE41 5652 4340 of public test suites.
        (17, (555, 0, 100), "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"),
        (17, (0xAE41, 0x5652, 0x4340), "11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD"),
        # Not there: exception 2 (its CRC by pymodbus); 126 registers: exception 3.
        (17, (1, 2, 3), "11 04 00 08 00 01 B2 98", "11 84 02 C3 04"),
        (1, (1, 2, 3), "01 03 9C 40 00 7E EA 6E", "01 83 03 01 31"),
        (1, (1, 2, 3), "01 03 00 00 00 0A C5 CD", "01 83 02 C0 F1"),
    ],
)
def test_published_requests_get_the_published_replies(
    unit: int, values: tuple[int, int, int], request_hex: str, reply_hex: str
) -> None:
    assert said(RtuLine([three_registers(unit, values)]), request_hex) == reply_hex


def test_sunspec_marker_as_published() -> None:
    unit = unit_of(1, {"s": 0x53756E53}, word("s", 40000, kind="u32"))
    assert said(RtuLine([unit]), "01 03 9C 40 00 02 EB 8F") == "01 03 04 53 75 6E 53 96 F0"


def test_a_request_in_pieces_and_two_units_on_one_line() -> None:
    line = RtuLine([three_registers(17, (555, 0, 100)), three_registers(1, (7, 8, 9))])
    request = bytes.fromhex("11 03 00 6B 00 03 76 87")
    got = [line.hear(request[n : n + 1], n * 0.001) for n in range(8)]
    assert [len(pieces) for pieces in got] == [0] * 7 + [1]
    # For unit 1 the CRC is 74 17 (run on a public example).
    assert said(line, "01 03 00 6B 00 03 74 17", 1.0).startswith("01 03 06 00 07 00 08 00 09")


@pytest.mark.parametrize(
    "request_hex",
    [
        "01 03 00 6B 00 03 76 87",  # a published trap: that CRC belongs to unit 17
        "05 03 00 6B 00 03 76 87",
        "07 03 00 6B 00 03 74 71",  # CRC right: nobody has this number
        "11 03 00 6B",
    ],
)
def test_says_nothing_to_a_wrong_check_another_unit_or_half_a_frame(request_hex: str) -> None:
    line = RtuLine([three_registers(17, (1, 2, 3)), three_registers(1, (1, 2, 3))])
    assert said(line, request_hex) == ""
    assert said(line, "11 03 00 6B 00 03 76 87", 1.0) != ""  # after a silence the line is clean again


@pytest.mark.parametrize(
    "request_hex",
    [
        "11 06 00 01 00 03 9A 9B",  # published writes: one register, several registers, coils
        "11 05 00 AC FF 00 4E 8B",
        "11 0F 00 13 00 0A 02 CD 01 BF 0B",
    ],
)
def test_writes_are_refused_and_counted(request_hex: str) -> None:
    line = RtuLine([three_registers(17, (1, 2, 3))])
    reply = bytes.fromhex(said(line, request_hex))
    assert reply[1] == bytes.fromhex(request_hex)[1] | 0x80 and reply[2] == 1
    assert line.writes == 1


@pytest.mark.parametrize(
    ("value", "kind", "low_first", "words"),
    [
        # Encodings by the IEEE 754 and two's complement definitions (struct), word orders as published.
        (12.5, "f32", False, (0x4148, 0x0000)),
        (12.5, "f32", True, (0x0000, 0x4148)),
        (-1.1, "f32", False, (0xBF8C, 0xCCCD)),
        (123456, "s32", False, (0x0001, 0xE240)),
        (-1100, "s32", True, (0xFBB4, 0xFFFF)),
        (-1, "s16", False, (0xFFFF,)),
        (None, "f32", False, (0x7FC0, 0x0000)),
        (None, "s16", False, (0x8000,)),
        (None, "u16", False, (0xFFFF,)),
        (1e9, "u16", False, (0xFFFF,)),
    ],
)
def test_values_into_words(value: float | None, kind: str, low_first: bool, words: tuple[int, ...]) -> None:
    assert word("q", 0, kind=kind, low_first=low_first).words(value) == words


def test_a_map_with_identity_readable_gap_and_several_markers() -> None:
    table = RegisterTable.parse("""
        [identity]
        table = "holding"
        address = 9
        type = "u32"
        words = "low-first"
        value = 0x12345678
        [[readable]]
        table = "holding"
        address = 11
        count = 2
        [[point]]
        quantity = "bank_c"
        table = "holding"
        address = 13
        type = "s16"
        scale = 0.1
        missing = [-32768, 0x7FFF]
        """)
    unit = RtuUnit(1, table)
    unit.show({"bank_c": -5.5}, 0.0)
    assert unit.block(unit.image(), "holding", 9, 5) == (0x5678, 0x1234, 0, 0, 0xFFC9)
    unit.show({}, 1.0)
    assert unit.block(unit.image(), "holding", 13, 1) == (0x8000,)
    assert unit.block(unit.image(), "holding", 13, 2) is None


ASK = "11 03 00 6B 00 03 76 87"
GOOD = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")


def struck(fault: Fault) -> tuple[RtuLine, list[tuple[float, bytes]]]:
    points = (word("a", 0x6B, most=600.0), word("b", 0x6C, missing=(65535,)), word("c", 0x6D))
    line = RtuLine([unit_of(17, {"a": 555, "b": 0, "c": 100}, *points)], faults=ListedFaults([fault]))
    return line, [(piece.at_s, piece.data) for piece in line.hear(bytes.fromhex(ASK), 10.0)]


def crc_right(data: bytes) -> bool:
    return len(data) > 3 and check_bytes(data[:-2]) == data[-2:]


def test_faults_of_the_frame() -> None:
    def sent(kind: str) -> bytes:
        return b"".join(data for _, data in struck(Fault(kind))[1])

    assert sent("silent") == b""
    assert len(sent("bad-crc")) == len(GOOD) and not crc_right(sent("bad-crc"))
    assert GOOD.startswith(sent("cut")) and len(sent("cut")) < len(GOOD)
    assert sent("exception") == bytes.fromhex("11 83 04") + check_bytes(bytes.fromhex("11 83 04"))
    assert sent("wrong-unit")[0] != 17 and crc_right(sent("wrong-unit"))
    assert sent("wrong-function")[1] == 4 and crc_right(sent("wrong-function"))
    assert sent("short")[2] == 4 and crc_right(sent("short"))
    assert sent("long")[2] == 8 and crc_right(sent("long"))
    assert sent("noise").endswith(GOOD) and sent("noise-after").startswith(GOOD)
    assert sent("duplicated") == GOOD + GOOD


def test_faults_of_time() -> None:
    assert struck(Fault("late", delay_s=0.45))[1] == [(10.45, GOOD)]
    assert struck(Fault("pause", delay_s=0.04))[1] == [(10.0, GOOD[:5]), (10.04, GOOD[5:])]


def test_one_late_gives_each_answer_to_the_next_request() -> None:
    unit = three_registers(17, (555, 0, 100))
    line = RtuLine([unit], faults=ListedFaults([Fault("one-late", lasts=3)]))
    assert said(line, ASK, 1.0) == ""
    unit.show({"a": 556, "b": 0, "c": 100}, 2.0)
    assert bytes.fromhex(said(line, ASK, 3.0)) == GOOD
    assert "02 2C" in said(line, ASK, 4.0)
    unit.show({"a": 557, "b": 0, "c": 100}, 5.0)
    assert "02 2D" in said(line, ASK, 6.0)  # over: answers in time again


def test_faults_of_values_and_what_the_log_says_of_them() -> None:
    line, sent = struck(Fault("impossible"))
    assert line.log[-1].touched == "a" and line.log[-1].registers == (65535, 0, 100) and crc_right(sent[0][1])
    line, sent = struck(Fault("missing"))
    assert line.log[-1].touched == "b" and line.log[-1].registers == (555, 65535, 100)
    line, sent = struck(Fault("nan"))  # no float here: nothing to strike
    assert (line.log[-1].fault, sent) == (None, [(10.0, GOOD)])


def test_frozen_keeps_the_first_values_and_thaws() -> None:
    unit = three_registers(17, (555, 0, 100))
    line = RtuLine([unit], faults=ListedFaults([Fault("frozen", lasts=2)]))
    assert bytes.fromhex(said(line, ASK, 1.0)) == GOOD
    unit.show({"a": 556, "b": 0, "c": 100}, 2.0)
    assert bytes.fromhex(said(line, ASK, 3.0)) == GOOD
    assert "02 2C" in said(line, ASK, 4.0)


def test_memory_tells_every_content_a_block_had() -> None:
    unit = three_registers(17, (1, 0, 0))
    line = RtuLine([unit])
    for n in range(2, 6):
        unit.show({"a": n, "b": 0, "c": 0}, float(n))
    assert [block[0] for block in line.was(17, "holding", 0x6B, 3, 2.5, 4.0)] == [2, 3, 4]
    assert line.was(17, "holding", 0x6A, 3, 2.5, 4.0) == []


def test_seeded_faults_are_the_same_for_the_same_seed_and_as_often_as_asked() -> None:
    shares = dict.fromkeys(FAULTS, 0.02)
    runs = [[SeededFaults(seed, shares).next(2) for seed in (4,) for _ in range(3)] for _ in range(2)]
    assert runs[0] == runs[1]
    plan = SeededFaults(4, shares)
    kinds = [fault.kind for fault in (plan.next(2) for _ in range(10_000)) if fault]
    assert set(kinds) == set(FAULTS)
    assert len(kinds) == pytest.approx(0.02 * len(FAULTS) * 10_000, rel=0.1)
    with pytest.raises(ValueError, match="known faults"):
        SeededFaults(4, {"gremlins": 0.1})
    with pytest.raises(ValueError, match="gremlins"):
        Fault("gremlins")


def test_a_paced_line_takes_the_time_of_a_wire() -> None:
    # 8N1 at 9600 Bd: 8 + 11 characters of 1.0417 ms and two silences of 4.01 ms.
    line = RtuLine([three_registers(17, (555, 0, 100))], baud=9600, turnaround_s=0.02)
    (piece,) = line.hear(bytes.fromhex(ASK), 5.0)
    assert piece.at_s - 5.0 == pytest.approx(19 * 10 / 9600 + 2 * 0.0040104 + 0.02, abs=1e-5)


def test_log_is_in_order_and_carries_what_was_sent() -> None:
    line = RtuLine([three_registers(17, (555, 0, 100))], echo=True)
    for n in range(3):
        assert said(line, ASK, float(n)).startswith(ASK)
    assert [exchange.sent for exchange in line.log] == [GOOD] * 3
    assert all(one.at_s < two.at_s for one, two in pairwise(line.log))
