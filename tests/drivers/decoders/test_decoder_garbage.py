"""Garbage into every decoder; the long form is tests/bench/decoder_fuzz.py."""

import pytest

from drivers.decoders import text_lines
from drivers.text_maps import TextMap
from servers.decoder_garbage import run_garbage

INPUTS = 5000


def test_garbage_gives_no_exception_and_no_reading_without_a_right_checksum() -> None:
    tally = run_garbage(7, INPUTS)
    assert (tally.exceptions, tally.unfounded) == (0, 0), tally.examples[:3]
    assert tally.readings >= 50  # some damaged records are right again by chance: the judge had work


def test_the_judge_sees_a_decoder_that_does_not_look_at_checksums(monkeypatch: pytest.MonkeyPatch) -> None:
    def blind(record: bytes, text_map: TextMap) -> tuple[bytes | None, str]:
        at = record.rfind(text_map.check.mark)
        return (record[len(text_map.start) : at], "") if at >= 0 else (None, "no mark")

    monkeypatch.setattr(text_lines, "open_record", blind)
    assert run_garbage(7, INPUTS).unfounded > 20
