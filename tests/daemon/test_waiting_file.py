"""The file of notices that wait for the record: whole, bounded, and harmless when it is something else."""

import json
from pathlib import Path

import pytest

from daemon import regular, waiting_file
from daemon.errors import StoreError
from daemon.record import Batch
from daemon.waiting_file import FILE_NAME, NOTICES_MOST, STATES, Waiting, WaitingFile, WaitingReader, bounded
from shared.alerts import AlertEvent
from shared.notices import Notice

BOOT = "b" * 32


def notice(key: str, severity: str = "act") -> Notice:
    return Notice(key, 1, "bank-hot", "bank-hot", "raised", severity, 7.0, None, "Ridge", f"about {key}", "x\n", "x")


def event(number: int) -> AlertEvent:
    return AlertEvent(number, "bank-hot", "bank-hot", "raised", 7.0, 6.0, True, 61.0, 61.0, 45.0, "act")


def keys(waiting: Waiting) -> list[object]:
    return [row["key"] for row in waiting.notices]


def test_what_waits_in_several_batches_is_read_back_in_order(tmp_path: Path) -> None:
    file = WaitingFile(tmp_path, BOOT)
    older = Batch(notices=[notice("k1")], events=[event(1)], state={"alerts": {"n": 1}, "station": {"big": 1}})
    file.put([older, Batch(notices=[notice("k2")], events=[event(2)], state={"alerts": {"n": 2}})], 9.0)
    found = file.read()
    assert (keys(found), found.events) == (["k1", "k2"], (event(1), event(2)))
    assert (found.boot_id, found.at_s, found.states) == (BOOT, 9.0, {"alerts": {"n": 2}})
    assert found.in_boot(BOOT, 11.0) is found
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == 0o640
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]
    assert file.drop() and file.drop()
    assert not file.read()


def test_the_seconds_of_another_boot_are_not_taken_up_but_its_notices_are(tmp_path: Path) -> None:
    file = WaitingFile(tmp_path, BOOT)
    file.put([Batch(notices=[notice("k1")], events=[event(1)], state={"alerts": {}})], 9000.0)
    found = file.read().in_boot("c" * 32, 12.0)
    assert (keys(found), found.notices[0]["at_s"], found.events, found.states) == (["k1"], 12.0, (), {})


def test_beyond_the_limit_the_oldest_advice_goes_first_then_the_oldest_of_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(waiting_file, "NOTICES_MOST", 3)
    severities = ["act", "advice", "urgent", "advice", "act", "urgent", "urgent"]
    waits = [notice(f"k{n}", severity) for n, severity in enumerate(severities)]
    dropped = bounded(waits)  # type: ignore[arg-type]
    assert [one.key for one in dropped] == ["k1", "k3", "k0", "k4"]  # type: ignore[union-attr]
    assert [one.key for one in waits] == ["k2", "k5", "k6"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\xfe\x00",
        b"[]",
        b"null ",
        b"17",
        b'{"version":99}',
        b"[" * 100_000,
        b'{"version":1,' + b" " * 5_000_000,
    ],
)
def test_garbage_is_told_and_never_more_than_that(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    if content == b"null ":  # no value is no notice
        assert not WaitingFile(tmp_path, BOOT).read()
        return
    with pytest.raises(StoreError, match=FILE_NAME):
        WaitingFile(tmp_path, BOOT).read()
    with pytest.raises(StoreError):
        WaitingReader(tmp_path).notices()


def test_rows_that_make_no_sense_are_left_out_and_the_others_are_not(tmp_path: Path) -> None:
    strange: list[object] = [None, 5, {}, {"key": 7}, {"key": ""}, ["key"]]
    rows = [*strange, {"key": "k1", "subject": "whole"}]
    value = {"version": 1, "boot_id": BOOT, "at_s": "soon", "notices": rows, "events": [*strange, {"id": 1}]}
    (tmp_path / FILE_NAME).write_text(json.dumps({**value, "states": {"alerts": 3, "regular": {}}}))
    found = WaitingFile(tmp_path, BOOT).read()
    assert (keys(found), found.events, found.at_s, found.states) == (["k1"], (), 0.0, {"regular": {}})


def test_more_than_the_limit_in_a_file_is_cut(tmp_path: Path) -> None:
    rows = [{"key": f"k{n}"} for n in range(NOTICES_MOST + 5)]
    (tmp_path / FILE_NAME).write_text(json.dumps({"version": 1, "notices": rows}))
    assert keys(WaitingFile(tmp_path, BOOT).read())[0] == "k5"


def test_the_reader_gives_each_state_of_the_file_once(tmp_path: Path) -> None:
    file, reader = WaitingFile(tmp_path, BOOT), WaitingReader(tmp_path)
    assert reader.notices() == ()
    file.put([Batch(notices=[notice("k1")])], 1.0)
    assert [row["key"] for row in reader.notices()] == ["k1"]
    assert reader.notices() == ()
    file.put([Batch(notices=[notice("k1"), notice("k2")])], 2.0)
    assert [row["key"] for row in reader.notices()] == ["k1", "k2"]
    file.drop()
    assert reader.notices() == ()


def test_a_folder_that_is_not_there_is_an_error_of_the_writer_alone(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="none"):
        WaitingFile(tmp_path / "none", BOOT).put([Batch(notices=[notice("k1")])], 1.0)
    assert WaitingReader(tmp_path / "none").notices() == ()


def test_the_states_kept_are_named_as_in_the_record() -> None:
    assert STATES == ("alerts", regular.STATE_NAME)
