"""Registers to values: types, word orders, markers, plausible ranges, against published images."""

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decoders.register_map import decode, number_of, raw_of
from drivers.decoders.register_plans import Request
from drivers.register_maps import load_register_map
from shared.readings import Reading

LOGS = Path(__file__).parents[2] / "logs"

# The 32-bit images follow from IEEE 754 and two's complement; the word orders "high first" (ABCD) and
# "low first" (CDAB) were checked against the pymodbus 3.16.1 converter, which is not used here.
IMAGES = [
    ("f32", 0x4148, 0x0000, 12.5),
    ("f32", 0x4153, 0x3333, 13.199999809),
    ("f32", 0xBF8C, 0xCCCD, -1.100000024),
    ("f32", 0x42F6, 0xE979, 123.456001282),
    ("f32", 0x8000, 0x0000, -0.0),
    ("s32", 0x0001, 0xE240, 123456),
    ("s32", 0xFFFF, 0xFBB4, -1100),
    ("u32", 0xFFFF, 0xFBB4, 4294966196),
]


@pytest.mark.parametrize(("kind", "high", "low", "value"), IMAGES)
def test_two_registers_in_both_word_orders(kind: str, high: int, low: int, value: float) -> None:
    for registers, words in (((high, low), "high-first"), ((low, high), "low-first")):
        assert number_of(raw_of(registers, kind, words), kind) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "register", "value"), [("u16", 0xFFFE, 65534), ("s16", 0xFFFE, -2), ("s16", 0x8000, -32768), ("s16", 7, 7)]
)
def test_one_register(kind: str, register: int, value: float) -> None:
    assert number_of(raw_of((register,), kind, "high-first"), kind) == value


def reading_of(point: str, *registers: int) -> Reading:
    register_map = load_register_map(f'[[point]]\nquantity = "bank_v"\ntable = "input"\naddress = 5\n{point}', "m")
    return decode("shunt", register_map, [Request(2, "input", 5, len(registers))], [registers], 12.0)


def test_scale_and_offset() -> None:
    reading = reading_of('type = "s16"\nscale = 0.1\noffset = 40', 0xFF9C)  # -100
    assert reading.values == {"bank_v": 30.0}
    assert (reading.instrument, reading.at_s) == ("shunt", 12.0)


@pytest.mark.parametrize(
    ("point", "registers"),
    [
        ('type = "u16"\nmissing = 0xFFFF\nscale = 0.001', (0xFFFF,)),
        ('type = "s16"\nmissing = -32768', (0x8000,)),
        ('type = "u16"\nmissing = [0, 0x7FFF]', (0x7FFF,)),
        ('type = "u32"\nmissing = 0x80000000', (0x8000, 0)),
        ('type = "s32"\nwords = "low-first"\nmissing = -1', (0xFFFF, 0xFFFF)),
        ('type = "f32"', (0x7FC0, 0)),  # the quiet NaN of IEEE 754
        ('type = "f32"', (0xFFFF, 0xFFFF)),  # any other NaN
        ('type = "f32"\nmissing = 0xC61C3C00', (0xC61C, 0x3C00)),  # -9999.0
    ],
)
def test_a_missing_marker_is_no_value(point: str, registers: tuple[int, ...]) -> None:
    reading = reading_of(point, *registers)
    assert (dict(reading.values), dict(reading.suspect), reading.missing) == ({}, {}, ("bank_v",))


@pytest.mark.parametrize(
    ("point", "registers", "word"),
    [
        ('type = "u16"', (81,), "81 V is outside of 0 to 80 V"),
        ('type = "u16"\nmin = 10\nmax = 15', (9,), "9 V is outside of 10 to 15 V"),
        ('type = "f32"', (0x7F80, 0), "inf V"),
        ('type = "f32"', (0xFF80, 0), "-inf V"),
    ],
)
def test_what_cannot_be_is_suspect_with_why_and_never_a_value(
    point: str, registers: tuple[int, ...], word: str
) -> None:
    reading = reading_of(point, *registers)
    assert (dict(reading.values), reading.missing) == ({}, ())
    assert word in reading.suspect["bank_v"]


def test_the_limits_themselves_are_allowed() -> None:
    assert reading_of('type = "u16"\nmin = 10\nmax = 15', 10).values == {"bank_v": 10.0}
    assert reading_of('type = "u16"\nmin = 10\nmax = 15', 15).values == {"bank_v": 15.0}


def test_refused_registers_are_suspect_and_the_others_good() -> None:
    text = "".join(
        f'[[point]]\nquantity = "{quantity}"\ntable = "{table}"\naddress = 1\ntype = "u16"\n'
        for quantity, table in (("bank_v", "input"), ("bank_c", "holding"))
    )
    requests = [Request(2, "input", 1, 1), Request(2, "holding", 1, 1)]
    reading = decode("shunt", load_register_map(text, "m"), requests, [(12,), None], 1.0)
    assert reading.values == {"bank_v": 12.0}
    assert reading.suspect == {"bank_c": "the instrument refused these registers"}


@given(st.sampled_from(["u16", "s16", "u32", "s32", "f32"]), st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2))
def test_whatever_the_registers_hold_a_value_lies_in_its_range(kind: str, registers: list[int]) -> None:
    width = 1 if kind.endswith("16") else 2
    reading = reading_of(f'type = "{kind}"\nmin = 8\nmax = 32', *registers[:width])
    assert len(reading.values) + len(reading.suspect) + len(reading.missing) == 1
    for value in reading.values.values():
        assert math.isfinite(value)
        assert 8 <= value <= 32


def test_the_golden_log_gives_the_golden_readings() -> None:
    """Registers of an invented shunt, and what this project's own code made of them when it was recorded."""
    map_text = (Path(__file__).parents[3] / "config/maps/example-shunt.toml").read_text()
    register_map = load_register_map(map_text, "example-shunt.toml")
    request = Request(2, "input", 1510, 7)
    rows = [line for line in (LOGS / "register-map.hex").read_text().splitlines() if not line.startswith("#")]
    golden = [json.loads(line) for line in (LOGS / "register-map.golden.jsonl").read_text().splitlines()]
    found = []
    for number, row in enumerate(rows):
        registers = [int(word, 16) for word in row.split()]
        reading = decode("shunt", register_map, [request], [registers], float(number))
        found.append(
            {"values": dict(reading.values), "suspect": dict(reading.suspect), "missing": list(reading.missing)}
        )
    assert found == golden
