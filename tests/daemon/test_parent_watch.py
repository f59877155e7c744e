"""Processes that were started by another one end when it is killed, and leave nothing behind that runs."""

import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from servers.site_rig import SiteRig, wait_for

PARENT = """
import os, subprocess, sys
child = subprocess.Popen([sys.executable, "-m", "daemon.main", *sys.argv[1:], "--end-with", str(os.getpid())])
print(child.pid, flush=True)
child.wait()
"""


def is_running(pid: int) -> bool:
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def senders_of(state: Path) -> list[int]:
    """The processes whose command line is a `send` of this record."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            words = (folder / "cmdline").read_bytes().split(b"\0")
            if b"send" in words and os.fsencode(state) in words:
                found.append(int(folder.name))
    return found


def test_service_and_sender_end_when_what_started_them_is_killed(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        state = rig.folders.state
        words = ["run", str(rig.site_file), "--state", str(state), "--secrets", str(rig.folders.secrets)]
        with (tmp_path / "log").open("wb") as log:
            parent = subprocess.Popen(
                [sys.executable, "-c", PARENT, *words], stdout=subprocess.PIPE, stderr=log, stdin=subprocess.DEVNULL
            )
        assert parent.stdout is not None
        with parent.stdout:
            service = int(parent.stdout.readline())
        wait_for(lambda: senders_of(state), about="the sender")
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        wait_for(lambda: not is_running(service), about="the end of the service")
        wait_for(lambda: not senders_of(state), about="the end of the sender")
        assert "Traceback" not in (tmp_path / "log").read_text()


def test_a_sender_ends_when_its_service_is_killed(tmp_path: Path) -> None:
    with SiteRig(tmp_path / "site") as rig:
        service = rig.start(send=True)
        service.wait_until_reading()
        wait_for(lambda: senders_of(rig.folders.state), about="the sender")
        service.kill()
        wait_for(lambda: not senders_of(rig.folders.state), about="the end of the sender")
