"""The real service used and misused: entries survive a kill, a reload disturbs nothing, abuse ends nothing."""

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.control_client import ask
from daemon.control_messages import REQUEST_MAX, SOCKET_NAME
from daemon.record import RecordReader
from daemon.record.contents import StoredEntry
from servers.site_rig import LIMIT_S, SiteRig, notify_socket, wait_for


@pytest.fixture
def rig(tmp_path: Path) -> SiteRig:
    return SiteRig(tmp_path / "site")


def tell(rig: SiteRig, message: dict[str, object]) -> dict[str, Any]:
    return ask(rig.folders.runtime / SOCKET_NAME, message, LIMIT_S)


def halfmark(rig: SiteRig, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "daemon.main", *arguments, "--state", str(rig.folders.state)]
    return subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=LIMIT_S)


def entries(rig: SiteRig) -> list[StoredEntry]:
    with RecordReader(rig.folders.state) as reader:
        return reader.entries()


def test_what_was_answered_survives_a_kill_once(tmp_path: Path) -> None:
    """The commit period is far longer than the test: only the answer's own commit can have kept it."""
    with SiteRig(tmp_path / "site", commit_s=60.0) as rig:
        first = rig.start()
        first.wait_until_reading()
        answer = tell(rig, {"ask": "measured", "what": "soc", "value": 0.31, "error": 0.01, "who": "mara"})
        first.kill()
        assert answer["stored"] is True
        second = rig.start()
        picture = second.wait_until_reading()
        assert abs(picture["soc_frac"] - answer["after"]["soc_frac"]) < 0.005
        assert 0.9 * answer["after"]["soc_sigma"] < picture["soc_sigma"] < 1.5 * answer["after"]["soc_sigma"]
        assert second.stop() == 0
        assert [(row.who, row.kind) for row in entries(rig)] == [("mara", "measured")]


def test_with_the_service_down_the_commands_say_so(rig: SiteRig) -> None:
    with rig:
        rig.folders.state.mkdir(parents=True)
        for words in (["note", "x"], ["measured", "soc", "80%"], ["changed", "bank"], ["clock", "now"], ["reload"]):
            done = halfmark(rig, *words)
            assert done.returncode == 3, words
            assert "not running" in done.stderr and "systemctl start halfmark" in done.stderr
            assert "Traceback" not in done.stderr


def test_a_reload_refuses_a_bad_file_and_swaps_a_good_one_in(rig: SiteRig, tmp_path: Path) -> None:
    with rig, notify_socket(tmp_path) as (address, listener):
        service = rig.start(env={**os.environ, "NOTIFY_SOCKET": address})
        before = service.wait_until_reading()
        assert listener.recv(4096).startswith(b"READY=1")

        rig.write_site(more="[load.radio]\nidle_b = 1\n[alert.no-such-rule]\nraise = 3")
        refused = halfmark(rig, "reload")
        assert refused.returncode == 2
        assert "idle_b" in refused.stdout and "no-such-rule" in refused.stdout and "old one goes on" in refused.stdout
        assert listener.recv(4096).startswith(b"RELOADING=1\nMONOTONIC_USEC=")
        assert listener.recv(4096).startswith(b"READY=1")

        rig.write_site(more="[alert.controller-hot]\nraise = 51\nclear = 48")
        assert halfmark(rig, "reload").returncode == 0
        picture = service.wait_for(lambda p: p["limits"]["controller_c"]["raise_at"] == 51.0)
        asked = before["instruments"]["shunt"]["asked"]
        assert picture["instruments"]["shunt"]["asked"] > asked, "a line that is as it was is not begun anew"
        assert picture["soc_sigma"] == pytest.approx(before["soc_sigma"], rel=0.1)

        rig.write_site(shunt_s=0.5)
        service.child.send_signal(signal.SIGHUP)
        picture = service.wait_for(lambda p: p["instruments"]["shunt"]["every_s"] == 0.5)
        service.wait_for(lambda p: all(row["answered"] for row in p["instruments"].values()))
        rig.site_file.write_text("[site]\n")
        service.child.send_signal(signal.SIGHUP)
        wait_for(lambda: "old one goes on" in service.log.read_text(), about="the refusal in the log")
        assert service.stop() == 0
        texts = [row.text for row in entries(rig) if row.kind == "reload"]
    assert len(texts) == 2
    assert "alert rules" in texts[0] and "begun anew" not in texts[0]
    assert "line rs485 begun anew" in texts[1]


def test_reloads_at_once_and_lines_that_come_and_go(rig: SiteRig) -> None:
    with rig:
        service = rig.start()
        service.wait_until_reading()
        whole = rig.site_file.read_text()
        bare = whole.replace("[instrument.controller]", "[instrument.charger]")
        answers: list[dict[str, Any]] = []

        def work(text: str) -> None:
            # As editors save: a file that is half written when a reload reads it would be refused, all four times.
            saved = rig.site_file.with_name(f"site-{threading.get_ident()}.toml")
            saved.write_text(text)
            saved.replace(rig.site_file)
            answers.append(tell(rig, {"ask": "reload", "who": "mara"}))

        threads = [threading.Thread(target=work, args=(text,)) for text in (bare, whole, bare, whole)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(LIMIT_S)
        assert len(answers) == 4
        assert any(answer["ok"] for answer in answers)
        assert all(answer["ok"] or "under way" in answer["why"] for answer in answers)
        work(bare)
        picture = service.wait_until_reading()
        assert set(picture["instruments"]) == {"shunt", "charger"}
        assert service.stop() == 0


def raw(rig: SiteRig, data: bytes) -> bytes:
    """Say anything at all to the socket, and hear what comes until it hangs up or has said one line."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(LIMIT_S)
        line.connect(str(rig.folders.runtime / SOCKET_NAME))
        try:
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            return line.recv(65536)
        except (BrokenPipeError, ConnectionResetError):
            return b""


NONSENSE = (
    b"\n",
    b"\x00" * 100 + b"\n",
    b"[]\n",
    b"nonsense\n",
    b'{"v":1}\n',
    b'{"v":1,"ask":7}\n',
    b'{"v":99,"ask":"status"}\n',
    b'{"v":1,"ask":"status"',
    b'{"v":1,"ask":"note","who":"a","text":"' + b"x" * REQUEST_MAX + b'"}\n',
    b'{"v":1,"ask":"measured","what":"soc","value":' + b"9" * 5000 + b',"who":"a"}\n',
    b'{"v":1,"ask":"note","who":"a","text":' + b"[" * 20000 + b"]" * 20000 + b"}\n",
    b'{"v":1,"ask":"note","who":"a","text":"\\ud800"}\n',
    b'{"v":1,"ask":"clock","utc_s":1e308,"who":"a"}\n',
    b'{"v":1,"ask":"clock","utc_s":NaN,"who":"a"}\n',
    b'{"v":1,"ask":"changed","part":{"a":1},"who":"a"}\n',
    b'{"v":1,"ask":"reload","who":""}\n',
    b'{"v":1,"ask":"readings","instrument":"x"}\n',
)
WRONG_COMMANDS = (
    ["note"],
    ["note", "x" * 2000],
    ["note", "--list", "--store", "/nowhere"],
    ["measured"],
    ["measured", "weight", "3"],
    ["measured", "soc", "half"],
    ["measured", "soc", "300%"],
    ["measured", "soc", "nan"],
    ["measured", "rest-voltage", "12.6", "--error", "-1"],
    ["measured", "gravity", "1.2"],
    ["changed"],
    ["changed", "roof"],
    ["clock", "yesterday"],
    ["clock", "1970-01-01T00:00Z"],
    ["clock", "9999-12-31T23:59:59Z"],
    ["clock", "2026-11-25T10:00"],
    ["reload", "now"],
    ["reload", "--who", "x" * 100],
    ["no-such-command"],
)


def _in_threads(works: list[Callable[[], None]]) -> None:
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(LIMIT_S)
        assert not thread.is_alive()


def test_the_service_survives_every_command_misused(rig: SiteRig, capsys: pytest.CaptureFixture[str]) -> None:
    from daemon.main import main

    with rig:
        service = rig.start()
        service.wait_until_reading()
        for words in WRONG_COMMANDS:
            try:
                code = main([*words, "--state", str(rig.folders.state)])
            except SystemExit as end:  # the parser's own way to refuse
                code = end.code if isinstance(end.code, int) else 1
            assert code in (1, 2, 3), words
            assert "Traceback" not in capsys.readouterr().err

        def heard(message: dict[str, object]) -> dict[str, Any]:
            """Ask until there is room: babblers take places, for a moment each."""

            def once() -> dict[str, Any] | None:
                answer = tell(rig, message)
                return None if "clients already" in answer.get("why", "") else answer

            return wait_for(once, about="room at the socket")

        def babble() -> None:
            for data in NONSENSE:
                raw(rig, data)

        def write() -> None:
            for number in range(5):
                assert heard({"ask": "note", "who": "mara", "text": f"note {number}"})["stored"]

        _in_threads([babble] * 4 + [write] * 4)
        picture = heard({"ask": "status"})["picture"]
        late = sum(row["late"] for row in picture["instruments"].values())
        assert late <= 2, "nobody at the socket makes a poll late"
        assert service.stop() == 0
        log = service.log.read_text()
        assert "Traceback" not in log
        texts = [row.text for row in entries(rig) if row.kind == "note" and row.who == "mara"]
    assert sorted(texts) == sorted(f"note {number}" for number in [*range(5)] * 4)
