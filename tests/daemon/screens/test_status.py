"""The command `status` against a socket, a record, a copy, and nothing at all."""

import asyncio
import io
import json
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import pytest

from daemon.clock import boot_id, elapsed_s
from daemon.control_socket import ControlServer
from daemon.folders import Folders
from daemon.picture import Picture
from daemon.record import Anchor, Batch, Channel, Record
from daemon.screens.status import run_status
from shared.readings import Reading

LIMIT_S = 10.0
OTHER_BOOT = "f" * 32
UTC_S = 1_767_323_045.0  # 2026-01-02 03:04:05 UTC, by `date -u -d @1767323045`


class Screen(io.TextIOWrapper):
    """An output that may be a terminal, with an encoding of its own."""

    def __init__(self, encoding: str = "utf-8", *, terminal: bool = False) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, newline="\n")
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal

    def text(self) -> str:
        self.flush()
        return cast(io.BytesIO, self.buffer).getvalue().decode(self.encoding)


@pytest.fixture
def folders(tmp_path: Path) -> Folders:
    (tmp_path / "state" / "sockets").mkdir(parents=True)
    return Folders.find(state=tmp_path / "state", env={})


def status(
    folders: Folders,
    form: str = "full",
    store: Path | None = None,
    *,
    exit_code: bool = False,
    out: Screen | None = None,
) -> tuple[int, str, str]:
    """Run the command; its exit code, what it printed, and what it said of errors."""
    out, err = out or Screen(), Screen()
    code = run_status(folders, form=form, store=store, exit_code=exit_code, out=out, err=err, limit_s=LIMIT_S)
    return code, out.text(), err.text()


@contextmanager
def service(folders: Folders, answer: Callable[[dict[str, object]], Awaitable[dict[str, object]]]) -> Iterator[None]:
    """A control socket in a thread of its own, as a service in another process would be."""
    ready, end = threading.Event(), asyncio.Event()
    loop = asyncio.new_event_loop()

    async def main() -> None:
        server = ControlServer(folders.runtime / "halfmark.sock", answer)
        await server.start()
        ready.set()
        await end.wait()
        await server.close()

    def run() -> None:
        try:
            loop.run_until_complete(main())
        finally:
            loop.close()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert ready.wait(LIMIT_S)
        yield
    finally:
        loop.call_soon_threadsafe(end.set)
        thread.join(LIMIT_S)
        assert not thread.is_alive()


@contextmanager
def telling(folders: Folders, picture: Mapping[str, object]) -> Iterator[None]:
    async def answer(request: dict[str, object]) -> dict[str, object]:
        return {"picture": dict(picture)} if request["ask"] == "status" else {}

    with service(folders, answer):
        yield


def keep(folders: Folders, picture: Mapping[str, object] | None, *, boot: str, at_s: float, dated: bool) -> Path:
    """Write last words, and a reading 20 s later, as the service would; then it ends."""
    channel = Channel("shunt", "bank_v")
    record = Record.open(folders.state, boot_id=boot, channels=[channel], elapsed_s=at_s, wall_utc_s=0.0)
    anchors = [Anchor(record.boot.number, at_s, UTC_S, 0.1, "kernel")] if dated else []
    readings = [Reading("shunt", at_s + 20.0, {"bank_v": 12.5})]
    state: dict[str, dict[str, object]] = {} if picture is None else {"picture": {**picture, "at_s": at_s}}
    record.commit(Batch(readings=readings, state=state, anchors=anchors, until_s=at_s + 20.0))
    record.close()
    return record.file


# ---- the running service


def test_the_service_is_asked_and_its_words_shown(folders: Folders, full: Picture) -> None:
    with telling(folders, full):
        code, out, err = status(folders)
        assert (code, err) == (0, "")
        assert out.startswith("[ok] Cold Fork Ridge: all well, no alert stands\n")
        assert "\u2588" in out
        code, out, _ = status(folders, "line")
        assert code == 0
        assert out.startswith("Cold Fork Ridge: 62+-3%")
        assert out.count("\n") == 1


def test_json_passes_the_picture_on_whole(folders: Folders, full: Picture) -> None:
    picture = {**full, "lookahead": {"later": "additions \u2713 \x1b"}}
    with telling(folders, picture):
        code, out, _ = status(folders, "json")
    assert code == 0
    assert out.isascii()
    assert "\x1b" not in out
    told = json.loads(out)
    assert told.pop("told_by") == {"service": True, "why": None, "detail": None, "utc": None, "age_s": None}
    assert told == picture


@pytest.mark.parametrize(("name", "code"), [("full", 0), ("worst", 1)])
@pytest.mark.parametrize("form", ["full", "plain", "line", "json"])
def test_the_exit_code_tells_whether_an_alert_stands(
    folders: Folders, name: str, code: int, form: str, request: pytest.FixtureRequest
) -> None:
    with telling(folders, request.getfixturevalue(name)):
        assert status(folders, form, exit_code=True)[0] == code
        assert status(folders, form)[0] == 0


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"ok": False, "why": "not yet"}, "service gives no picture: not yet"),
        ({"picture": [1]}, "service can't be understood: no picture"),
        ({"picture": {"v": 9, "half_mark": 0.5}}, "version 9, this command reads up to 1"),
    ],
)
def test_a_service_without_a_picture_is_told(folders: Folders, answer: dict[str, object], words: str) -> None:
    async def give(_: dict[str, object]) -> dict[str, object]:
        return answer

    with service(folders, give):
        code, out, err = status(folders)
    assert (code, out) == (3, "")
    assert words in err


# ---- how it looks


def test_plain_is_ascii_without_colour_even_on_a_terminal(
    folders: Folders, full: Picture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    full["site"] = "H\u00f6henweg"
    with telling(folders, full):
        _, out, _ = status(folders, "plain", out=Screen(terminal=True))
    assert out.isascii()
    assert "\x1b" not in out
    assert "Hohenweg" in out


@pytest.mark.parametrize(
    ("encoding", "full_start", "line_start"),
    [
        ("ascii", "[ok] ?e: all well", "??: 62"),
        ("latin-1", "[ok] ?e: all well", "?\u00e9: 62"),
        ("utf-8", "[ok] \u5c71\u00e9: all well", "?\u00e9: 62"),  # the short line is for GSM, which has e acute only
    ],
)
def test_the_terminal_gets_only_what_its_encoding_has(
    folders: Folders, full: Picture, encoding: str, full_start: str, line_start: str
) -> None:
    full["site"] = "\u5c71\u00e9"
    with telling(folders, full):
        _, out, _ = status(folders, out=Screen(encoding))
        assert out.startswith(full_start)
        assert ("\u2588" in out) is (encoding == "utf-8")
        assert status(folders, "line", out=Screen(encoding))[1].startswith(line_start)


@pytest.mark.parametrize(
    ("terminal", "env", "coloured"),
    [
        (True, {"TERM": "xterm"}, True),
        (True, {"TERM": "xterm", "NO_COLOR": ""}, True),  # no-color.org: present and not empty
        (True, {"TERM": "xterm", "NO_COLOR": "1"}, False),
        (True, {"TERM": "dumb"}, False),
        (False, {"TERM": "xterm"}, False),
    ],
)
def test_colour_is_for_terminals_that_want_it_and_changes_no_word(
    folders: Folders,
    worst: Picture,
    terminal: bool,
    env: dict[str, str],
    coloured: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    with telling(folders, worst):
        _, out, _ = status(folders, out=Screen(terminal=terminal))
        _, bare, _ = status(folders)
    assert ("\x1b[31m" in out) is coloured
    for code in ("\x1b[31m", "\x1b[32m", "\x1b[33m", "\x1b[0m"):
        out = out.replace(code, "")
    assert out == bare
    assert "\x1b" not in out


# ---- the service down


def test_last_words_of_this_boot_have_an_age_without_any_clock(folders: Folders, full: Picture) -> None:
    keep(folders, full, boot=boot_id(), at_s=max(elapsed_s() - 7200.0, 0.0), dated=False)
    code, out, err = status(folders, "plain")
    assert (code, err) == (0, "")
    assert out.startswith("[?] Cold Fork Ridge: service is not running\n")
    assert " ago; as it was then\n" in out
    assert "UTC" not in out.split("\n")[1]
    assert "newest reading 20 s later" in " ".join(out.split())


def test_last_words_of_another_boot_have_the_date_somebody_vouched_for(folders: Folders, full: Picture) -> None:
    keep(folders, full, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    _, out, _ = status(folders, "plain")
    assert "last words from 2026-01-02 03:04:05 UTC" in out
    told = json.loads(status(folders, "json")[1])
    assert told["soc_frac"] == 0.624
    assert told["told_by"]["service"] is False
    assert told["told_by"]["why"] == "service is not running"
    assert told["told_by"]["utc"] == "2026-01-02T03:04:05+00:00"


def test_last_words_of_a_boot_nobody_dated_have_no_time(folders: Folders, full: Picture) -> None:
    keep(folders, full, boot=OTHER_BOOT, at_s=5000.0, dated=False)
    _, out, _ = status(folders, "plain")
    assert "last words from a time not known; as it was then" in out
    assert "service is not running, last words at a time not known" in status(folders, "line")[1]


def test_what_stands_now_is_not_known_with_the_service_down(folders: Folders, full: Picture) -> None:
    keep(folders, full, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    assert status(folders, exit_code=True)[0] == 3
    assert status(folders)[0] == 0


def test_a_dead_socket_is_a_service_that_is_down(folders: Folders, full: Picture) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(folders.runtime / "halfmark.sock"))
    keep(folders, full, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    assert "service is not running" in status(folders)[1]


def test_a_copy_answers_without_the_service(folders: Folders, worst: Picture, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copyfile(keep(folders, worst, boot=OTHER_BOOT, at_s=5000.0, dated=True), copy)
    with telling(folders, {}):  # nobody asks it
        code, out, err = status(folders, "plain", copy, exit_code=True)
    assert (code, err) == (1, "")
    assert "a copy of the record, not the service" in out
    assert "last words from 2026-01-02 03:04:05 UTC" in out


# ---- nothing to go by


def test_no_service_and_no_record_say_so_and_what_to_do(folders: Folders) -> None:
    code, out, err = status(folders)
    assert (code, out) == (3, "")
    assert err.startswith("halfmark: service is not running: nothing listens at ")
    assert "start it" in err
    assert f"there is no record at {folders.state / 'record.db'}" in err


def test_a_record_without_a_picture_tells_its_newest_reading(folders: Folders) -> None:
    keep(folders, None, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    code, out, err = status(folders)
    assert (code, out) == (3, "")
    assert "holds no picture of the site yet; newest reading: 2026-01-02 03:04:25 UTC" in err


@pytest.mark.parametrize("body", [b"", b"no database at all" * 500])
def test_a_copy_that_is_no_record_is_told(folders: Folders, tmp_path: Path, body: bytes) -> None:
    copy = tmp_path / "copy.db"
    copy.write_bytes(body)
    for store in (copy, tmp_path / "nowhere"):
        code, out, err = status(folders, "json", store)
        assert (code, out) == (3, "")
        assert str(store) in err


def test_last_words_that_can_not_be_read_are_told(folders: Folders) -> None:
    keep(folders, {"v": 9, "half_mark": 0.5}, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    code, out, err = status(folders)
    assert (code, out) == (3, "")
    assert "can't be read: the picture is of version 9" in err


# ---- what it costs


def test_a_look_imports_nothing_heavy(folders: Folders, full: Picture) -> None:
    keep(folders, full, boot=OTHER_BOOT, at_s=5000.0, dated=True)
    heavy = "{'asyncio', 'rich', 'serial', 'pymodbus', 'apscheduler', 'influxdb_client', 'numpy', 'smtplib', 'ssl'}"
    program = (
        "import sys; from pathlib import Path; from daemon.folders import Folders;"
        "from daemon.screens.status import run_status;"
        f"code = run_status(Folders.find(state=Path({str(folders.state)!r}), env={{}}), form='line');"
        f"print(code, sorted({heavy} & set(sys.modules)))"
    )
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stderr == ""
    assert done.stdout.startswith("Cold Fork Ridge: service is not running")
    assert done.stdout.endswith("\n0 []\n")
