"""Backup and restore: beside a running service, after kills, with damage in every place, and touching nothing else."""

import hashlib
import io
import random
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from daemon.backup import run_backup
from daemon.backup_file import ENDING, MANIFEST, MANIFEST_CRC, RECORD, Backup, is_backup, is_plain_name
from daemon.errors import StoreBusy, StoreError
from daemon.record import Batch, RecordReader
from daemon.restore import run_restore
from daemon.store_choice import readable
from servers.records import kill_a_writer, open_record, ten_seconds
from servers.site_rig import SiteRig


def back_up(store: Path, target: Path, site: Path | None = None) -> tuple[Path, str]:
    out = io.StringIO()
    assert run_backup(store, target, site, out=out, err=io.StringIO()) == 0
    said = out.getvalue()
    return Path(said.split(ENDING + ":")[0] + ENDING), said


def restore(backup: Path, folder: Path, **how: object) -> tuple[int, str]:
    out = io.StringIO()
    code = run_restore(backup, folder, out=out, err=io.StringIO(), **how)  # type: ignore[arg-type]
    return code, out.getvalue()


def readings(store: Path) -> list[object]:
    with RecordReader(store) as reader:
        return list(reader.readings())


def digests(folder: Path) -> dict[str, tuple[str, int]]:
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {
        str(path.relative_to(folder)): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in files
    }


@pytest.fixture
def site(tmp_path: Path) -> Path:
    folder = tmp_path / "etc"
    (folder / "maps").mkdir(parents=True)
    (folder / "maps" / "one.toml").write_text("# a map\n")
    file = folder / "site.toml"
    file.write_text(
        '[site]\nname = "Cold Fork"\n[instrument.a]\nmap = "maps/one.toml"\n[instrument.b]\nmap = "../../secret.toml"\n'
        '[instrument.c]\nmap = "maps/gone.toml"\n'
    )
    return file


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A stopped record of twenty commits, named in its picture."""
    folder = tmp_path / "state"
    record = open_record(folder)
    for number in range(20):
        record.commit(ten_seconds(100.0 + 10.0 * number))
    record.commit(Batch(state={"site": {"name": "Cold Fork", "file": "/nowhere/site.toml"}}))
    record.close()
    return folder


# -- there and back ----------------------------------------------------------------------------


def test_what_is_restored_is_what_was_backed_up(state: Path, site: Path, tmp_path: Path) -> None:
    file, said = back_up(state, tmp_path / "copy", site)
    assert file == tmp_path / f"copy{ENDING}" and "up to a time nobody dated, with " in said
    assert "left out: ../../secret.toml" in said and "left out: maps/gone.toml" in said
    code, _ = restore(file, tmp_path / "new")
    assert code == 0 and readings(tmp_path / "new") == readings(state)
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["record.db", "record.lock"]
    assert (tmp_path / "new" / "record.db").stat().st_mode & 0o777 == 0o640
    record = open_record(tmp_path / "new", boot_id="f" * 32)
    record.commit(ten_seconds(500.0))
    record.close()
    assert len(readings(tmp_path / "new")) == 231


def test_a_backup_is_a_tar_that_anybody_can_unpack(state: Path, site: Path, tmp_path: Path) -> None:
    file, _ = back_up(state, tmp_path, site)
    assert file.name.startswith("cold-fork-2") and is_backup(file)
    assert file.stat().st_mode & 0o777 == 0o640
    with tarfile.open(file) as tar:
        assert tar.getnames() == [MANIFEST, MANIFEST_CRC, "record.db", "site.toml", "maps/one.toml"]
        tar.extractall(tmp_path / "by-hand", filter="data")
    assert readings(tmp_path / "by-hand" / "record.db") == readings(state)
    assert (tmp_path / "by-hand" / "site.toml").read_text() == site.read_text()
    assert not list(tmp_path.glob("*.part"))


def test_reading_commands_take_a_backup_as_store(state: Path, tmp_path: Path) -> None:
    file, _ = back_up(state, tmp_path / "b")
    assert readable(state) == state and readable(state / RECORD) == state / RECORD
    assert readings(readable(file)) == readings(state)


def test_the_newest_that_is_only_in_the_log_of_a_killed_service_is_in_it(tmp_path: Path) -> None:
    kill_a_writer(tmp_path / "state")
    file, _ = back_up(tmp_path / "state", tmp_path / "b")
    assert len(readings(readable(file))) == 11


def test_a_record_and_its_backups_by_an_earlier_backup_are_replaced_whole(state: Path, tmp_path: Path) -> None:
    (tmp_path / f"b{ENDING}").write_bytes(b"an older one")
    file, said = back_up(state, tmp_path / "b")
    assert is_backup(file) and "NO SITE FILE is in it" in said


# -- restoring touches nothing else ------------------------------------------------------------


def test_only_the_record_is_written(state: Path, site: Path, tmp_path: Path) -> None:
    """Holds, receipts and the site file lie beside it, in whatever names: none of them changes by a byte."""
    file, _ = back_up(state, tmp_path / "b", site)
    folder = tmp_path / "other"
    record = open_record(folder)
    record.commit(ten_seconds(900.0))
    record.close()
    for name in ("holds.a", "holds.b", "sending/sent.db", "site.toml", "maps/one.toml", "record.ballast"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(name.encode())
    before = digests(folder)
    code, said = restore(file, folder, replace=True)
    after = digests(folder)
    aside = next(name for name in after if name.startswith("record.db.replaced-"))
    assert code == 0 and aside in said
    assert after[aside][0] == before["record.db"][0], "the record that was there is kept, whole"
    changed = {name for name in {*before, *after} if before.get(name) != after.get(name)}
    assert changed == {"record.db", aside, "record.lock"}
    assert readings(folder) == readings(state) and len(readings(folder / aside)) == 11


def test_a_site_file_is_written_only_when_asked_and_never_over_one(state: Path, site: Path, tmp_path: Path) -> None:
    file, _ = back_up(state, tmp_path / "b", site)
    code, _ = restore(file, tmp_path / "new", site_out=tmp_path / "laptop" / "hill.toml")
    assert code == 0 and (tmp_path / "laptop" / "hill.toml").read_text() == site.read_text()
    assert (tmp_path / "laptop" / "maps" / "one.toml").read_text() == "# a map\n"
    with pytest.raises(StoreError, match=r"hill.toml is there already: name another place"):
        restore(file, tmp_path / "newer", site_out=tmp_path / "laptop" / "hill.toml")
    assert not (tmp_path / "newer").exists(), "nothing is written when a part of it can't be"
    bare, _ = back_up(state, tmp_path / "bare")
    with pytest.raises(StoreError, match="has no site file in it"):
        restore(bare, tmp_path / "newer", site_out=tmp_path / "x.toml")


def test_a_record_that_is_there_is_left_alone_unless_told(state: Path, tmp_path: Path) -> None:
    file, _ = back_up(state, tmp_path / "b")
    before = digests(state)
    with pytest.raises(StoreError, match="has a record already .record.db.: --replace moves it aside"):
        restore(file, state)
    after = digests(state)
    assert after.pop("record.lock")[0] is not None
    before.pop("record.lock")
    assert after == before


def test_a_log_without_its_record_and_word_of_damage_do_not_get_at_the_restored_one(
    state: Path, tmp_path: Path
) -> None:
    file, _ = back_up(state, tmp_path / "b")
    kill_a_writer(tmp_path / "dead")
    (tmp_path / "dead" / "record.db").unlink()
    (tmp_path / "dead" / "record.damaged").touch()
    restore(file, tmp_path / "dead", replace=True)
    record = open_record(tmp_path / "dead", boot_id="f" * 32)
    assert record.set_aside is None
    record.close()
    assert readings(tmp_path / "dead") == readings(state)


def test_under_a_running_service_nothing_is_restored(state: Path, tmp_path: Path) -> None:
    file, _ = back_up(state, tmp_path / "b")
    record = open_record(state, boot_id="f" * 32)
    with pytest.raises(StoreBusy, match="can't be restored under a running service"):
        restore(file, state, replace=True)
    record.commit(ten_seconds(900.0))
    record.close()


# -- damage ------------------------------------------------------------------------------------


def test_a_flipped_bit_anywhere_in_a_file_of_it_is_found_before_anything_is_written(
    state: Path, site: Path, tmp_path: Path
) -> None:
    file, _ = back_up(state, tmp_path / "b", site)
    whole = file.read_bytes()
    with tarfile.open(file) as tar:
        spans = [(member.offset_data, member.size) for member in tar]
    chance = random.Random(6)
    for number in range(60):
        begin, size = spans[number % len(spans)]
        place = begin + chance.randrange(size)
        damaged = bytearray(whole)
        damaged[place] ^= 1 << chance.randrange(8)
        file.write_bytes(damaged)
        with pytest.raises(StoreError, match="damaged|no record in it|form"):
            restore(file, tmp_path / "new")
        assert not (tmp_path / "new").exists()
    for cut in (0, 600, len(whole) // 2, len(whole) - 12_000):
        file.write_bytes(whole[:cut])
        with pytest.raises(StoreError):
            restore(file, tmp_path / "new")
    file.write_bytes(whole)
    assert restore(file, tmp_path / "new")[0] == 0


def test_names_that_lead_out_of_the_folder_are_refused(tmp_path: Path) -> None:
    assert [is_plain_name(name) for name in ("maps/a.toml", "../a", "/etc/a", "", "a/../../b", "c:\\a")] == [
        True,
        *[False] * 5,
    ]
    (tmp_path / "x").write_bytes(b"no tar at all")
    with pytest.raises(StoreError, match="can't be read as a backup"):
        Backup(tmp_path / "x")


def test_a_full_disk_is_told_before_and_leaves_nothing(
    state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil

    monkeypatch.setattr(shutil, "disk_usage", lambda folder: type("Usage", (), {"free": 1000})())
    with pytest.raises(StoreError, match="MB free and the backup needs"):
        run_backup(state, tmp_path / "b", out=io.StringIO(), err=io.StringIO())
    assert not list(tmp_path.glob("b*"))


# -- beside the real service -------------------------------------------------------------------


def test_backups_of_a_live_service_miss_no_poll(tmp_path: Path) -> None:
    """A record of 40 MB, four backups one after the other by commands of their own, polls each quarter of a second."""
    with SiteRig(tmp_path / "site") as rig:
        record = open_record(rig.folders.state, boot_id="e" * 32)
        record._db.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 5000)"
            " INSERT INTO damaged (place, k, row, boot, at_ms) SELECT 'tail', i, randomblob(8000), 1, 0 FROM n"
        )
        record.close()
        service = rig.start()
        began_s = service.wait_until_reading()["at_s"]
        for number in range(4):
            command = [sys.executable, "-c", BACKUP, str(rig.folders.state), str(tmp_path / f"b{number}")]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stderr
        ended_s = service.wait_for(lambda p: p["record"]["commits"])["at_s"]
        service.wait_for(lambda p: p["at_s"] - (p["record"]["last_commit_age_s"] or 0.0) > ended_s)
        assert service.stop() == 0
        with RecordReader(rig.folders.state) as reader:
            times = [placed.reading.at_s for placed in reader.readings("shunt")]
        inside = [at_s for at_s in times if began_s <= at_s <= ended_s]
        gaps = [later - earlier for earlier, later in zip(inside, inside[1:], strict=False)]
        assert len(inside) >= 4 and max(gaps) < 2 * 0.25, "no turn was left out"
        counts = [len(readings(readable(tmp_path / f"b{number}{ENDING}"))) for number in range(4)]
        assert counts == sorted(counts) and counts[0] > 0
        with Backup(tmp_path / f"b3{ENDING}") as backup:
            backup.check()
            assert backup.about["site"] == "Test Ridge"
            assert "site.toml" in backup.contents and "maps/example-shunt.toml" in backup.contents, "without being told"


BACKUP = """
import sys
from pathlib import Path
from daemon.backup import run_backup
sys.exit(run_backup(Path(sys.argv[1]), Path(sys.argv[2])))
"""
