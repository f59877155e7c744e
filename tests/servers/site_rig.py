"""The real service in a process of its own, polling simulated instruments on a real pseudo-terminal."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import HalfmarkError
from daemon.example_files import example
from daemon.folders import Folders
from drivers.virtual.faults import FaultPlan
from drivers.virtual.live import LiveSite
from drivers.virtual.port import VirtualPort
from drivers.virtual.register_tables import RegisterTable
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit
from drivers.virtual.site import SitePlan, VirtualSite

START_UTC_S = 1_790_000_000.0  # an autumn day, when the simulated sun is up for half of it
LIMIT_S = 20.0
LOOK_EVERY_S = 0.02
T = TypeVar("T")

SITE = """
[site]
name = "Test Ridge"
latitude = 37.284
longitude = -81.139
[bank]
chemistry = "agm"
capacity_ah = 24
cells = 6
absorb_v = 14.4
float_v = 13.7
charge_v_per_k = -0.024
[record]
commit_s = {commit_s}
[line.rs485]
port = "{port}"
baud = 19200
{line}
[instrument.shunt]
line = "rs485"
driver = "register-map"
map = "maps/example-shunt.toml"
unit = 2
every_s = {shunt_s}
measures = "bank"
[instrument.controller]
line = "rs485"
driver = "register-map"
map = "maps/example-controller.toml"
unit = 1
every_s = {controller_s}
[prefer]
bank_v = "shunt"
{more}
"""
MAPS = {"shunt": "maps/example-shunt.toml", "controller": "maps/example-controller.toml"}


def wait_for(look: Callable[[], T | None], limit_s: float = LIMIT_S, about: str = "it") -> T:
    """Look until there is something, at most `limit_s`; what comes of it is returned."""
    until_s = time.monotonic() + limit_s
    while True:
        found = look()
        if found:
            return found
        if time.monotonic() > until_s:
            raise AssertionError(f"{about} did not come in {limit_s} s")
        time.sleep(LOOK_EVERY_S)


@dataclass
class SiteRig:
    """A simulated site on a pseudo-terminal and a folder for the service that watches it."""

    folder: Path
    seed: int = 1
    faults: FaultPlan | None = None
    rate: float = 1.0
    tick_s: float = 0.2
    commit_s: float = 1.0
    shunt_s: float = 0.25
    controller_s: float = 1.0
    more: str = ""
    line_keys: str = ""  # more lines of [line.rs485]
    plan: SitePlan | None = None
    make_site: Callable[..., VirtualSite] = VirtualSite
    runtime: Path | None = None
    turnaround_s: float = 0.0
    links: int = 0
    services: list["RunningService"] = field(default_factory=list)

    def __enter__(self) -> "SiteRig":
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "maps").mkdir(exist_ok=True)
        for name in MAPS.values():
            (self.folder / name).write_text(example(name))
        self.site_file = self.folder / "site.toml"
        self.port_link = self.folder / "port"
        self.write_site()
        numbers = {"shunt": 2, "controller": 1}
        self.units = {n: RtuUnit(number, RegisterTable.parse(example(MAPS[n]))) for n, number in numbers.items()}
        self.line = RtuLine(tuple(self.units.values()), faults=self.faults, turnaround_s=self.turnaround_s)
        site = self.make_site(seed=self.seed, start_utc_s=START_UTC_S, plan=self.plan or SitePlan())
        self.live = LiveSite(site, self.units, tick_s=self.tick_s, rate=self.rate)
        self.port = VirtualPort(self.line, link=self.port_link)
        self.live.start()
        self.port.start()
        return self

    def __exit__(self, *_: object) -> None:
        for service in self.services:
            service.kill()
        self.port.stop()
        self.live.stop()

    def write_site(self, **changed: Any) -> None:
        """Write the site file, with other settings where given."""
        now = {key: changed.get(key, getattr(self, key)) for key in ("commit_s", "shunt_s", "controller_s", "more")}
        self.site_file.write_text(SITE.format(port=changed.get("port", self.port_link), line=self.line_keys, **now))

    @property
    def folders(self) -> Folders:
        """Where this rig's service keeps what it keeps."""
        return Folders.find(state=self.folder / "record", runtime=self.runtime, secrets=self.folder / "secrets", env={})

    def start(self, *more: str, env: Mapping[str, str] | None = None, send: bool = False) -> "RunningService":
        """Start a service; it may still be opening its record when this returns."""
        command = [sys.executable, "-m", "daemon.main", "run", str(self.site_file)]
        command += ["--state", str(self.folders.state), "--runtime", str(self.folders.runtime)]
        command += ["--secrets", str(self.folders.secrets)]
        command += [*([] if send else ["--no-send"]), "--end-with", str(os.getpid()), *more]
        log = self.folder / f"service-{len(self.services)}.log"
        with log.open("wb") as out:
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, env=dict(env or os.environ)
            )
        service = RunningService(child, log, self.folders)
        self.services.append(service)
        return service


@dataclass
class RunningService:
    """A service process."""

    child: subprocess.Popen[bytes]
    log: Path
    folders: Folders

    def picture(self) -> dict[str, Any] | None:
        """What it answers to "status"; None while it does not answer."""
        if self.child.poll() is not None:
            raise AssertionError(f"the service ended with {self.child.returncode}:\n{self.log.read_text()}")
        with suppress(HalfmarkError):
            picture = ask(self.folders.runtime / SOCKET_NAME, {"v": 1, "ask": "status"})["picture"]
            assert isinstance(picture, dict)
            return picture
        return None

    def wait_for(self, what: Callable[[dict[str, Any]], object], limit_s: float = LIMIT_S) -> dict[str, Any]:
        """Wait until the picture shows something."""

        def look() -> dict[str, Any] | None:
            picture = self.picture()
            return picture if picture is not None and what(picture) else None

        return wait_for(look, limit_s, about=f"the picture wanted (log: {self.log.read_text()[-800:]})")

    def wait_until_reading(self) -> dict[str, Any]:
        """Wait until every instrument has answered."""
        return self.wait_for(lambda p: p["instruments"] and all(i["answered"] for i in p["instruments"].values()))

    def stop(self, limit_s: float = LIMIT_S) -> int:
        """Ask it to stop and give its exit code."""
        self.child.send_signal(signal.SIGTERM)
        return self.child.wait(limit_s)

    def kill(self) -> None:
        """End it at once, as a power cut would, as far as a process can tell."""
        if self.child.poll() is None:
            self.child.kill()
        self.child.wait(LIMIT_S)


@contextmanager
def notify_socket(folder: Path) -> Iterator[tuple[str, socket.socket]]:
    """Listen as a service manager does; gives the address for NOTIFY_SOCKET and the socket."""
    path = folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        listener.settimeout(LIMIT_S)
        yield str(path), listener
