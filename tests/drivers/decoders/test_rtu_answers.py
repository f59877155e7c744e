"""Telling the answer from everything else that may come over the line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decoders.register_plans import Request
from drivers.decoders.rtu_answers import crc16, explain, find_answer, is_frame

# MODBUS Application Protocol V1.1b3, 6.3: read 3 holding registers from 0x006B, unit 17; answer 555, 0, 100.
ASKED = Request(17, "holding", 0x6B, 3)
ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")


def sealed(*body: int) -> bytes:
    return bytes(body) + crc16(bytes(body)).to_bytes(2, "little")


def test_the_checksum_gives_the_published_values() -> None:
    assert crc16(b"123456789") == 0x4B37  # CRC catalogue, CRC-16/MODBUS, check
    assert crc16(bytes.fromhex("02 07")) == 0x1241  # MODBUS over Serial Line Guide V1.02, figure 30


@pytest.mark.parametrize(
    "text",
    ["11 03 00 6B 00 03 87 76", "01 03 00 6B 00 03 76 87"],  # bytes swapped; unit 17's checksum on unit 1, a known trap
)
def test_a_wrong_checksum_is_no_frame(text: str) -> None:
    assert not is_frame(bytes.fromhex(text))


def test_the_published_answer_is_found_alone_and_with_up_to_three_stray_bytes_around_it() -> None:
    for before, after in ((b"", b""), (b"\x00", b"\xff\x00"), (b"\xff\x00\x11", b""), (b"", b"\x11\x03\x06")):
        assert find_answer(before + ANSWER + after, ASKED) == ANSWER
    assert find_answer(b"\x00\x00\x00\x00" + ANSWER, ASKED) is None
    assert find_answer(ANSWER + b"\x00\x00\x00\x00", ASKED) is None


def test_an_exception_reply_is_an_answer_of_its_function_only() -> None:
    refusal = bytes.fromhex("11 83 02 C1 34")  # computed by rule, checked against a public implementation
    assert find_answer(refusal, ASKED) == refusal
    assert find_answer(refusal, Request(17, "input", 0x6B, 3)) is None


OTHERS = [
    (b"\x11\x03\x06\x02\x2b", "cut short after 5 of 11"),
    (ANSWER[:-1] + b"\x00", "wrong checksum"),
    (b"\xa5\x5a\xff", "noise or a wrong checksum: 3 bytes, a5 5a ff"),
    (sealed(18, 3, 6, 2, 43, 0, 0, 0, 100), "unit 18 instead of 17"),
    (sealed(17, 4, 6, 2, 43, 0, 0, 0, 100), "function 4 instead of 3"),
    (sealed(17, 3, 4, 2, 43, 0, 0), "2 registers instead of 3"),
    (sealed(17, 3, 8, 2, 43, 0, 0, 0, 100, 0, 0), "4 registers instead of 3"),
    (bytes.fromhex("11 03 00 6B 00 03 76 87"), "set echo = true"),
    (ANSWER + ANSWER, "more on the line than the answer"),
    (sealed(17, 3, 4, 2, 43, 0, 0) + ANSWER, "2 registers instead of 3"),
]


@pytest.mark.parametrize(("data", "word"), OTHERS)
def test_what_is_not_the_answer_is_refused_and_explained(data: bytes, word: str) -> None:
    assert find_answer(data, ASKED) is None
    assert word in explain(data, ASKED)


@given(st.binary(max_size=60), st.sampled_from([ASKED, Request(1, "input", 0, 1), Request(2, "holding", 9, 20)]))
def test_whatever_comes_only_a_frame_of_the_right_shape_is_an_answer(data: bytes, request: Request) -> None:
    found = find_answer(data, request)
    assert found is None or (is_frame(found) and found[0] == request.unit and found in data)
    if data:
        assert explain(data, request)


@given(st.integers(0, 10), st.integers(0, 10), st.integers(0, 7))
def test_one_flipped_bit_anywhere_is_never_accepted(start: int, byte: int, bit: int) -> None:
    spoiled = bytearray(ANSWER)
    spoiled[byte] ^= 1 << bit
    assert find_answer(bytes(spoiled)[start:], ASKED) is None
