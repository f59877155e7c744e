"""A real time-series server that takes line protocol, for tests: Debian's victoria-metrics on a free loopback port.

    with LineProtocolServer(tmp_path) as server:
        ... post to server.url ...
        series = server.export("halfmark")

It knows no token, no bucket and no Flux, and answers 204 also to lines it can't read: so what has
arrived is always read back. It is installed by apt if it is missing and this user may do so.
"""

import fcntl
import json
import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from types import TracebackType

from servers.mail_sink import free_port

PACKAGE = "victoria-metrics"
UP_S = 20.0
ARGUMENTS = (
    "-retentionPeriod=100y",  # else points older than a month are dropped, with a 204
    "-search.latencyOffset=0s",  # else the newest 30 s are hidden
    "-search.disableCache",  # else points that come late don't show
    "-search.maxStalenessInterval=1s",
    "-memory.allowedBytes=64MiB",
)
# Without this flag a point that was sent twice reads back twice: a test can tell doubled ones from others.
DEDUPLICATE = "-dedup.minScrapeInterval=1ms"

Series = dict[tuple[str, tuple[tuple[str, str], ...]], list[tuple[int, float]]]


class LineProtocolServer:
    """One server with a folder of its own; may be stopped, killed, held and started again."""

    def __init__(self, folder: Path, *, deduplicates: bool = True) -> None:
        """Start nothing yet.

        Args:
            folder: for its data and its log.
            deduplicates: whether it keeps one of several points that are the same, as an InfluxDB-v2 server does.
        """
        self.folder = folder
        self.port = free_port()
        self._arguments = (*ARGUMENTS, *((DEDUPLICATE,) if deduplicates else ()))
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "LineProtocolServer":
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def start(self) -> None:
        """Start it, also again on the data it has, and wait until it answers."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(
                [program(), f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}/data",
                 *self._arguments],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        end_s = time.monotonic() + UP_S
        while time.monotonic() < end_s and self._process.poll() is None:
            try:
                if self._get("/health").startswith(b"OK"):
                    return
            except OSError:
                threading.Event().wait(0.02)  # between two looks at another process; no test waits for the time itself
        self.stop()
        raise AssertionError(f"the server did not come up: {(self.folder / 'server.log').read_text()[-2000:]}")

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

    def export(self, measurement: str, field: str = ".+") -> Series:
        """Read back what it has: by measurement_field and tags, each point as (ms, value), oldest first."""
        self._get("/internal/force_flush")
        query = urllib.parse.urlencode(
            {"match[]": f'{{__name__=~"{measurement}_{field}"}}', "start": "0", "end": str(int(time.time()) + 86_400)}
        )
        found: Series = {}
        for line in self._get(f"/api/v1/export?{query}").splitlines():
            row = json.loads(line)
            name = row["metric"].pop("__name__")
            key = (name, tuple(sorted(row["metric"].items())))
            found.setdefault(key, []).extend(zip(row["timestamps"], row["values"], strict=True))
        return {key: sorted(points) for key, points in found.items()}

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"{self.url}{path}", timeout=UP_S) as answer:
            body: bytes = answer.read()
            return body


def program() -> str:
    """Where the server's program is; installed if it is not there yet."""
    found = shutil.which(PACKAGE)
    if found is None:
        with (Path(tempfile.gettempdir()) / f"{PACKAGE}-{os.getuid()}.lock").open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # several workers of one test run
            if shutil.which(PACKAGE) is None:
                _install()
        found = shutil.which(PACKAGE)
    assert found is not None, f"{PACKAGE} is needed: apt-get install {PACKAGE}, or run deploy/test.sh"
    return found


def _install() -> None:
    """Install the package without starting its own service."""
    assert os.getuid() == 0, f"{PACKAGE} is needed: run deploy/test.sh, or as root apt-get install {PACKAGE}"
    policy = Path("/usr/sbin/policy-rc.d")
    is_ours = not policy.exists()
    if is_ours:
        policy.write_text("#!/bin/sh\nexit 101\n")
        policy.chmod(0o755)
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    install = ["apt-get", "install", "-y", "-q", "--no-install-recommends", PACKAGE]
    try:
        if subprocess.run(install, env=environment, capture_output=True).returncode != 0:
            subprocess.run(["apt-get", "update", "-q"], env=environment, capture_output=True, check=True)
            subprocess.run(install, env=environment, capture_output=True, check=True)
    finally:
        if is_ours:
            policy.unlink()
