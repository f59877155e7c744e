"""`verify --set-aside`: by the running service, by the command with the service down, and by nobody who may not."""

import io
import shutil
from functools import partial
from pathlib import Path

import pytest

from daemon.errors import ServiceError, StoreError
from daemon.main import main
from daemon.record import RecordReader
from daemon.record.files import LOCK_NAME, RecordLock
from daemon.setting_aside import Mover
from daemon.verify import AskedVerify, run_verify
from servers.apart import NOBODY, OPERATORS, OUTSIDERS, User, run_apart
from servers.records import open_folder
from servers.site_rig import RunningService, SiteRig, wait_for
from servers.spoilt_records import EARLIER, ask, bend, chunk, sealed_record

NAME = "N0CALL"
WORDS = "2,160 readings of shunt bank_v between boot 1 +0:00:01 and boot 1 +5:59:51"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sealed_record(tmp_path_factory.mktemp("filled") / "state", 6.5)


@pytest.fixture
def state(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filled, tmp_path / "state"))


def verify(state: Path, *, move: bool = False) -> tuple[int, str]:
    out = io.StringIO()
    mover = Mover(state, state / "sockets", NAME) if move else None
    code = run_verify(state, AskedVerify(mover=mover), out=out, err=io.StringIO())
    return code, out.getvalue()


def entries(state: Path) -> list[tuple[str, str, str]]:
    with RecordReader(state) as reader:
        return [(row.who, row.kind, row.text) for row in reader.entries()]


def test_with_the_service_down_the_command_does_it(state: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALFMARK_BOOT_ID", EARLIER)
    key = chunk(state, "shunt", "bank_v")
    bend(state, "block", key)
    code, said = verify(state)
    assert code == 1 and f"damaged: {WORDS}: row {key} of block does not fit its checksum" in said
    assert "DAMAGED; nothing was changed" in said and "`halfmark verify --set-aside` moves the rows away" in said
    assert ask(state, "SELECT count(*) FROM damaged") == [(0,)]
    code, said = verify(state, move=True)
    assert code == 0 and f"set aside: {WORDS}" in said and "1 rows set aside: they are kept" in said
    assert entries(state) == [(NAME, "set-aside", "1 damaged rows of the record: shunt bank_v")]
    code, said = verify(state)
    assert code == 0 and f"set aside earlier, damaged: {WORDS}" in said
    assert "every row is as it was written" in said
    assert verify(state, move=True) == (code, said), "nothing is left to do"
    assert len(entries(state)) == 1


def test_a_record_that_is_damaged_as_a_whole_is_left_to_the_next_start(state: Path) -> None:
    bend(state, "block", chunk(state, "shunt", "bank_v"))
    (state / "record.damaged").touch()
    with pytest.raises(StoreError, match="the next start of the service sets all of it aside"):
        verify(state, move=True)
    assert (state / "record.damaged").exists() and ask(state, "SELECT count(*) FROM damaged") == [(0,)]


def test_a_copy_stays_as_it_is(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "--store", str(state / "record.db"), "--set-aside"]) == 2
    assert "a copy stays as it is" in capsys.readouterr().err
    assert ask(state, "SELECT count(*) FROM damaged") == [(0,)]


def test_who_may_only_read_verifies_and_is_told_who_may_move() -> None:
    operator = User(NOBODY, OUTSIDERS, (OPERATORS,))
    with open_folder() as outer:
        state = sealed_record(outer / "state", 6.5, group=OPERATORS)
        bend(state, "block", chunk(state, "shunt", "bank_v"))
        code, said = run_apart(partial(verify, state), user=operator)
        assert code == 1 and WORDS in said
        said = run_apart(partial(_refusal, state), user=operator)
        assert "service is not running" in said and "this user may not write the record: start the service" in said
        assert verify(state)[0] == 1


def _refusal(state: Path) -> str:
    with pytest.raises(ServiceError) as caught:
        verify(state, move=True)
    return str(caught.value)


# -- beside the service --------------------------------------------------------------------------


def start(rig: SiteRig, filled: Path) -> RunningService:
    shutil.copytree(filled, rig.folders.state)
    bend(rig.folders.state, "block", chunk(rig.folders.state, "shunt", "bank_v"))
    service = rig.start()
    service.wait_until_reading()
    return service


def test_the_running_service_finds_tells_and_on_demand_moves_it(tmp_path: Path, filled: Path) -> None:
    with SiteRig(tmp_path / "site", commit_s=0.5) as rig:
        state = rig.folders.state
        service = start(rig, filled)
        picture = service.wait_for(lambda p: any(a["alert"] == "record-damaged" for a in p["alerts"]))
        assert picture["record"]["damaged"] == 1
        assert "is damaged and left out: see halfmark verify" in service.log.read_text()
        wait_for(lambda: notices(state), about="the notice")
        assert "`halfmark verify --set-aside`" in notices(state)[0]
        code, said = verify(state, move=True)
        assert code == 0 and f"set aside: {WORDS}" in said
        picture = service.wait_for(lambda p: not any(a["alert"] == "record-damaged" for a in p["alerts"]))
        assert (picture["record"]["damaged"], picture["record"]["failing_s"]) == (0, None)
        assert entries(state) == [(NAME, "set-aside", "1 damaged rows of the record: shunt bank_v")]
        elsewhere = tmp_path / "elsewhere"
        shutil.copytree(filled, elsewhere)
        assert "keeps no record in" in str(refused_elsewhere(elsewhere, rig))
        assert service.stop() == 0


def notices(state: Path) -> list[str]:
    with RecordReader(state) as reader:
        rows = [row.body for row in reader.notices()]
    return [" ".join(str(row["text"]).split()) for row in rows if row["alert"] == "record-damaged"]


def refused_elsewhere(state: Path, rig: SiteRig) -> ServiceError:
    """Ask a service for a record that is another one's; that one is locked by a third."""
    bend(state, "block", chunk(state, "shunt", "bank_v"))
    lock = RecordLock(state / LOCK_NAME, None)
    try:
        with pytest.raises(ServiceError) as caught:
            mover = Mover(state, rig.folders.runtime, NAME)
            run_verify(state, AskedVerify(mover=mover), out=io.StringIO(), err=io.StringIO())
    finally:
        lock.release()
    return caught.value
