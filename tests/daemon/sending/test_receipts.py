import sqlite3
from pathlib import Path

import pytest

from daemon.sending.receipts import (
    FILE_NAME,
    KEPT_LETTERS,
    SET_ASIDE_MOST,
    TAKEN,
    WAITING,
    Receipt,
    ReceiptFile,
    sending_state,
)
from daemon.sending.ways import Letter


def a_letter(key: str) -> Letter:
    return Letter(key, "bank-hot", "raised", "act", None, "Ridge", f"about {key}", "text\n", "short")


def a_receipt(key: str, state: str = WAITING, **parts: object) -> Receipt:
    row: dict[str, object] = {"rest": ("a",), "taken": (), "refused": {}}
    return Receipt(key, "mail", state, **(row | parts))  # type: ignore[arg-type]


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    file = ReceiptFile(tmp_path)
    assert file.open() is not None
    letters = [a_letter(f"k{n}") for n in range(3)]
    for seq, letter in enumerate(letters, start=5):
        file.put_letter(seq, letter)
    waiting = a_receipt("k2", rest=("b",), taken=("a",), refused={"c": "550"}, tries=3, why="later", at_s=1.5)
    file.put_receipt(a_receipt("k0", TAKEN))
    file.put_receipt(a_receipt("k1"))
    file.put_receipt(waiting)
    file.put_meta("cursor", [3, "k2"])
    file.close()
    found = ReceiptFile(tmp_path)
    again = found.open()
    assert again is not None
    assert (again.keys, again.last_seq, again.meta) == (["k0", "k1", "k2"], 7, {"cursor": [3, "k2"]})
    assert again.waiting == [(letters[1], a_receipt("k1")), (letters[2], waiting)]
    assert again.done == {("k0", "mail")}
    found.close()


def test_the_file_is_synced_and_small(tmp_path: Path) -> None:
    file = ReceiptFile(tmp_path)
    assert file.open() is not None
    assert file._db is not None
    assert file._db.execute("pragma journal_mode").fetchone() == ("wal",)
    assert file._db.execute("pragma synchronous").fetchone() == (2,)  # FULL
    file.close()


def test_only_the_newest_letters_are_kept_and_those_that_wait(tmp_path: Path) -> None:
    file = ReceiptFile(tmp_path)
    file.open()
    file.put_letter(1, a_letter("old"))
    file.put_receipt(a_receipt("old"))
    for seq in range(2, KEPT_LETTERS + 100):
        file.put_letter(seq, a_letter(f"k{seq}"))
        file.put_receipt(a_receipt(f"k{seq}", TAKEN))
    assert file.flush()
    file.close()
    found = ReceiptFile(tmp_path)
    again = found.open()
    assert again is not None
    assert (len(again.keys), again.keys[0]) == (KEPT_LETTERS + 1, "old")
    assert len(again.done) == KEPT_LETTERS
    found.close()


def test_a_damaged_file_is_set_aside_and_a_new_one_begun(tmp_path: Path) -> None:
    for n in range(SET_ASIDE_MOST + 2):
        (tmp_path / FILE_NAME).write_bytes(b"not a database" * 100 + bytes([n]))
        file = ReceiptFile(tmp_path)
        found = file.open()
        assert found is not None and found.keys == []
        file.put_letter(1, a_letter("k1"))
        assert file.flush()
        file.close()
    aside = sorted(path.name for path in tmp_path.glob("*damaged*"))
    assert aside == [f"{FILE_NAME}.damaged-{n}" for n in range(1, SET_ASIDE_MOST + 1)]
    assert (tmp_path / aside[1]).read_bytes().startswith(b"not a database")


def test_a_newer_release_s_file_is_left_alone(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / FILE_NAME) as db:
        db.execute("pragma user_version=99")
    db.close()
    file = ReceiptFile(tmp_path)
    assert file.open() is None
    assert file.why is not None and "newer release" in file.why
    assert not file.is_open


def test_a_folder_that_can_t_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    file = ReceiptFile(tmp_path / "file")
    assert file.open() is None
    assert file.why is not None and str(tmp_path / "file") in file.why


def test_the_state_can_be_read_while_it_is_written_and_after(tmp_path: Path) -> None:
    assert sending_state(tmp_path) is None
    file = ReceiptFile(tmp_path)
    file.open()
    assert sending_state(tmp_path) is None, "nothing written yet"
    file.put_meta("state", {"boot_id": "b", "written_s": 5.0, "record_why": None, "ways": {"mail": {"taken": 2}}})
    file.put_letter(1, a_letter("k1"))
    file.put_receipt(a_receipt("k1"))
    assert file.flush()
    ways = {"mail": {"taken": 2, "waiting": 1}}
    doors = {"central": None, "mqtt": None, "metrics": None}
    expected = {"boot_id": "b", "written_s": 5.0, "record_why": None, "cursor": None, "ways": ways, **doors}
    assert sending_state(tmp_path) == expected
    file.close()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert sending_state(tmp_path) == expected
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("content", [b"", b"not a database" * 100])
def test_a_state_that_can_t_be_read_is_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    assert sending_state(tmp_path) is None
    assert (tmp_path / FILE_NAME).read_bytes() == content
