"""The `send` process as it runs: a child process, the real record, a real mail server."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from daemon.record import Batch, Record
from daemon.sending import process, run_send
from daemon.sending.receipts import sending_state
from daemon.sending.wake import SOCKET_NAME, wake_send
from daemon.waiting_file import WaitingFile
from servers.mail_sink import MailSink, free_port
from shared.site import Bank, Place, Site, WayOut

LIMIT_S = 30.0
BOOT = "0" * 31 + "1"
ROOT = Path(process.__file__).parents[2]

CHILD = """
import json, logging, sys
from pathlib import Path
from daemon.sending import run_send
from shared.site import Bank, Place, Site, WayOut

logging.basicConfig(level=logging.INFO, format="%(message)s")
folder, ways = Path(sys.argv[1]), json.loads(sys.argv[2])
site = Site(
    Place("Cold Fork Ridge", 37.3, -81.1),
    Bank("agm", capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7),
    ways_out={name: WayOut(name, **{**row, "to": tuple(row.get("to", ()))}) for name, row in ways.items()},
)
code = run_send(site, state_folder=folder / "state", send_folder=folder / "sending",
                runtime_folder=folder, secrets_folder=folder / "secrets", once="once" in sys.argv)
print("modules", *(name for name in ("smtplib", "ssl", "rich", "influxdb_client", "pymodbus") if name in sys.modules))
sys.exit(code)
"""


class Hill:
    """A record with notices, and the process that sends them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.children: list[subprocess.Popen[str]] = []
        self.record = Record.open(
            folder / "state", boot_id=BOOT, channels=(), elapsed_s=0.0, wall_utc_s=1_768_239_600.0
        )

    def queue(self, *keys: str) -> None:
        notices: list[Mapping[str, object]] = [
            {
                "key": key,
                "at_s": 1.0,
                "severity": "urgent",
                "state": "raised",
                "site": "Cold Fork Ridge",
                "subject": f"about {key}",
                "text": "line\n",
                "short": f"short {key}",
            }
            for key in keys
        ]
        self.record.commit(Batch(notices=list(notices), until_s=1.0))

    def start(self, *arguments: str, **ways: Mapping[str, object]) -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(self.folder), json.dumps(ways), *arguments],
            cwd=ROOT,
            env=os.environ | {"HALFMARK_BOOT_ID": BOOT},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.children.append(child)
        return child

    def end(self, child: subprocess.Popen[str], number: int | None = signal.SIGTERM) -> tuple[int, str, str]:
        if number is not None:
            child.send_signal(number)
        out, err = child.communicate(timeout=LIMIT_S)
        return child.returncode, out, err


@pytest.fixture
def hill(tmp_path: Path) -> Iterator[Hill]:
    hill = Hill(tmp_path)
    yield hill
    for child in hill.children:
        if child.poll() is None:
            child.kill()
        child.communicate()
    hill.record.close()


def mail_to(port: int, **parts: object) -> dict[str, object]:
    return {"kind": "mail", "server": "127.0.0.1", "port": port, "security": "none", "to": ["a@example.org"], **parts}


def test_a_notice_goes_out_at_once_when_woken_and_sigterm_ends_it_cleanly(hill: Hill) -> None:
    hill.queue("k1")
    with MailSink() as sink:
        child = hill.start(mail=mail_to(sink.port))
        sink.wait(1)  # so it has started, and looks again in 15 s
        hill.queue("k2")
        assert wake_send(hill.folder)
        assert [letter.mail["Subject"] for letter in sink.wait(2)] == ["about k1", "about k2"]
        code, _, err = hill.end(child)
    assert code == 0
    assert "Traceback" not in err
    assert not (hill.folder / SOCKET_NAME).exists()
    state = sending_state(hill.folder / "sending")
    assert state is not None
    ways = state["ways"]
    assert isinstance(ways, dict)
    assert (ways["mail"]["taken"], ways["mail"]["waiting"], state["boot_id"]) == (2, 0, BOOT)


def test_killed_between_hand_over_and_receipt_it_sends_one_duplicate_and_no_more(hill: Hill) -> None:
    hill.queue("k1", "k2")
    with MailSink(stalls=True) as sink:
        child = hill.start(mail=mail_to(sink.port))
        sink.wait(1)  # the server has it, its answer has not come
        child.kill()
        assert child.wait(LIMIT_S) == -signal.SIGKILL
        sink.release()
        assert hill.end(hill.start("once", mail=mail_to(sink.port)), None)[0] == 0
        assert hill.end(hill.start("once", mail=mail_to(sink.port)), None)[0] == 0
        letters = sink.wait(3)
    assert [letter.mail["Subject"] for letter in letters] == ["about k1", "about k1", "about k2"]
    assert letters[0].mail["Message-ID"] == letters[1].mail["Message-ID"] != letters[2].mail["Message-ID"]


def test_with_the_server_down_it_waits_and_once_says_so_by_its_code(hill: Hill) -> None:
    hill.queue("k1")
    port = free_port()
    assert hill.end(hill.start("once", mail=mail_to(port)), None)[0] == process.NOT_ALL
    state = sending_state(hill.folder / "sending")
    assert state is not None
    ways = state["ways"]
    assert isinstance(ways, dict)
    assert (ways["mail"]["waiting"], ways["mail"]["failing_since_s"] is not None) == (1, True)
    assert "refused" in ways["mail"]["last_error"]
    with MailSink(port=port) as sink:
        assert hill.end(hill.start("once", mail=mail_to(port)), None)[0] == 0
        assert len(sink.wait(1)) == 1


def test_sigterm_in_the_middle_of_a_hand_over_ends_it_all_the_same(hill: Hill) -> None:
    hill.queue("k1")
    with MailSink(stalls=True) as sink:
        child = hill.start(mail=mail_to(sink.port))
        sink.wait(1, taken=False)
        code, _, err = hill.end(child)
        assert code == 0
        assert "Traceback" not in err
        sink.release()
        assert hill.end(hill.start("once", mail=mail_to(sink.port)), None)[0] == 0
        assert len(sink.wait(2)) == 2


def test_a_wrong_secret_file_is_told_and_the_other_way_still_works(hill: Hill) -> None:
    hill.queue("k1")
    with MailSink() as sink:
        mail = mail_to(sink.port, secret="mail-password")
        code, _, err = hill.end(hill.start("once", mail=mail, log={"kind": "journal"}), None)
        assert sink.letters == []
    assert code == process.NOT_ALL
    assert "mail-password" in err
    assert "notice short k1" in err


def test_without_ways_out_it_writes_to_the_journal_and_loads_no_mail(hill: Hill) -> None:
    hill.queue("k1")
    code, out, err = hill.end(hill.start("once"), None)
    assert code == 0
    assert "notice about k1" in err
    assert out.split() == ["modules"]


def test_two_senders_on_one_folder_do_not_work_side_by_side(hill: Hill) -> None:
    hill.queue("k1")
    with MailSink() as sink:
        first = hill.start(mail=mail_to(sink.port))
        sink.wait(1)
        code, _, err = hill.end(hill.start(mail=mail_to(sink.port)), None)
        assert code == process.UNREACHED
        assert "another one" in err
        assert hill.end(first)[0] == 0


def a_site() -> Site:
    bank = Bank("agm", capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7)
    return Site(Place("Ridge", 37.3, -81.1), bank, ways_out={"post": WayOut("post", "pigeon")})


def test_once_without_a_record_says_it_can_t_be_reached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HALFMARK_BOOT_ID", BOOT)
    folders = {"state_folder": tmp_path / "none", "send_folder": tmp_path / "s", "runtime_folder": tmp_path}
    code = run_send(a_site(), **folders, secrets_folder=tmp_path, once=True)
    assert code == process.UNREACHED
    assert str(tmp_path / "none") in capsys.readouterr().err


def test_once_sends_what_waits_beside_a_record_that_is_not_there(hill: Hill) -> None:
    (hill.folder / "state").rename(hill.folder / "elsewhere")
    WaitingFile(hill.folder, BOOT).put([Batch(notices=[{"key": "k1", "severity": "act", "subject": "about k1"}])], 1.0)
    with MailSink() as sink:
        code, _, err = hill.end(hill.start("once", mail=mail_to(sink.port)), None)
        assert [letter.mail["Subject"] for letter in sink.wait(1)] == ["about k1"]
    assert code == process.UNREACHED
    assert str(hill.folder / "state") in err


def test_a_kind_this_release_does_not_know_is_said(caplog: pytest.LogCaptureFixture) -> None:
    ways, kinds = process.make_ways(a_site(), lambda name: "")
    assert (list(ways), kinds) == (["journal"], {"journal": "journal"})
    assert "pigeon" in caplog.text


def test_what_the_service_uses_of_sending_loads_no_mail() -> None:
    """`run` has no network and little memory: the wake and the state must bring nothing along."""
    code = "import sys, daemon.sending.wake, daemon.sending.receipts; print(*({'smtplib', 'ssl'} & {*sys.modules}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
