"""A record, its copy to a central store and an invented clock, for tests that need no process of their own."""

from collections.abc import Callable, Sequence
from pathlib import Path

from daemon.errors import ConfigError
from daemon.record import Anchor, Batch, Record, RecordReader
from daemon.sending.central import CentralCopy
from daemon.sending.central_feed import CentralFeed
from daemon.sending.central_link import CentralDown, CentralLink, CentralRefused
from daemon.sending.central_memory import CentralMemory
from shared.readings import Reading
from shared.site import Central

BOOT = "c0" * 16
START_UTC_S = 1_780_000_000.0
SITE = "Cold Fork Ridge"


class FakeLink:
    """A server in a few words: takes every line, unless `judge` raises; keeps what it took, in order."""

    def __init__(self) -> None:
        self.token = ""
        self.tokens: list[str] = []
        self.taken: list[str] = []
        self.posts: list[int] = []
        self.judge: Callable[[Sequence[str]], None] = lambda lines: None

    def post(self, lines: Sequence[str]) -> None:
        self.posts.append(len(lines))
        self.judge(lines)
        self.taken += lines

    def close(self) -> None:
        self.tokens.append(f"closed {self.token}")

    def open(self, token: str) -> "FakeLink":
        self.token = token
        self.tokens.append(token)
        return self

    @property
    def readings(self) -> list[str]:
        return [line for line in self.taken if line.startswith("halfmark,")]


def refusing(status: int, *words: str, wait_s: float | None = None) -> Callable[[Sequence[str]], None]:
    """Refuse posts with any line that has one of the words in it; all of them without words."""

    def judge(lines: Sequence[str]) -> None:
        if not words or any(word in line for line in lines for word in words):
            raise CentralRefused(status, f"{status} refused", wait_s)

    return judge


def down(lines: Sequence[str]) -> None:
    raise CentralDown("nobody there")


def hung(lines: Sequence[str]) -> None:
    raise CentralDown("did not answer in time", hung=True)


class Hill:
    """A record that grows, and the copy of it; both can be ended and begun again."""

    def __init__(self, folder: Path, url: str | None = None) -> None:
        """Begin with an empty record in a boot that is placed.

        Args:
            folder: for everything.
            url: of a real server; None for the fake one in `link`.
        """
        self.folder = folder
        self.now_s = 1_000_000.0
        self.token: str | None = "t0ken"
        self.stop = False
        self.link = FakeLink()
        self.url = url
        self.answer_s = 5.0
        self.record = self.open_record(BOOT)
        self.place(0.0, START_UTC_S)
        self.copy = self.begin()

    def open_record(self, boot: str, elapsed_s: float = 0.0) -> Record:
        return Record.open(self.folder / "state", boot_id=boot, elapsed_s=elapsed_s, wall_utc_s=START_UTC_S)

    def place(self, at_s: float, utc_s: float, boot: int = 0) -> None:
        self.record.commit(Batch(anchors=[Anchor(boot, at_s, utc_s, 0.1, "operator")]))

    def reboot(self, boot: str) -> None:
        self.record.close()
        self.record = self.open_record(boot)

    def grow(self, from_s: int, count: int, *, each: int = 10, **values: float) -> None:
        """Commit one reading a second, `each` of them together."""
        for start in range(from_s, from_s + count, each):
            seconds = range(start, min(start + each, from_s + count))
            readings = [Reading("shunt", float(s), {"bank_v": 12.0 + s / 1000.0, **values}) for s in seconds]
            self.record.commit(Batch(readings=readings, until_s=float(seconds[-1]) + 0.5))

    def begin(self) -> CentralCopy:
        """Make the copy as a new process would, with what is on the disk."""
        memory = CentralMemory(self.folder / "sending", "store")
        central = Central(self.url or "http://central.example.org", "hill", "sites")
        self.memory = memory
        self.copy = CentralCopy(
            CentralFeed(SITE, memory),
            memory,
            self.link.open if self.url is None else lambda token: CentralLink(central, token, answer_s=self.answer_s),
            self.tell_token,
            lambda: RecordReader(self.folder / "state"),
            every_s=60.0,
            clock=lambda: self.now_s,
            stopped=lambda: self.stop,
        )
        return self.copy

    def grow_unevenly(self, from_s: int, count: int) -> None:
        """Commit readings as they come: each some milliseconds late, another lateness each."""
        for start in range(from_s, from_s + count, 10):
            readings = [
                Reading("shunt", s + 0.02 + s * 7 % 13 / 1000.0, {"bank_v": s / 1000.0})
                for s in range(start, start + 10)
            ]
            readings.append(Reading("controller", start + 9.6 + start % 7 / 1000.0, {"panel_v": start / 100.0}))
            self.record.commit(Batch(readings=readings, until_s=start + 10.0))

    def kill(self) -> CentralCopy:
        """End as by kill -9: nothing more is written."""
        if self.memory._db is not None:
            self.memory._db.close()
        return self.begin()

    def tell_token(self) -> str:
        if self.token is None:
            raise ConfigError.of("influx-token", "does not exist")
        return self.token

    def turn(self, wait_s: float = 60.0) -> float:
        """Let time pass, take one turn, and give how long it wants to wait."""
        self.now_s += wait_s
        return self.copy.turn() - self.now_s

    def state(self) -> dict[str, object]:
        return dict(self.copy._state())

    def close(self) -> None:
        self.copy.close()
        self.record.close()


def times(lines: Sequence[str]) -> list[int]:
    """The lines' times as seconds since the first boot began."""
    return [round(int(line.rsplit(" ", 1)[1]) / 1000.0 - START_UTC_S) for line in lines]
