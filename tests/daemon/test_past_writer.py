"""The process that writes a demo's past: what is handed over is recorded, what goes wrong is said, nothing is left."""

import os
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.past_writer import PastWriter
from daemon.record import Anchor, Batch, RecordReader
from daemon.record.files import LOCK_NAME, RecordLock
from shared.readings import Reading

BOOT, UTC_S = "0" * 31 + "1", 1_790_000_000.0


def hour(number: int) -> Batch:
    rows = [Reading("shunt", at_s, {"bank_v": 12.5 + at_s % 7 / 100.0}) for at_s in _times_s(number)]
    return Batch(readings=rows, until_s=3600.0 * (number + 1), anchors=[Anchor(0, 0.0, UTC_S, 1.0, "operator")])


def _times_s(number: int) -> list[float]:
    return [3600.0 * number + 10.0 * (n + 1) for n in range(360)]


def test_all_that_was_handed_over_is_in_the_record_and_sealed(tmp_path: Path) -> None:
    with PastWriter(tmp_path, boot_id=BOOT, wall_utc_s=UTC_S) as writer:
        for number in range(9):
            writer.commit(hour(number))
    with RecordReader(tmp_path) as reader:
        kept = {row.reading.at_s: row.reading.values["bank_v"] for row in reader.readings()}
        told = {at_s: 12.5 + at_s % 7 / 100.0 for number in range(9) for at_s in _times_s(number)}
        assert kept == pytest.approx(told, abs=1e-3)
        assert reader.sweep().is_whole


def test_a_record_that_cannot_be_written_is_said_with_its_reason(tmp_path: Path) -> None:
    lock = RecordLock(tmp_path / LOCK_NAME, None)
    try:
        with (
            pytest.raises(StoreError, match=r"the past could not be stored in .*"),
            PastWriter(tmp_path, boot_id=BOOT, wall_utc_s=UTC_S) as writer,
        ):
            for number in range(200):  # more than a pipe holds: the end of the child shows while it is written to
                writer.commit(hour(number))
    finally:
        lock.release()


def test_a_demo_that_is_given_up_leaves_no_child(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), PastWriter(tmp_path, boot_id=BOOT, wall_utc_s=UTC_S) as writer:
        child = writer.pid
        writer.commit(hour(0))
        raise KeyboardInterrupt
    with pytest.raises(ProcessLookupError):
        os.kill(child, 0)


def test_a_child_that_takes_too_long_is_said_and_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.past_writer.ENDED_S", 0.0)
    with pytest.raises(StoreError, match="took more than"), PastWriter(tmp_path, boot_id=BOOT, wall_utc_s=UTC_S) as one:
        child = one.pid
    with pytest.raises(ProcessLookupError):
        os.kill(child, 0)
