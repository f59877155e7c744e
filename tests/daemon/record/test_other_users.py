"""Who may read and write: another user of the operators' group, one outside it, a disk that can't be written.

Every test turns into an unprivileged user, or mounts, in a child of its own; where that is not
possible it fails.
"""

import io
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.backup import run_backup
from daemon.daybook_table import AskedDaybook, run_daybook
from daemon.errors import StoreError, StoreReadOnly
from daemon.record import RecordReader
from daemon.store_choice import readable
from daemon.verify import run_verify
from servers.apart import NOBODY, OPERATORS, OUTSIDERS, User, mount_read_only, mount_small, run_apart
from servers.records import kill_a_writer, open_folder, open_record, ten_seconds

OPERATOR = User(NOBODY, OUTSIDERS, (OPERATORS,))
OUTSIDER = User(NOBODY, OUTSIDERS)


@pytest.fixture
def folder() -> Iterator[Path]:
    with open_folder() as outer:
        yield outer / "state"


def look(folder: Path) -> tuple[bool, bool, int]:
    """How the record was opened, and how many readings were found."""
    with RecordReader(folder) as reader:
        count = len(list(reader.readings()))
        return reader.live, reader.log_left_out, count


def refusal(folder: Path) -> str:
    with pytest.raises(StoreError) as caught:
        look(folder)
    return str(caught.value)


def test_an_operator_reads_beside_the_running_service_which_goes_on_committing(folder: Path) -> None:
    record = open_record(folder, group=OPERATORS)
    record.commit(ten_seconds(100.0))
    assert run_apart(partial(look, folder), user=OPERATOR) == (True, False, 11)
    record.commit(ten_seconds(110.0))
    assert run_apart(partial(look, folder), user=OPERATOR) == (True, False, 22)
    record.close()


def test_an_operator_reads_after_a_clean_stop(folder: Path) -> None:
    record = open_record(folder, group=OPERATORS)
    record.commit(ten_seconds(100.0))
    record.close()
    assert run_apart(partial(look, folder), user=OPERATOR) == (False, False, 11)
    assert sorted(path.name for path in folder.iterdir()) == ["record.db", "record.lock"]


def test_an_operator_reads_after_kill_9_with_what_is_only_in_the_log(folder: Path) -> None:
    kill_a_writer(folder, OPERATORS)
    assert run_apart(partial(look, folder), user=OPERATOR) == (True, False, 11)


def test_the_files_belong_to_the_operators_group(folder: Path) -> None:
    record = open_record(folder, group=OPERATORS)
    record.commit(ten_seconds(100.0))
    groups = {path.name: path.stat().st_gid for path in folder.iterdir()}
    assert groups == dict.fromkeys(("record.db", "record.db-wal", "record.db-shm", "record.lock"), OPERATORS)
    assert folder.stat().st_gid == OPERATORS
    record.close()


def test_one_outside_the_group_is_told_which_to_join(folder: Path) -> None:
    open_record(folder, group=OPERATORS).close()
    said = run_apart(partial(refusal, folder), user=OUTSIDER)
    assert f"usermod -aG {OPERATORS} nobody" in said or f"usermod -aG {OPERATORS} uid {NOBODY}" in said
    folder.chmod(0o755)
    (folder / "record.db").chmod(0o600)
    said = run_apart(partial(refusal, folder), user=OUTSIDER)
    assert f"join the group {OPERATORS}" in said


def test_a_service_that_may_not_write_names_file_user_and_way_out(folder: Path) -> None:
    def open_as_operator() -> str:
        with pytest.raises(StoreReadOnly) as caught:
            open_record(folder)
        return str(caught.value)

    open_record(folder, group=OPERATORS).close()
    said = run_apart(open_as_operator, user=OPERATOR)
    assert said.startswith(f"{folder}/record.lock can't be opened for writing by user ")
    assert f" {folder}, or name another folder" in said
    (folder / "record.db").chmod(0o640)
    (folder / "record.lock").chmod(0o666)
    said = run_apart(open_as_operator, user=OPERATOR)
    assert said.startswith(f"{folder}/record.db can't be written by user ")
    assert "chown -R" in said


def test_a_folder_that_cannot_be_made_is_named(folder: Path) -> None:
    def open_below() -> str:
        with pytest.raises(StoreReadOnly) as caught:
            open_record(folder / "below")
        return str(caught.value)

    assert f"{folder}/below can't be made by user " in run_apart(open_below, user=OUTSIDER)


def test_on_a_read_only_file_system_a_stopped_record_is_read_and_writing_is_refused(folder: Path) -> None:
    def work() -> tuple[tuple[bool, bool, int], str]:
        folder.mkdir()
        mount_small(folder, 4 << 20)
        record = open_record(folder)
        record.commit(ten_seconds(100.0))
        record.close()
        mount_read_only(folder)
        with pytest.raises(StoreReadOnly) as caught:
            open_record(folder)
        return look(folder), str(caught.value)

    seen, said = run_apart(work, own_mounts=True)
    assert seen == (False, False, 11)
    assert "the file system is mounted read-only; mount it for writing" in said


def test_on_a_read_only_file_system_a_killed_record_is_read_with_its_log(folder: Path) -> None:
    def work() -> tuple[bool, bool, int]:
        folder.mkdir()
        mount_small(folder, 4 << 20)
        kill_a_writer(folder)
        mount_read_only(folder)
        return look(folder)

    assert run_apart(work, own_mounts=True) == (True, False, 11)


def test_a_log_that_cannot_be_shared_is_left_out_and_that_is_said(folder: Path) -> None:
    """As on a read-only disk from which only two of the three files were saved."""

    def work() -> tuple[bool, bool, int]:
        folder.mkdir()
        mount_small(folder, 4 << 20)
        open_record(folder).close()
        kill_a_writer(folder)
        (folder / "record.db-shm").unlink()
        mount_read_only(folder)
        return look(folder)

    assert run_apart(work, own_mounts=True) == (False, True, 0)


# -- backup, verify and daybook as somebody who may only read -----------------------------------------


def look_over(folder: Path, target: Path) -> tuple[int, int, int, int]:
    """Exit codes of verify, daybook and backup, and how many readings are in the backup."""
    words = [io.StringIO() for _ in range(6)]
    verified = run_verify(folder, out=words[0], err=words[1])
    days = run_daybook(folder, AskedDaybook(), out=words[2], err=words[3])
    code = run_backup(folder, target, out=words[4], err=words[5])
    with RecordReader(readable(target.with_name(target.name + ".halfmark-backup"))) as reader:
        return verified, days, code, len(list(reader.readings()))


@pytest.fixture
def target(folder: Path) -> Path:
    """Where an operator may write."""
    place = folder.parent / "drive"
    place.mkdir()
    place.chmod(0o777)
    return place / "hill"


def test_an_operator_backs_up_and_verifies_beside_the_running_service(folder: Path, target: Path) -> None:
    record = open_record(folder, group=OPERATORS)
    record.commit(ten_seconds(100.0))
    assert run_apart(partial(look_over, folder, target), user=OPERATOR) == (0, 0, 0, 11)
    record.commit(ten_seconds(110.0))
    assert run_apart(partial(look_over, folder, target), user=OPERATOR) == (0, 0, 0, 22)
    record.close()
    assert sorted(path.name for path in target.parent.iterdir()) == ["hill.halfmark-backup"]


def test_an_operator_backs_up_and_verifies_after_a_clean_stop_and_after_kill_9(folder: Path, target: Path) -> None:
    record = open_record(folder, group=OPERATORS)
    record.commit(ten_seconds(100.0))
    record.close()
    assert run_apart(partial(look_over, folder, target), user=OPERATOR) == (0, 0, 0, 11)
    assert sorted(path.name for path in folder.iterdir()) == ["record.db", "record.lock"], "nothing is left there"
    kill_a_writer(folder / "killed", OPERATORS)
    assert run_apart(partial(look_over, folder / "killed", target), user=OPERATOR) == (0, 0, 0, 11)


def test_on_a_read_only_file_system_a_record_is_backed_up_elsewhere(folder: Path, target: Path) -> None:
    def work() -> tuple[int, int, int, int]:
        folder.mkdir()
        mount_small(folder, 4 << 20)
        kill_a_writer(folder)
        mount_read_only(folder)
        return look_over(folder, target)

    assert run_apart(work, own_mounts=True) == (0, 0, 0, 11)


def test_one_outside_the_group_gets_no_backup(folder: Path, target: Path) -> None:
    def work() -> str:
        with pytest.raises(StoreError) as caught:
            look_over(folder, target)
        return str(caught.value)

    open_record(folder, group=OPERATORS).close()
    assert f"usermod -aG {OPERATORS}" in run_apart(work, user=OUTSIDER)
    assert not list(target.parent.iterdir())
