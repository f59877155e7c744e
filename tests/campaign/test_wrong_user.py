"""The service started by a user whom the record's folder does not let in."""

import codecs
import importlib.metadata
import os
import signal
import stat
import threading
from pathlib import Path

import pytest

from daemon import main as command_line
from daemon import service
from drivers.transports import modbus_line
from servers.apart import NOBODY, OUTSIDERS, User, run_apart
from servers.records import open_folder, open_record
from servers.site_rig import RunningService, SiteRig, wait_for

LOADED = (service, modbus_line)  # before the user changes, who may not be able to read them


class Here:
    """Stands in for a child process: the service runs in this one."""

    pid = os.getpid()

    def poll(self) -> None:
        return None


def _serve_and_tell(rig: SiteRig) -> tuple[int, str, int]:
    """Run the service in this process until it tells of its record; its exit code, its words, what it read."""
    seen: list[tuple[str, int]] = []
    running = RunningService(Here(), rig.site_file, rig.folders)  # type: ignore[arg-type]

    def look() -> None:
        try:
            picture = running.wait_for(lambda p: p["record"]["why"] and p["instruments"]["shunt"]["answered"] >= 3)
            seen.append((picture["record"]["why"], picture["instruments"]["shunt"]["answered"]))
        finally:
            os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=look, daemon=True).start()
    folders = rig.folders
    options = ["--no-send", "--state", str(folders.state), "--runtime", str(folders.runtime)]
    code = command_line.main(["run", str(rig.site_file), *options])
    return code, *seen[0]


@pytest.fixture
def stranger() -> User | None:
    """Nobody, where the tests run as root; whoever runs them otherwise is locked out by the folder's mode."""
    return User() if os.geteuid() == 0 else None


def test_a_user_who_may_not_write_the_record_reads_on_and_says_so(
    stranger: User | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    version = importlib.metadata.version("halfmark")
    monkeypatch.setattr(importlib.metadata, "version", lambda name: version)  # may lie where a stranger can't read
    for codec in ("ascii", "utf-8", "idna"):
        codecs.lookup(codec)
    with open_folder() as folder:
        runtime = folder / "run"
        runtime.mkdir()
        with SiteRig(folder / "s", runtime=runtime) as rig:
            open_record(rig.folders.state).close()
            if stranger is None:
                rig.folders.state.chmod(0o500)
            else:
                rig.folders.state.chmod(0o755)
                for given in (runtime, Path(rig.port.device)):
                    os.chown(given, NOBODY, OUTSIDERS)
            code, why, answered = run_apart(lambda: _serve_and_tell(rig), user=stranger)
            rig.folders.state.chmod(stat.S_IRWXU)
            assert code == 0 and answered >= 3
            assert "record.lock" in why or "record.db" in why
            assert "chown" in why, "it says what to do"
            right = rig.start()
            right.wait_for(lambda p: p["record"]["readings"] >= 3 and p["record"]["why"] is None)
            assert right.stop() == 0
            wait_for(lambda: not (rig.folders.state / "record.db-wal").exists(), about="a clean end")
