"""The packed row: what goes in comes out, in the channel's step; damage is found; names are kept once."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.record import packing
from daemon.record.catalogue import REASONS_MOST, Catalogue, Channel, UnknownNumber
from daemon.record.packing import DamagedRow, check_row, oldest_ms, pack_row, row_key, split_key, unpack_row
from shared.quantities import QUANTITIES
from shared.readings import Reading

KEY = row_key(3, 100_000)


def there_and_back(readings: list[Reading], key: int = KEY) -> list[Reading]:
    catalogue = Catalogue()
    return unpack_row(key, pack_row(key, readings, catalogue), catalogue)


def test_a_row_gives_back_values_suspicions_and_what_was_missing() -> None:
    readings = [
        Reading("shunt", 91.25, {"bank_v": 13.247, "bank_a": -0.318}, {}, ("bank_c",)),
        Reading("controller", 92.0, {"panel_w": 21.37}, {"controller_c": "over its range"}, ()),
        Reading("shunt", 92.251, {"bank_v": 13.246, "bank_a": 0.0}, {}, ("bank_c",)),
        Reading("lid", 93.0, {"door": 1.0}),
        Reading("mute", 94.0, {}),
    ]
    assert there_and_back(readings) == readings


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_quantity_is_kept_to_half_its_step_over_its_whole_range(quantity: str) -> None:
    row = QUANTITIES[quantity]
    values = [row.least, row.most, row.least + (row.most - row.least) / 3.0, 0.0, row.most]
    readings = [Reading("one", float(count), {quantity: value}) for count, value in enumerate(values)]
    for reading, value in zip(there_and_back(readings), values, strict=True):
        assert abs(reading.values[quantity] - value) <= row.step / 2.0 * (1.0 + 1e-9)


def test_a_value_on_the_step_comes_back_as_the_same_float() -> None:
    readings = [Reading("shunt", count / 10.0, {"bank_v": count / 1000.0}) for count in range(1000)]
    assert there_and_back(readings) == readings


one_value = st.one_of(
    st.floats(-1e5, 1e5), st.integers(-(10**9), 10**9).map(float), st.sampled_from([0.0, 1e12, -1e12])
)
one_reading = st.builds(
    Reading,
    st.sampled_from(["shunt", "controller", "über"]),
    st.integers(0, 100_000).map(lambda ms: ms / 1000.0),
    st.dictionaries(st.sampled_from(["bank_v", "bank_a", "door"]), one_value, max_size=3),
    st.dictionaries(st.sampled_from(["bank_c", "panel_v"]), st.text(max_size=50), max_size=2),
    st.sampled_from([(), ("load_a",), ("load_a", "panel_w")]),
)


@given(st.lists(one_reading, min_size=1, max_size=40))
def test_any_mix_of_readings_comes_back_in_order_of_time(readings: list[Reading]) -> None:
    def plain(reading: Reading) -> tuple[object, ...]:
        values = {name: round(value / QUANTITIES[name].step) for name, value in reading.values.items()}
        return reading.instrument, reading.at_s, values, dict(reading.suspect), reading.missing

    found = there_and_back(readings)
    assert [reading.at_s for reading in found] == sorted(reading.at_s for reading in readings)
    assert sorted(map(repr, map(plain, found))) == sorted(map(repr, map(plain, readings)))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None, "12"])
@pytest.mark.parametrize("count", [1, 3])
def test_a_value_that_cannot_be_kept_is_suspect_and_takes_nothing_else_with_it(value: float, count: int) -> None:
    readings = [Reading("shunt", float(at), {"bank_v": 13.2, "bank_a": value}) for at in range(count)]
    for reading in there_and_back([*readings, Reading("controller", 5.0, {"panel_v": 18.0})])[:count]:
        assert reading.values == {"bank_v": 13.2}
        assert reading.suspect == {"bank_a": f"value could not be kept: {value}"}


def test_a_jump_that_no_column_can_hold_leaves_its_neighbours_in_the_record() -> None:
    readings = [Reading("shunt", float(at), {"bank_a": value}) for at, value in enumerate((1.0, 1e300, 2.0))]
    good, bad, also_good = there_and_back(readings)
    assert (good.values, also_good.values) == ({"bank_a": 1.0}, {"bank_a": 2.0})
    assert (bad.values, list(bad.suspect)) == ({}, ["bank_a"])


def test_one_quantity_or_one_instrument_is_picked_from_a_row() -> None:
    catalogue = Catalogue()
    readings = [
        Reading("shunt", 1.0, {"bank_v": 13.2, "bank_a": 1.0}),
        Reading("controller", 2.0, {"panel_v": 18.0}, {"bank_v": "stuck"}),
        Reading("lid", 3.0, {"door": 0.0}, {}, ("bank_v",)),
        Reading("rack", 4.0, {"computer_c": 31.0}),
    ]
    row = pack_row(KEY, readings, catalogue)
    assert unpack_row(KEY, row, catalogue, instrument="controller") == [readings[1]]
    assert unpack_row(KEY, row, catalogue, quantity="bank_v") == [
        Reading("shunt", 1.0, {"bank_v": 13.2}),
        Reading("controller", 2.0, {}, {"bank_v": "stuck"}),
        Reading("lid", 3.0, {}, {}, ("bank_v",)),
    ]


def test_a_late_reading_is_told_by_the_row_without_unpacking() -> None:
    row = pack_row(KEY, [Reading("a", 99.0, {}), Reading("b", 42.5, {})], Catalogue())
    assert oldest_ms(KEY, row) == 42_500


def test_every_single_flipped_bit_is_found_in_the_row_and_in_its_key() -> None:
    row = pack_row(
        KEY, [Reading("shunt", 99.0, {"bank_v": 13.2}), Reading("shunt", 100.0, {"bank_v": 13.1})], Catalogue()
    )
    check_row(KEY, row)
    for bit in range(len(row) * 8):
        damaged = bytearray(row)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(DamagedRow):
            check_row(KEY, bytes(damaged))
    for bit in range(63):
        with pytest.raises(DamagedRow):
            check_row(KEY ^ 1 << bit, row)


@given(st.binary(max_size=60))
def test_rubbish_behind_a_fitting_checksum_is_damage_or_unknown_never_a_crash(rubbish: bytes) -> None:
    body = bytes([packing.FORMAT]) + rubbish
    row = packing._crc(KEY, body).to_bytes(4, "big") + body
    catalogue = Catalogue([(1, "shunt")], [(1, 1, "bank_v", 0.001)], [(1, "stuck")])
    try:
        unpack_row(KEY, row, catalogue)
    except (DamagedRow, UnknownNumber):
        return


def test_the_checksum_is_the_usual_crc_32() -> None:
    # CRC RevEng catalogue, entry CRC-32/ISO-HDLC: check = 0xCBF43926 over ASCII "123456789".
    assert packing._crc(int.from_bytes(b"12345678", "big"), b"9") == 0xCBF43926


def test_keys_hold_34_years_and_8_million_boots_and_refuse_more() -> None:
    assert split_key(row_key(8_388_607, 2**40 - 1)) == (8_388_607, 2**40 - 1)
    assert row_key(8_388_607, 2**40 - 1) < 2**63  # what an SQLite row id can be
    for boot, ms in ((8_388_608, 0), (1, 2**40), (1, -1), (-1, 0)):
        with pytest.raises(ValueError, match="outside"):
            row_key(boot, ms)


def test_a_row_of_ten_shunt_readings_and_one_of_the_controller_stays_small() -> None:
    shunt = [
        Reading("shunt", 90.0 + n + 0.003 * (n % 3), {"bank_v": 13.2 + n % 4 / 1000.0, "bank_a": -0.5 + n % 5 / 100.0})
        for n in range(10)
    ]
    controller = Reading("controller", 99.5, {"panel_v": 18.2, "panel_a": 1.2, "charge_a": 1.6, "controller_c": 31.2})
    assert len(pack_row(KEY, [*shunt, controller], Catalogue())) < 100


def test_a_reason_is_kept_once_and_past_the_limit_goes_into_the_row() -> None:
    catalogue = Catalogue()
    readings = [Reading("shunt", n / 100.0, {}, {"bank_v": f"{n} V is over 80"}) for n in range(REASONS_MOST + 20)]
    row = pack_row(KEY, readings, catalogue)
    assert len(catalogue.additions.reasons) == REASONS_MOST
    assert unpack_row(KEY, row, catalogue) == readings


def test_a_channel_whose_step_has_changed_gets_a_number_of_its_own_and_old_rows_stay_right() -> None:
    catalogue = Catalogue()
    fine = Reading("shunt", 1.0, {"bank_v": 13.247})
    old = pack_row(KEY, [fine], catalogue)
    catalogue.add(Channel("shunt", "bank_v", 0.1))
    new = pack_row(KEY, [fine], catalogue)
    assert unpack_row(KEY, old, catalogue) == [fine]
    assert unpack_row(KEY, new, catalogue) == [replace(fine, values={"bank_v": 13.2})]
    catalogue.add(Channel("shunt", "bank_v"))
    assert pack_row(KEY, [fine], catalogue) == old


def test_a_catalogue_that_is_too_old_says_so() -> None:
    row = pack_row(KEY, [Reading("shunt", 1.0, {"bank_v": 13.2})], Catalogue())
    with pytest.raises(UnknownNumber):
        unpack_row(KEY, row, Catalogue())
