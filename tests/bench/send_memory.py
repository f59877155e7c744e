"""What `halfmark send` takes by what a site has configured: resident and own memory, and processor time.

By hand: `python tests/bench/send_memory.py [--seconds 20]`. Each row is the real process on a record of a good day,
with a real broker or a server of the tests' own at the other end, read after some seconds. RSS counts pages shared
with other programs in full, PSS their share, own what would be free without it. Processor time is that between two
looks while nothing but its own turns happens, with MQTT and the central copy at their shortest period, 10 s.
"""

import argparse
import http.client
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from servers.door_rig import BOOT, DoorHill  # noqa: E402
from servers.http_post import Answer, PostServer  # noqa: E402
from servers.mail_sink import free_port  # noqa: E402
from servers.mqtt_broker import MqttBroker, retained  # noqa: E402
from servers.sites import write_site  # noqa: E402

WARM_S = 4.0
UP_S = 20.0
ROW = "{:<34} {:>6} {:>6} {:>6} {:>7} {:>9}"
MAIL = '\n[way-out.m]\nkind = "mail"\nserver = "127.0.0.1"\nport = 9\nsecurity = "none"\nto = ["a@example.org"]\n'
HOOK = '\n[way-out.w]\nkind = "webhook"\nurl = "http://127.0.0.1:9/"\n'


@dataclass(frozen=True)
class Taken:
    """Memory in MiB, threads, and processor time a second."""

    rss: float
    pss: float
    own: float
    threads: int
    cpu: float


def taken(pid: int, seconds: float) -> Taken:
    rollup = Path(f"/proc/{pid}/smaps_rollup")
    before_s, began_s = cpu_s(pid), time.monotonic()
    threading.Event().wait(seconds)
    cpu = (cpu_s(pid) - before_s) / (time.monotonic() - began_s)
    rows = {line.split()[0]: int(line.split()[1]) for line in rollup.read_text().splitlines()[1:]}
    own = rows["Private_Clean:"] + rows["Private_Dirty:"]
    threads = len(list(Path(f"/proc/{pid}/task").iterdir()))
    return Taken(rows["Rss:"] / 1024.0, rows["Pss:"] / 1024.0, own / 1024.0, threads, cpu)


def cpu_s(pid: int) -> float:
    """Processor time of all threads so far, as the scheduler counts it: in ns, where other counters have 10 ms."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def measure(folder: Path, more: str, *, central: str | None, seconds: float, ready: Callable[[], bool]) -> Taken:
    hill = DoorHill(folder, now_s=time.clock_gettime(time.CLOCK_BOOTTIME))
    hill.good_day()
    (folder / "state" / "sockets").mkdir()
    site = write_site(folder, central=central, more=more)
    command = [sys.executable, "-m", "daemon.main", "send", str(site), "--state", str(folder / "state")]
    command += ["--sending", str(folder / "sending"), "--secrets", str(folder / "secrets")]
    environment = os.environ | {"HALFMARK_BOOT_ID": BOOT}
    child = subprocess.Popen(command, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)
    try:
        end_s = time.monotonic() + UP_S
        while not ready():
            assert child.poll() is None and time.monotonic() < end_s, "it never came to work"
            threading.Event().wait(0.2)
        threading.Event().wait(WARM_S)
        return taken(child.pid, seconds)
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(UP_S)
        hill.close()


def asked(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5.0)
    try:
        connection.request("GET", "/metrics")
        return connection.getresponse().read().endswith(b"# EOF\n")
    except OSError:
        return False
    finally:
        connection.close()


def main() -> None:
    """Measure each configuration and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="how long each one is watched")
    seconds = parser.parse_args().seconds
    print(ROW.format("send with", "RSS", "PSS", "own", "threads", "CPU ms/s"))
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        plain = stack.enter_context(MqttBroker(folder / "plain"))
        posts = stack.enter_context(PostServer(judge=lambda got: Answer(204)))
        port = free_port()
        mqtt = (
            f'\n[mqtt]\nserver = "127.0.0.1"\nport = {plain.port}\nsecurity = "none"\nprefix = "bench"\nevery_s = 10\n'
        )
        metrics = f'\n[metrics]\nlisten = "127.0.0.1:{port}"\n'
        shown: Callable[[], bool] = lambda: "bench/state" in retained(plain)  # noqa: E731
        read: Callable[[], bool] = lambda: asked(port)  # noqa: E731
        copied: Callable[[], bool] = lambda: bool(posts.posts)  # noqa: E731
        rows: tuple[tuple[str, str, bool, Callable[[], bool]], ...] = (
            ("the journal alone", "", False, lambda: True),
            ("mail", MAIL, False, lambda: True),
            ("mail, webhook", MAIL + HOOK, False, lambda: True),
            ("metrics", metrics, False, read),
            ("MQTT", mqtt, False, shown),
            ("MQTT, metrics", mqtt + metrics, False, lambda: shown() and read()),
            ("mail, MQTT, metrics", MAIL + mqtt + metrics, False, lambda: shown() and read()),
            ("central copy", "", True, copied),
            ("all of it", MAIL + HOOK + mqtt + metrics, True, lambda: shown() and read() and copied()),
        )
        for number, (words, more, has_central, ready) in enumerate(rows):
            place = folder / str(number)
            place.mkdir()
            central = posts.url if has_central else None
            found = measure(place, more, central=central, seconds=seconds, ready=ready)
            figures = (
                f"{found.rss:.1f}",
                f"{found.pss:.1f}",
                f"{found.own:.1f}",
                found.threads,
                f"{found.cpu * 1e3:.2f}",
            )
            print(ROW.format(words, *figures), flush=True)


if __name__ == "__main__":
    main()
