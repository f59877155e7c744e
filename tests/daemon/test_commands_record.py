"""Daybook, backup, restore and verify as a person types them, with their exit codes; a backup read in place."""

import io
import sqlite3
from pathlib import Path

import pytest

from daemon.history import Asked, run_history
from daemon.main import main
from servers.invented_past import make_past


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Three boots of 30 h each, an hour apart; nobody dated the second."""
    make_past(tmp_path / "state", hours=30.0, every_s=300.0, boots=3, dated=(1, 3), timezone="America/New_York")
    return tmp_path / "state"


def test_from_backup_to_restored_record_by_the_command_line(
    state: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    backup = tmp_path / "hill.halfmark-backup"
    assert main(["backup", str(tmp_path / "hill"), "--state", str(state)]) == 0
    assert main(["restore", str(backup), "--state", str(state)]) == 3
    assert "--replace moves it aside" in capsys.readouterr().err
    assert main(["restore", str(backup), "--state", str(tmp_path / "new")]) == 0
    capsys.readouterr()
    tables = []
    for where in (["--state", str(state)], ["--state", str(tmp_path / "new")], ["--store", str(backup)]):
        assert main(["daybook", "--csv", *where]) == 0
        assert main(["verify", *where]) == 0
        tables.append(capsys.readouterr().out.splitlines()[:-2])
    assert tables[0] == tables[1] == tables[2] and "boot 2 day 1" in "".join(tables[0])
    assert main(["status", "--store", str(backup), "--plain"]) in (0, 3)
    assert main(["history", "bank_v", "--since", "200d", "--csv", "--store", str(backup)]) == 0


def test_damage_ends_verify_with_one(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    db = sqlite3.connect(state / "record.db")
    db.execute("UPDATE tail SET row = x'00'")
    db.commit()
    db.close()
    assert main(["verify", "--state", str(state)]) == 1
    assert "DAMAGED" in capsys.readouterr().out


def test_history_tells_between_which_times_a_boot_without_a_date_lies(state: Path) -> None:
    out, err = io.StringIO(), io.StringIO()
    assert run_history(state, Asked(("bank_v",), since="200d", plain=True), out=out, err=err) == 0
    # The first boot began at 2026-09-21 14:13 UTC and ran 30 h; the third began 62 h after it.
    assert "boot 2 has no date: between 2026-09-22 20:" in out.getvalue()
    assert " and 2026-09-24 04:1" in out.getvalue().replace("\n", " ")
