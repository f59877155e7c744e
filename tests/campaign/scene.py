"""Where a campaign plays: a simulated site, the real service and sender on it, and what a bystander writes down.

The service runs as it would be installed: `run` and `send` are two processes, a listening socket stands
for the service manager, a loopback mail server for the group's. What the operator is shown is asked of
the running service a few times a second; everything it ever promised is kept, to be compared at the end.
"""

import os
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Any, Self

from campaign.invariants import Witness
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import HalfmarkError
from daemon.screens.looks import take_look
from drivers.virtual.faults import Fault
from drivers.virtual.port import boot_s
from drivers.virtual.site import VirtualSite
from servers.apart import mount_small
from servers.mail_sink import MailSink, SunkLetter
from servers.site_rig import LIMIT_S, RunningService, SiteRig, notify_socket, wait_for

DISK_BYTES = 24 << 20  # of the record's own small disk
ANSWER_S = 1.0  # how long the operator waits for a look
WATCHDOG_S = 6.0
MEMORY_EVERY_S = 0.5
HOLD = """
import fcntl, os, sys
port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(port, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.read()
"""
MORE = """
[alert.controller-hot]
dwell_s = 0
calm_s = 0
[alert.enclosure-hot]
dwell_s = 0
calm_s = 0
[alert.bank-hot]
dwell_s = 0
calm_s = 0
[way-out.group-mail]
kind = "mail"
server = "127.0.0.1"
port = {port}
security = "none"
to = ["trustees@example.org"]
"""


@dataclass(frozen=True)
class Pace:
    """How fast everything goes, s."""

    shunt_s: float = 1.0
    controller_s: float = 10.0
    commit_s: float = 10.0
    reply_s: float = 0.3
    slowest_s: float = 0.4
    tick_s: float = 0.2


TRUE_PACE = Pace()
# The controller's worst turn has to fit between two of the shunt's, as it does at the true pace.
QUICK_PACE = Pace(shunt_s=0.5, controller_s=1.0, commit_s=1.0, reply_s=0.15, slowest_s=0.2, tick_s=0.1)


class HeatedSite(VirtualSite):
    """A simulated site some of whose temperatures can be set by hand."""

    forced: dict[str, float] = {}

    def shown(self, instrument: str) -> dict[str, float | None]:
        shown = super().shown(instrument)
        return {**shown, **{quantity: value for quantity, value in self.forced.items() if quantity in shown}}


class StruckLine:
    """The fault plan of a campaign: what is ordered for a unit strikes its next requests."""

    def __init__(self) -> None:
        self._ordered: dict[int, deque[Fault]] = {1: deque(), 2: deque()}
        self._standing: dict[int, Fault] = {}

    def strike(self, unit: int, fault: Fault, times: int = 1) -> None:
        """Let a fault strike so many requests."""
        self._ordered[unit].extend([fault] * times)

    def keep(self, unit: int, fault: Fault | None) -> None:
        """Let a fault strike every request until another word; None ends it."""
        if fault is None:
            self._standing.pop(unit, None)
        else:
            self._standing[unit] = fault

    def waits(self, unit: int) -> bool:
        """Whether something ordered has not struck yet."""
        return bool(self._ordered[unit])

    def clear(self, unit: int) -> None:
        """Take back what has not struck."""
        self._ordered[unit].clear()
        self.keep(unit, None)

    def next(self, unit: int) -> Fault | None:
        """Tell the fault that begins with this request."""
        try:
            return self._ordered[unit].popleft()
        except IndexError:
            return self._standing.get(unit)


@dataclass
class Life:
    """One service process, from its start to its end.

    Attributes:
        acknowledged: readings it has counted as committed, as last heard.
        told: the exit code it had to end with; None while nothing was done to it.
        memory: (seconds since boot, resident bytes).
    """

    service: RunningService
    began_s: float
    ended_s: float | None = None
    acknowledged: int = 0
    told: int | None = None
    first_look_s: float | None = None
    memory: list[tuple[float, int]] = field(default_factory=list)

    @property
    def pid(self) -> int:
        return self.service.child.pid


class Scene:
    """Everything a fault can lay its hands on; a context manager.

    Args:
        folder: an empty one, whose path is short enough for sockets.
        small_disk: give the record a small file system of its own; only with mounts of one's own.
    """

    def __init__(
        self, folder: Path, *, seed: int, pace: Pace = QUICK_PACE, small_disk: bool = True, mail: bool = True
    ) -> None:
        self.chance = Random(f"{seed}:campaign")
        self.pace = pace
        self.faults = StruckLine()
        self.sink = MailSink()
        self.lives: list[Life] = []
        self.others: list[RunningService] = []
        self.pings: list[tuple[float, int, str]] = []  # when, from which process, its first line
        self.deaf: list[tuple[float, float]] = []  # spans in which no look was answered
        self.picture: dict[str, Any] | None = None
        self.looks = 0
        self.sender: subprocess.Popen[bytes] | None = None
        self.sender_kills = 0
        self.is_down = False  # no service is meant to run now
        self._deaf_since_s: float | None = None
        self._small_disk = small_disk
        self._mail = mail
        self._folder = folder
        self.disk = folder / "record"
        self.kept: list[Path] = []  # records that were taken out of the service's hands, to be judged at the end
        self.rig = self._make_rig(folder, seed)
        self.strikes: Counter[str] = Counter()  # how often a quantity has been made too hot
        self.forced: dict[str, float] = {}
        HeatedSite.forced = self.forced

    def _make_rig(self, folder: Path, seed: int) -> SiteRig:
        pace = self.pace
        return SiteRig(
            folder,
            seed=seed,
            faults=self.faults,
            tick_s=pace.tick_s,
            commit_s=pace.commit_s,
            shunt_s=pace.shunt_s,
            controller_s=pace.controller_s,
            line_keys=f"reply_s = {pace.reply_s}\nslowest_s = {pace.slowest_s}",
            make_site=HeatedSite,
            runtime=folder / "run",
        )

    def _more(self) -> str:
        """More of the site file."""
        return MORE.format(port=self.sink.port) if self._mail else ""

    def __enter__(self) -> Self:
        self.sink.__enter__()
        self.rig.more = self._more()
        self.disk.mkdir(parents=True)
        (self._folder / "run").mkdir()
        if self._small_disk:
            mount_small(self.disk, DISK_BYTES)
        # What was sent is kept on another disk, so that filling or locking the record's strikes the record alone.
        self.sending = self._folder / "sending"
        self.sending.mkdir()
        (self.disk / "sending").symlink_to(self.sending)
        self.rig.__enter__()
        self._listening = notify_socket(self._folder)
        address, listener = self._listening.__enter__()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
        listener.settimeout(0.5)
        self._env = {**os.environ, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6))}
        self._env.pop("WATCHDOG_PID", None)
        self._end = threading.Event()
        self._listener = threading.Thread(target=self._listen, args=(listener,), daemon=True)
        self._listener.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        if self.sender is not None and self.sender.poll() is None:
            self.sender.kill()
            self.sender.wait(LIMIT_S)
        self.rig.__exit__(kind, why, at)
        self._end.set()
        self._listener.join(LIMIT_S)
        self._listening.__exit__(kind, why, at)
        self.sink.__exit__(kind, why, at)

    # -- processes -----------------------------------------------------------------------------

    @property
    def life(self) -> Life:
        """The present service, or the last one."""
        return self.lives[-1]

    def start_service(self) -> Life:
        """Start the service, as the manager does."""
        self.is_down = False
        life = Life(self.rig.start(env=self._env), boot_s())
        self.lives.append(life)
        return life

    def end_service(self, number: signal.Signals) -> int:
        """Ask or force the service to end, and wait for it."""
        life = self.life
        self.is_down = True
        life.told = 0 if number == signal.SIGTERM else -number
        life.service.child.send_signal(number)
        code = life.service.child.wait(LIMIT_S)
        life.ended_s = boot_s()
        self.picture = None
        return code

    def start_sender(self) -> None:
        """Start `send`, as the manager does."""
        command = [*self._program(), *self._send_words()]
        with self.send_log.open("ab") as out:
            self.sender = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=out)

    @property
    def send_log(self) -> Path:
        """What the sender says."""
        return self._folder / "send.log"

    def _program(self) -> list[str]:
        """How the sender's program is started."""
        return [sys.executable, "-m", "daemon.main"]

    def _send_words(self) -> list[str]:
        folders = self.rig.folders
        words = ["send", str(self.rig.site_file), "--state", str(folders.state), "--runtime", str(folders.runtime)]
        return [*words, "--secrets", str(folders.secrets)]

    def end_sender(self, number: signal.Signals) -> int:
        """Ask or force the sender to end, and wait for it."""
        assert self.sender is not None
        self.sender.send_signal(number)
        self.sender_kills += number == signal.SIGKILL
        return self.sender.wait(LIMIT_S)

    def send_the_rest(self) -> int:
        """Let everything that waits be sent, whatever its next turn; gives the exit code of `send --once`."""
        self.sink.answers.clear()
        self.end_sender(signal.SIGTERM)
        command = [*self._program(), *self._send_words(), "--once"]
        return subprocess.run(command, stdin=subprocess.DEVNULL, check=False, timeout=LIMIT_S).returncode

    # -- what the operator is shown ------------------------------------------------------------

    def look(self) -> dict[str, Any] | None:
        """Ask the service for its picture; None while it has none to give. What it promises is written down."""
        now_s = boot_s()
        self.picture = self._ask()
        if self.picture is not None:
            life = self.life
            self.looks += 1
            if self.picture["service"]["pid"] == life.pid:
                life.acknowledged = max(life.acknowledged, self.picture["record"]["readings"])
                life.first_look_s = life.first_look_s or now_s
        self._note_hearing(now_s)
        self._note_memory(now_s)
        return self.picture

    def _ask(self) -> dict[str, Any] | None:
        if self.is_down or not self.lives:
            return None
        with suppress(HalfmarkError):
            answer = ask(self.rig.folders.runtime / SOCKET_NAME, {"ask": "status"}, ANSWER_S)
            picture = answer.get("picture")
            return picture if isinstance(picture, dict) else None
        return None

    def _note_hearing(self, now_s: float) -> None:
        if self.picture is None:
            self._deaf_since_s = now_s if self._deaf_since_s is None else self._deaf_since_s
        elif self._deaf_since_s is not None:
            self.deaf.append((self._deaf_since_s, boot_s()))
            self._deaf_since_s = None

    def _note_memory(self, now_s: float) -> None:
        if self.is_down or not self.lives:
            return
        memory = self.life.memory
        if memory and now_s - memory[-1][0] < MEMORY_EVERY_S:
            return
        with suppress(OSError, IndexError, ValueError):
            pages = int(Path(f"/proc/{self.life.pid}/statm").read_text().split()[1])
            memory.append((now_s, pages * os.sysconf("SC_PAGE_SIZE")))

    def words_of_status(self) -> str:
        """What the command `status` says about the service itself; empty when it simply answers."""
        try:
            told = take_look(self.rig.folders, limit_s=ANSWER_S).told
        except HalfmarkError as why:
            return str(why)
        return f"{told.why}; shows the last picture in the record" if told.why else ""

    def instrument(self, name: str) -> dict[str, Any]:
        """Its counters in the last picture; empty without one."""
        found = self.picture["instruments"].get(name, {}) if self.picture else {}
        assert isinstance(found, dict)
        return found

    def wait_for(self, what: Callable[[dict[str, Any]], object], limit_s: float = LIMIT_S) -> dict[str, Any]:
        """Wait until the picture shows something."""

        def look() -> dict[str, Any] | None:
            picture = self.look()
            if self.life.service.child.poll() is not None:
                raise AssertionError(f"the service ended:\n{self.life.service.log.read_text()}")
            return picture if picture is not None and what(picture) else None

        return wait_for(look, limit_s, about=f"the picture wanted (log: {self.life.service.log.read_text()[-800:]})")

    def wait_until_reading(self, limit_s: float = LIMIT_S) -> dict[str, Any]:
        """Wait until every instrument has answered and something is stored."""
        return self.wait_for(
            lambda p: p["record"]["commits"] and all(i["answered"] for i in p["instruments"].values()), limit_s
        )

    def witness(self, windows_s: Mapping[str, float]) -> Witness:
        """Make a witness of what the instruments hold, told how long one of their turns may take."""
        return Witness(self.rig.line, self.rig.units, windows_s)

    def letters(self) -> list[SunkLetter]:
        """The letters that the mail server has taken."""
        return list(self.sink.taken)

    # -- the service manager's ear -------------------------------------------------------------

    def _listen(self, listener: socket.socket) -> None:
        while not self._end.is_set():
            try:
                text, extra, _, _ = listener.recvmsg(4096, socket.CMSG_SPACE(12))
            except TimeoutError:
                continue
            pid = struct.unpack("3i", extra[0][2])[0] if extra else 0
            self.pings.append((boot_s(), pid, text.decode().split("\n")[0]))


@contextmanager
def held_port(device: Path) -> Iterator[None]:
    """Let another process hold a serial port, as another program does."""
    command = [sys.executable, "-I", "-S", "-c", HOLD, str(device)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None and holder.stdout.readline() == b"held\n"
        try:
            yield
        finally:
            holder.kill()
