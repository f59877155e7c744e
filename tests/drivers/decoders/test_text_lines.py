"""The decoder of text records: golden logs cut three ways, each fault by itself, and what no input may do."""

import json
from collections.abc import Mapping
from functools import reduce
from pathlib import Path

import pytest

from drivers.decoders.text_checks import check_value, open_record
from drivers.decoders.text_framing import RECORD_MOST
from drivers.decoders.text_lines import TextFault, TextLinesDecoder
from drivers.text_maps import load_text_map
from drivers.virtual.text_stream import STREAM_FAULTS, TextForm
from servers.text_forms import CHECKED, FORMS
from shared.readings import Reading

LOGS = Path(__file__).parents[2] / "logs"
VALUES = {"bank_v": 12.864, "bank_a": -0.412, "bank_c": 18.5}


def decoder(form: str) -> TextLinesDecoder:
    return TextLinesDecoder("shunt", load_text_map(FORMS[form], form))


def as_row(event: Reading | TextFault) -> Mapping[str, object]:
    if isinstance(event, TextFault):
        return {"fault": event.why}
    return {"values": dict(event.values), "suspect": dict(event.suspect), "missing": list(event.missing)}


def written(form: str, **changed: float | None) -> bytes:
    """A right record by the simulated site's own code."""
    return TextForm.parse(FORMS[form]).write({**VALUES, "bank_ah_counter": 1.0, **changed})


def in_step(form: str) -> TextLinesDecoder:
    """A decoder that has heard a boundary."""
    made = decoder(form)
    made.feed(written(form), 0.0)
    return made


def readings(events: list[Reading | TextFault]) -> list[Reading]:
    return [event for event in events if isinstance(event, Reading)]


@pytest.mark.parametrize("step", [1, 5, 4096])
@pytest.mark.parametrize(("log", "form"), [("text-sentence", "sentence"), ("text-pairs", "blank-line")])
def test_replay_gives_the_golden_events(log: str, form: str, step: int) -> None:
    """The same log, cut three ways: where a read ends must not change what is decoded."""
    rows = [row for row in (LOGS / f"{log}.hex").read_text().splitlines() if not row.startswith("#")]
    sent = bytes.fromhex(" ".join(rows))
    golden = [json.loads(row) for row in (LOGS / f"{log}.golden.jsonl").read_text().splitlines()]
    made = decoder(form)
    events = [event for start in range(0, len(sent), step) for event in made.feed(sent[start : start + step], 0.0)]
    assert [as_row(event) for event in events] == golden


# -- checksums -------------------------------------------------------------------------------------


def test_the_checksums_are_those_of_their_definitions() -> None:
    # MODBUS over Serial Line Guide V1.02, 6.2.2: the CRC-16 of ASCII "123456789" is 0x4B37.
    assert check_value("crc16", b"123456789") == 0x4B37
    # By definition, worked out by hand: 0x31 ^ 0x32 = 0x03, ^ 0x33 = 0x30; 0x31 + 0x32 + 0x33 = 0x96.
    assert check_value("xor", b"123") == 0x30
    assert check_value("sum8", b"123") == 0x96
    assert check_value("sum8", b"\xff\x02") == 0x01


def test_a_position_sentence_in_the_manner_of_the_standard_has_its_known_checksum() -> None:
    # The sentence most tutorials of NMEA 0183 show, with its checksum 47; from memory.
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    body, why = open_record(b"$" + sentence + b"*47", load_text_map(FORMS["sentence"], "m"))
    assert (body, why) == (sentence, "")


@pytest.mark.parametrize("form", CHECKED)
def test_a_record_with_any_one_bit_wrong_is_refused(form: str) -> None:
    right = written(form)
    for place in range(len(right)):
        for bit in range(8):
            wrong = right[:place] + bytes((right[place] ^ 1 << bit,)) + right[place + 1 :]
            found = readings(in_step(form).feed(wrong, 0.1))
            # A small hex digit for a capital is the same checksum; what follows the checksum may be wrong.
            assert [r for r in found if dict(r.values) != good_values(form)] == [], wrong


def good_values(form: str) -> Mapping[str, float]:
    found = readings(in_step(form).feed(written(form), 0.1))
    return dict(found[0].values)


@pytest.mark.parametrize("form", FORMS)
def test_each_form_is_read(form: str) -> None:
    record = written(form).replace(b".", b",") if form == "bare" else written(form)
    made = decoder(form)
    found = [reading for n in range(3) for reading in readings(made.feed(record, float(n)))]
    assert len(found) >= 2
    for quantity, value in VALUES.items():
        assert found[-1].values[quantity] == pytest.approx(value)
    assert found[-1].at_s == 2.0


@pytest.mark.parametrize("form", FORMS)
def test_a_missing_value_is_missing_and_never_zero(form: str) -> None:
    record = written(form, bank_c=None)
    made = in_step(form)
    (found,) = readings(made.feed(record.replace(b".", b",") if form == "bare" else record, 0.1))
    assert found.missing == ("bank_c",)
    assert "bank_c" not in found.values


# -- what must not become a reading ----------------------------------------------------------------


@pytest.mark.parametrize("form", CHECKED)
@pytest.mark.parametrize("count", [1, 2, 4])
def test_nul_bytes_inside_a_record_spoil_it(form: str, count: int) -> None:
    """XOR and sums are the same with NULs in between; the record is refused all the same."""
    right = written(form)
    for place in range(1, right.index(b"12")):
        made = in_step(form)
        assert readings(made.feed(right[:place] + bytes(count) + right[place:], 0.1)) == []


@pytest.mark.parametrize("form", FORMS)
def test_a_record_cut_anywhere_is_none(form: str) -> None:
    right = written(form).replace(b".", b",") if form == "bare" else written(form)
    truth = dict(readings(in_step_bare(form, right).feed(right, 0.1))[0].values)
    for cut in range(1, len(right)):
        made = in_step_bare(form, right)
        found = readings(made.feed(right[:cut] + right, 0.1))
        assert all(dict(reading.values) == truth for reading in found), cut


def in_step_bare(form: str, right: bytes) -> TextLinesDecoder:
    made = decoder(form)
    made.feed(right, 0.0)
    return made


def test_without_a_checksum_shape_count_and_every_value_must_hold() -> None:
    made = decoder("bare")
    made.feed(b"12,8;0,5;20\r\n", 0.0)
    bad = [
        b"12,8;0,5\r\n",
        b"12,8;0,5;20;1\r\n",
        b"99;0,5;20\r\n",
        b"12,8;5OO;20\r\n",
        b"12,8;999;20\r\n",
        b"12.8;0,5;20\r\n",
    ]
    for record in bad:
        events = made.feed(record, 1.0)
        assert [type(event) for event in events] == [TextFault], record
    (good,) = made.feed(b"12,8;0,5;n/a\r\n", 2.0)
    assert isinstance(good, Reading) and good.missing == ("bank_c",)


def test_what_was_half_said_before_opening_is_dropped() -> None:
    """The remainder of a bare record could pass for a whole one: 12,8;0,5;20 cut to 2,8;..."""
    made = decoder("bare")
    assert made.feed(b"2,8;0,5;20\r\n", 0.0) == []
    assert len(readings(made.feed(b"12,8;0,5;20\r\n", 1.0))) == 1
    made.reset()
    assert made.feed(b"2,9;0,5;20\r\n", 2.0) == []


@pytest.mark.parametrize("form", FORMS)
def test_a_record_that_halts_is_given_up_and_the_next_one_counts(form: str) -> None:
    right = written(form).replace(b".", b",") if form == "bare" else written(form)
    made = in_step_bare(form, right)
    assert readings(made.feed(right[: len(right) // 2], 1.0)) == []
    found = made.feed(right[len(right) // 2 :], 2.0)
    assert readings(found) == []
    assert any("halted" in event.why for event in found if isinstance(event, TextFault))
    later = [r for n in (3.0, 4.0) for r in readings(made.feed(right, n))]
    assert len(later) >= 1


@pytest.mark.parametrize("form", FORMS)
def test_a_stream_without_an_end_is_bounded(form: str) -> None:
    made = decoder(form)
    events = [event for n in range(64) for event in made.feed(b"0123456789abcdef" * 16, n / 100)]
    assert readings(events) == []
    assert 1 <= len(events) <= 64 * 256 / RECORD_MOST
    assert len(made._framer._buffer) <= RECORD_MOST


def test_other_sentences_on_the_line_are_passed_over_and_counted() -> None:
    made = decoder("sentence")
    body = b"ALM,3"
    check = reduce(lambda total, byte: total ^ byte, body, 0)
    assert made.feed(b"$%b*%02X\r\n" % (body, check), 0.0) == []
    assert made.passed_over == 1


def test_what_it_says_of_a_record_can_go_to_a_terminal() -> None:
    made = in_step("sentence")
    for event in made.feed(b"$\x1b[2J\x07\x9b" + b"x" * 300 + b"\r\n", 0.1):
        assert isinstance(event, TextFault)
        assert event.why.isprintable() and len(event.why) < 200


def test_the_faults_of_the_stream_are_the_ones_tested_here() -> None:
    assert set(STREAM_FAULTS) == {
        *("silent", "cut", "glued", "bad-sum", "junk", "nul", "burst", "halted", "impossible"),
    }
