"""A real server out of a Debian package, run by a test for itself: started, held, killed, started again."""

import fcntl
import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

PATH = f"{os.environ.get('PATH', '')}:/usr/sbin"  # where Debian has some, and not every user looks
UP_S = 20.0
LOOK_EVERY_S = 0.02  # between two looks at another process; no test waits for the time itself


class DebianServer:
    """One server with a folder of its own. A kind of server says how it is started and when it answers."""

    def __init__(self, folder: Path) -> None:
        """Start nothing yet."""
        self.folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def command(self) -> Sequence[str]:
        """The command that starts it; may write its configuration first."""
        raise NotImplementedError

    def answers(self) -> bool:
        """Whether it answers; an OSError means not yet."""
        raise NotImplementedError

    @property
    def log(self) -> str:
        """What it wrote."""
        return (self.folder / "server.log").read_text(errors="replace")

    def start(self) -> None:
        """Start it, also again on what it has, and wait until it answers."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        end_s = time.monotonic() + UP_S
        while time.monotonic() < end_s and self._process.poll() is None:
            try:
                if self.answers():
                    return
            except OSError:
                threading.Event().wait(LOOK_EVERY_S)
        self.stop()
        raise AssertionError(f"the server did not come up: {self.log[-2000:]}")

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End it; SIGTERM lets it write everything first, SIGKILL is a crash."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(signal.SIGCONT)
            process.send_signal(number)
        try:
            process.wait(UP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def hold(self) -> None:
        """Let it accept connections and never answer."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """End the hold."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


def program(package: str) -> str:
    """Where the program that is named as its package is; installed if it is not there yet."""
    if shutil.which(package, path=PATH) is None:
        with (Path(tempfile.gettempdir()) / f"{package}-{os.getuid()}.lock").open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # several workers of one test run
            if shutil.which(package, path=PATH) is None:
                _install(package)
    return found(package, package)


def found(name: str, package: str) -> str:
    """Where a program of a package that is installed is."""
    place = shutil.which(name, path=PATH)
    assert place is not None, f"{name} is needed: apt-get install {package}, or run deploy/test.sh"
    return place


def _install(package: str) -> None:
    """Install a Debian package without starting its own service."""
    assert os.getuid() == 0, f"{package} is needed: run deploy/test.sh, or as root apt-get install {package}"
    policy = Path("/usr/sbin/policy-rc.d")
    is_ours = not policy.exists()
    if is_ours:
        policy.write_text("#!/bin/sh\nexit 101\n")
        policy.chmod(0o755)
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    command = ["apt-get", "install", "-y", "-q", "--no-install-recommends", package]
    try:
        if subprocess.run(command, env=environment, capture_output=True).returncode != 0:
            subprocess.run(["apt-get", "update", "-q"], env=environment, capture_output=True, check=True)
            subprocess.run(command, env=environment, capture_output=True, check=True)
    finally:
        if is_ours:
            policy.unlink()
