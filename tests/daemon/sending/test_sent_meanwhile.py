"""Receipts that can't be written: kept in memory, and beside the file for a sender that is started again."""

import json
from functools import partial
from pathlib import Path

import pytest

from daemon.sending import receipts as receipts_file
from daemon.sending.receipts import STAND_IN_NAME, TAKEN, WAITING, Receipt, ReceiptFile
from servers.apart import mount_read_only, mount_small, mount_writable, run_apart
from servers.letters import a_letter
from servers.records import open_folder

DISK_BYTES = 1 << 20


def receipt(key: str, state: str = WAITING) -> Receipt:
    return Receipt(key, "mail", state, ("a",) if state == WAITING else (), (), {})


def put(file: ReceiptFile, number: int, state: str = WAITING) -> None:
    file.put_letter(number, a_letter(f"k{number}"))
    file.put_receipt(receipt(f"k{number}", state))


def on_a_disk_gone_read_only(folder: Path) -> None:
    disk, run = folder / "disk", folder / "run"
    disk.mkdir()
    run.mkdir()
    mount_small(disk, DISK_BYTES)
    before = ReceiptFile(disk, run)
    assert before.open() is not None
    put(before, 1)
    put(before, 2)
    before.close()
    assert not (run / STAND_IN_NAME).exists()
    mount_read_only(disk)
    killed = ReceiptFile(disk, run)
    assert killed.open() is None and killed.look() is not None
    killed.put_receipt(receipt("k1", TAKEN))
    put(killed, 3, TAKEN)
    assert not killed.flush()
    file = ReceiptFile(disk, run)
    assert file.open() is None
    found = file.look()
    assert found is not None
    assert found.done == {("k1", "mail"), ("k3", "mail")}
    assert ([letter.key for letter, _ in found.waiting], found.keys) == (["k2"], ["k1", "k2", "k3"])
    mount_writable(disk)
    assert file.open() is not None
    file.put_receipt(receipt("k2", TAKEN))
    assert file.flush()
    assert not (run / STAND_IN_NAME).exists()
    file.close()
    after = ReceiptFile(disk, run).open()
    assert after is not None
    assert (after.waiting, after.keys) == ([], ["k1", "k2", "k3"])


def test_on_a_disk_gone_read_only_a_new_sender_knows_what_was_sent() -> None:
    with open_folder() as folder:
        run_apart(partial(on_a_disk_gone_read_only, folder), own_mounts=True)


def test_what_a_killed_sender_could_not_write_is_in_the_file_of_the_next(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    (tmp_path / "sending").write_text("in the way")
    first = ReceiptFile(tmp_path / "sending", tmp_path / "run")
    assert first.open() is None and first.look() is None
    put(first, 1, TAKEN)
    first.put_meta("cursor", [5, "k1"])
    assert not first.flush()
    (tmp_path / "sending").unlink()
    second = ReceiptFile(tmp_path / "sending", tmp_path / "run")
    found = second.open()
    assert found is not None
    assert (found.done, found.meta) == ({("k1", "mail")}, {"cursor": [5, "k1"]})
    assert not (tmp_path / "run" / STAND_IN_NAME).exists()
    second.close()


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "7",
        '{"rows":[]}',
        '[1,[],["meta"],["drop","x"],["meta",1,[2]],[[]],["7"],[7],["meta"],["meta","cursor","{"]]',
    ],
)
def test_a_stand_in_that_makes_no_sense_is_none(tmp_path: Path, content: str) -> None:
    (tmp_path / STAND_IN_NAME).write_text(content)
    file = ReceiptFile(tmp_path / "sending", tmp_path)
    found = file.open()
    assert found is not None and (found.keys, found.meta) == ([], {})
    file.close()


def test_the_stand_in_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(receipts_file, "STAND_IN_ROWS_MOST", 4)
    (tmp_path / "sending").write_text("in the way")
    file = ReceiptFile(tmp_path / "sending", tmp_path)
    for number in range(10):
        put(file, number, TAKEN)
    file.flush()
    rows = json.loads((tmp_path / STAND_IN_NAME).read_text())
    assert [row[:2] for row in rows] == [["letter", "k8"], ["receipt", "k8"], ["letter", "k9"], ["receipt", "k9"]]


def test_without_a_folder_for_it_nothing_is_put(tmp_path: Path) -> None:
    (tmp_path / "sending").write_text("in the way")
    for runtime in (None, tmp_path / "none"):
        file = ReceiptFile(tmp_path / "sending", runtime)
        put(file, 1)
        assert not file.flush() and file.unsaved == 2
