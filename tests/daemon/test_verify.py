"""Verify finds what was changed behind the record's back, says so in words and in its exit code, changes nothing."""

import io
import random
import shutil
import sqlite3
from pathlib import Path

import pytest

from daemon.record import RecordReader
from daemon.record.wear import Wear
from daemon.verify import AskedVerify, run_verify, wear_words
from servers.records import BOOT, open_record, ten_seconds


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four hours, a commit a minute, sealed but for the last one."""
    folder = tmp_path_factory.mktemp("sealed") / "state"
    record = open_record(folder)
    for number in range(4 * 60):
        record.commit(ten_seconds(100.0 + 60.0 * number))
    record.seal_all(100.0 + 4 * 3600.0)
    record.close()
    return folder


@pytest.fixture
def state(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "state"))


def bend(state: Path, table: str, which: str = "min(k)", where: str = "1") -> int:
    """Flip a bit in a stored row, as a failing card does; give its key."""
    db = sqlite3.connect(state / "record.db", isolation_level=None)
    (key,) = db.execute(f"SELECT {which} FROM {table} WHERE {where}").fetchone()
    (row,) = db.execute(f"SELECT row FROM {table} WHERE k = ?", (key,)).fetchone()
    bent = row[:-2] + bytes((row[-2] ^ 4, row[-1]))
    db.execute(f"UPDATE {table} SET row = ? WHERE k = ?", (bent, key))
    db.close()
    return int(key)


def verify(store: Path, asked: AskedVerify | None = None) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    code = run_verify(store, asked, out=out, err=err)
    return code, out.getvalue(), err.getvalue()


def test_a_whole_record_is_said_to_be_whole(state: Path) -> None:
    code, said, told = verify(state)
    assert code == 0 and said.endswith("every row is as it was written\n") and "layout 4" in said
    assert "verify: 100 %" in told


def test_it_reads_beside_the_running_service(state: Path) -> None:
    record = open_record(state, elapsed_s=20_000.0)
    record.commit(ten_seconds(20_000.0))
    assert verify(state)[0] == 0
    record.commit(ten_seconds(20_010.0))
    record.close()


def test_a_changed_bit_in_any_row_is_damage(state: Path) -> None:
    db = sqlite3.connect(state / "record.db", isolation_level=None)
    chance = random.Random(3)
    rows = [
        (table, key, row)
        for table in ("tail", "piece", "block")
        for key, row in db.execute(f"SELECT k, row FROM {table}").fetchall()
    ]
    assert len({table for table, _, _ in rows}) >= 2, "sealed and unsealed rows are tried"
    for table, key, row in chance.sample(rows, 25):
        bent = bytearray(row)
        bent[chance.randrange(len(bent))] ^= 1 << chance.randrange(8)
        db.execute(f"UPDATE {table} SET row = ? WHERE k = ?", (bytes(bent), key))
        code, said, _ = verify(state)
        assert code == 1 and f"row {key} of {table} does not fit its checksum" in said and "DAMAGED" in said
        db.execute(f"UPDATE {table} SET row = ? WHERE k = ?", (row, key))
    db.close()
    assert verify(state)[0] == 0


def test_pages_that_sqlite_finds_wrong_are_damage(state: Path) -> None:
    file = state / "record.db"
    with RecordReader(state) as reader:
        (page,) = reader._opened.ask("SELECT rootpage FROM sqlite_master WHERE name = 'anchor_by_time'")[0]
    data = bytearray(file.read_bytes())
    data[(page - 1) * 4096 : (page - 1) * 4096 + 8] = b"\xff" * 8
    file.write_bytes(data)
    code, said, _ = verify(state)
    assert code == 1 and "pages: " in said


def test_what_was_set_aside_is_told(state: Path) -> None:
    (state / "record.db.damaged-2026-05-01").write_bytes(b"old")
    (state / "record.db.damaged-2026-05-01-wal").write_bytes(b"old")
    record = open_record(state, boot_id=BOOT, elapsed_s=20_000.0)
    record.commit(ten_seconds(20_000.0))
    key = bend(state, "tail", "max(k)")
    assert record.set_aside_damaged([("tail", key)])
    record.close()
    code, said, _ = verify(state)
    assert code == 0 and "1 damaged rows were set aside earlier" in said
    assert "set aside beside it: record.db.damaged-2026-05-01; read one" in said


def test_wear_is_told_a_day() -> None:
    # 3 MB and 10 flushes in a minute, 1440 minutes a day: 4,320 MB and 14,400.
    words = wear_words(Wear("mmcblk0p2", 60.0, 3_000_000, 10))
    assert "disk mmcblk0p2" in words and "3.00 MB (at this rate 4,320 MB a day)" in words
    assert "10 flushes (at this rate 14,400 a day)" in words
    assert "flushes not counted" in wear_words(Wear("loop0", 60.0, 0, None))
