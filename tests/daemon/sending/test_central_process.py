"""`halfmark send` with a central store as it runs: a process of its own, killed, and watched for what it loads."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from daemon.record import Batch
from daemon.sending import process
from daemon.sending.receipts import sending_state
from servers.central_rig import BOOT, Hill, times
from servers.http_post import Answer, Post, PostServer
from servers.line_protocol_server import LineProtocolServer
from servers.sites import write_secret, write_site

ROOT = Path(process.__file__).parents[2]
LIMIT_S = 30.0
LOADED = """
import sys
from daemon.main import main
code = main(sys.argv[1:])
print("loaded", *(n for n in ("influxdb_client", "urllib3", "numpy", "daemon.sending.central") if n in sys.modules))
status = open("/proc/self/status").read()
print("high", int(status.partition("VmHWM:")[2].split()[0]))
sys.exit(code)
"""


class Sending:
    """The process, on the folder of a hill."""

    def __init__(self, hill: Hill) -> None:
        self.hill = hill
        self.children: list[subprocess.Popen[str]] = []

    def start(self, *more: str) -> subprocess.Popen[str]:
        folder = self.hill.folder
        (folder / "state" / "sockets").mkdir(exist_ok=True)
        arguments = ["send", str(folder / "site.toml"), "--state", str(folder / "state")]
        arguments += ["--secrets", str(folder / "secrets"), "--sending", str(folder / "sending"), *more]
        child = subprocess.Popen(
            [sys.executable, "-c", LOADED, *arguments], cwd=ROOT, env=os.environ | {"HALFMARK_BOOT_ID": BOOT},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.children.append(child)
        return child

    def end(self, child: subprocess.Popen[str], number: int | None = signal.SIGTERM) -> tuple[int, str, str]:
        if number is not None:
            child.send_signal(number)
        out, err = child.communicate(timeout=LIMIT_S)
        return child.returncode, out, err

    def until(self, fits: Callable[[Mapping[str, object]], bool]) -> Mapping[str, object]:
        """Wait until the state of the copy is as wanted."""
        end_s = time.monotonic() + LIMIT_S
        central: object = None
        while time.monotonic() < end_s:
            central = (sending_state(self.hill.folder / "sending") or {}).get("central")
            if isinstance(central, dict) and fits(central):
                return central
            os.sched_yield()
        raise AssertionError(f"never so: {central}")


@pytest.fixture
def sending(tmp_path: Path) -> Iterator[Sending]:
    hill = Hill(tmp_path)
    sending = Sending(hill)
    yield sending
    for child in sending.children:
        if child.poll() is None:
            child.kill()
        child.communicate()
    hill.close()


def test_without_a_central_store_nothing_of_it_is_loaded(sending: Sending) -> None:
    write_site(sending.hill.folder)
    sending.hill.grow(0, 10)
    code, out, _ = sending.end(sending.start("--once"), None)
    assert code == 0
    assert out.splitlines()[0].split() == ["loaded"]
    state = sending_state(sending.hill.folder / "sending")
    assert state is not None
    assert state["central"] is None


def test_once_copies_everything_to_the_real_server_within_its_memory(sending: Sending, tmp_path: Path) -> None:
    hill = sending.hill
    with LineProtocolServer(tmp_path / "server") as server:
        write_site(tmp_path, central=server.url)
        hill.grow(0, 20_000, each=100, bank_a=-0.5, bank_ah_counter=12.0)
        code, out, err = sending.end(sending.start("--once"), None)
        assert code == 0, err
        found = {key[0]: len(points) for key, points in server.export("halfmark").items()}
        assert found == dict.fromkeys(("halfmark_bank_v", "halfmark_bank_a", "halfmark_bank_ah_counter"), 20_000)
    loaded, high = out.splitlines()
    assert "numpy" not in loaded
    assert "influxdb_client" in loaded
    assert int(high.split()[1]) < 46 * 1024, "the budget is 45 MiB on a quiet machine"


def test_with_nobody_there_once_says_that_something_waits(sending: Sending) -> None:
    write_site(sending.hill.folder, central="http://127.0.0.1:9")
    sending.hill.grow(0, 10)
    assert sending.end(sending.start("--once"), None)[0] == process.NOT_ALL
    state = sending.until(lambda central: central["failing_since_s"] is not None)
    assert "refused" in str(state["last_error"])
    assert state["next_try_s"] is not None


def test_killed_in_the_middle_of_a_post_nothing_is_lost_and_no_point_is_another(sending: Sending) -> None:
    hill = sending.hill
    with PostServer([Answer(204), Answer(does="hang")]) as server:
        write_site(hill.folder, central=server.url)
        hill.grow(0, 5000, each=50)
        child = sending.start()
        server.wait(2)
        assert sending.end(child, signal.SIGKILL)[0] == -signal.SIGKILL
        hill.place(4000.0, 1_780_000_000.0 + 4000.4)
        assert sending.end(sending.start("--once"), None)[0] == 0
        posts = server.posts
    assert posts[2].lines[: len(posts[1].lines)] == posts[1].lines, "the same points as before the kill"
    lines = list(dict.fromkeys(line for post in posts for line in post.lines if post is not posts[1]))
    assert len(lines) == 5000
    assert lines == sorted(lines, key=lambda line: int(line.rsplit(" ", 1)[1])), "in order"


def test_a_wrong_token_is_told_and_a_corrected_one_is_enough(sending: Sending) -> None:
    def judge(got: Post) -> Answer:
        right = got.headers["authorization"] == "Token right"
        return Answer(204 if right else 401, body=b'{"code":"unauthorized","message":"unauthorized access"}')

    hill = sending.hill
    with PostServer(judge=judge) as server:
        write_site(hill.folder, central=server.url)
        hill.grow(0, 10)
        assert sending.end(sending.start("--once"), None)[0] == process.NOT_ALL
        assert "the token is refused" in str(sending.until(lambda central: bool(central["last_error"]))["last_error"])
        write_secret(hill.folder, "influx-token", "right")
        assert sending.end(sending.start("--once"), None)[0] == 0
        assert times(server.posts[-1].lines) == list(range(10))


def test_no_notice_waits_for_a_central_store_that_hangs(sending: Sending) -> None:
    hill = sending.hill
    told = hill.folder / "told"
    more = f'\n[way-out.file]\nkind = "command"\ncommand = ["/bin/sh", "-c", "cat >>\\"$0\\"", "{told}"]\n'
    with PostServer([Answer(does="hang")]) as server:
        write_site(hill.folder, central=server.url, more=more)
        hill.grow(0, 10)
        child = sending.start()
        server.wait(1)
        notice = {"key": "k1", "severity": "urgent", "subject": "about k1", "text": "x\n", "short": "s", "at_s": 1.0}
        hill.record.commit(Batch(notices=[notice], until_s=11.0))
        from daemon.sending.wake import wake_send

        assert wake_send(hill.folder / "state" / "sockets")
        end_s = time.monotonic() + LIMIT_S
        while time.monotonic() < end_s and not (told.exists() and "about k1" in told.read_text()):
            os.sched_yield()
        assert "about k1" in told.read_text()
        code, _, err = sending.end(child)
    assert code == 0
    assert "Traceback" not in err
