"""The second scene of a campaign: a shunt that talks by itself, a controller behind a TCP gateway, a central store.

The store is a small web server of the test that knows one token and refuses what it is told to; what it
took is compared with the record at the end. The sender's waits for it are divided by `HURRY` at the
quick pace, so that a server down for seconds is as one down for minutes.
"""

import json
import math
import sys
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Self

from campaign.invariants import Witness
from campaign.scene import HeatedSite, Pace, Scene
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.record.contents import Placed
from drivers.virtual.text_stream import TextStream
from servers.apart import mount_small
from servers.http_post import Answer, Post, PostServer
from servers.mixed_rig import MixedRig
from shared.readings import Reading

MIXED_QUICK_PACE = Pace(shunt_s=0.4, controller_s=0.5, commit_s=1.0, reply_s=0.3, slowest_s=0.4, tick_s=0.1)
MIXED_TRUE_PACE = Pace(reply_s=0.3, slowest_s=0.4)
HURRY = 20.0
SENDING_BYTES = 2 << 20
TOKEN, SECRET = "right-t0ken", "store-token"
SAID_AS_GOOD = (None, "glued", "junk", "impossible")  # records of which something may be taken
SAID_MOST_S = 1.5  # how much later than said a record may be stamped on a busy machine
SAME = 0.0006
PLACED_MOST_MS = 500  # how far apart the record's and the store's time of one reading may lie
CENTRAL = """
[central]
url = "{url}"
org = "hill"
bucket = "sites"
secret = "{secret}"
every_s = 10
"""
HURRIED = """
import sys
from daemon.sending import central, central_thread
HURRY = float(sys.argv.pop(1))
for name in ("RETRY_LEAST_S", "RETRY_MOST_S", "SLOW_LEAST_S", "SLOW_MOST_S"):
    setattr(central, name, getattr(central, name) / HURRY)
Copy = central_thread.CentralCopy
central_thread.CentralCopy = lambda *parts, every_s, **more: Copy(*parts, every_s=every_s / HURRY, **more)
from daemon.main import main
sys.exit(main(sys.argv[1:]))
"""


class OrderedFaults:
    """A plan by which what is ordered strikes next, and nothing else does."""

    def __init__(self) -> None:
        self._ordered: deque[str] = deque()

    def __call__(self) -> str | None:
        try:
            return self._ordered.popleft()
        except IndexError:
            return None

    def strike(self, name: str, times: int = 1) -> None:
        """Let a fault strike so often."""
        self._ordered.extend([name] * times)

    def waits(self) -> bool:
        """Whether something ordered has not struck yet."""
        return bool(self._ordered)

    def clear(self) -> None:
        """Take back what has not struck."""
        self._ordered.clear()


class Store:
    """The group's central store, as far as a sender sees it; a context manager.

    Attributes:
        taken: every line it has said yes to, in order.
        poison: lines it refuses for good.
        wants_poison: refuse the first line of the next post, and from then on whatever has that line in it.
    """

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.poison: set[str] = set()
        self.wants_poison = False
        self.refused = 0
        self._is_down = False
        self._lock = Lock()
        self._server: PostServer | None = PostServer(judge=self._judge)
        self.port, self.url = self._server.port, self._server.url

    def __enter__(self) -> Self:
        assert self._server is not None
        self._server.__enter__()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.go_down()

    def go_down(self) -> None:
        """Answer nobody any more, on no connection."""
        self._is_down = True
        server, self._server = self._server, None
        if server is not None:
            server.__exit__(None, None, None)

    def come_back(self) -> None:
        """Answer again, at the same address, with all that was taken before."""
        self._is_down = False
        self._server = PostServer(judge=self._judge, port=self.port)
        self._server.__enter__()

    def _judge(self, post: Post) -> Answer:
        with self._lock:
            if self._is_down:
                return Answer(does="close")
            if post.headers.get("authorization") != f"Token {TOKEN}":
                return _refusal(401, "unauthorized", "unauthorized access")
            lines = post.lines
            if self.wants_poison and len(lines) > 1 and lines[0].startswith("halfmark,"):
                self.wants_poison = False
                self.poison.add(lines[0])
            if not self.poison.isdisjoint(lines):
                self.refused += 1
                return _refusal(400, "invalid", "partial write: field type conflict")
            self.taken += lines
            return Answer(204)


def _refusal(status: int, code: str, message: str) -> Answer:
    body = json.dumps({"code": code, "message": message}).encode()
    return Answer(status, {"Content-Type": "application/json"}, body)


class MixedScene(Scene):
    """Like `Scene`, with other ways in and out."""

    rig: MixedRig

    def __init__(self, folder: Path, *, seed: int, pace: Pace = MIXED_QUICK_PACE) -> None:
        self.said = OrderedFaults()  # of the shunt's stream
        self.answered = OrderedFaults()  # of the gateway
        self.store = Store()
        super().__init__(folder, seed=seed, pace=pace)

    def _make_rig(self, folder: Path, seed: int) -> MixedRig:
        pace = self.pace
        return MixedRig(
            folder,
            seed=seed,
            tick_s=pace.tick_s,
            commit_s=pace.commit_s,
            shunt_s=pace.shunt_s,
            controller_s=pace.controller_s,
            make_site=HeatedSite,
            runtime=folder / "run",
            stream_faults=self.said,
            tcp_faults=self.answered,
        )

    def _more(self) -> str:
        return super()._more() + CENTRAL.format(url=self.store.url, secret=SECRET)

    def _program(self) -> list[str]:
        hurry = HURRY if self.pace.controller_s < MIXED_TRUE_PACE.controller_s else 1.0
        return [sys.executable, "-c", HURRIED, str(hurry)]

    def __enter__(self) -> Self:
        self.store.__enter__()
        super().__enter__()
        self.rig.folders.secrets.mkdir(mode=0o700)
        self.write_token(TOKEN)
        mount_small(self.sending, SENDING_BYTES)
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        super().__exit__(kind, why, at)
        self.store.__exit__(kind, why, at)

    def write_token(self, token: str) -> None:
        """Put a token where the sender looks for it."""
        file = self.rig.folders.secrets / SECRET
        file.touch(mode=0o600)
        file.write_text(token + "\n")

    def place_clock(self) -> None:
        """Tell the service that this machine's clock is right, as a person does; else nothing is sent to the store."""
        ask(self.rig.folders.runtime / SOCKET_NAME, {"ask": "clock", "utc_s": "now", "who": "trustee"}, 5.0)

    def witness(self, windows_s: Mapping[str, float]) -> Witness:
        return MixedWitness(self.rig.line, self.rig.units, windows_s, stream=self.rig.stream)


@dataclass
class MixedWitness(Witness):
    """Knows the stream's records too: each reading is one that was said, not long before, and each is taken once."""

    stream: TextStream = field(kw_only=True)

    def take(self, found: Iterable[Placed]) -> None:
        placed = list(found)
        fresh = [p.reading for p in placed if p.reading.instrument == "shunt" and self._is_fresh(p)]
        said = list(self.stream.said)
        for reading in fresh:
            self.judged += 1
            if not any(_was_said(reading, *row) for row in said):
                self.wrong.append(f"shunt at {reading.at_s:.3f}: {reading.values} was not said then")
        super().take(placed)

    def _is_fresh(self, placed: Placed) -> bool:
        return (placed.boot, placed.reading.instrument, round(placed.reading.at_s, 3)) not in self.seen


def _was_said(reading: Reading, at_s: float, values: Mapping[str, float | None], fault: str | None) -> bool:
    if fault not in SAID_AS_GOOD or not reading.at_s - SAID_MOST_S <= at_s <= reading.at_s + 0.01:
        return False
    return all(abs((values.get(name) or 0.0) - value) < SAME for name, value in reading.values.items())


# -- what has to be at the store -------------------------------------------------------------------


def store_disorder(
    found: Sequence[Reading], earlier: Sequence[Reading], taken: Sequence[str], poison: Iterable[str], start_ms: float
) -> list[str]:
    """Tell readings that are not at the store, lines of no reading, and lines out of order.

    Args:
        found: readings of the record the sender still has; all of them have to be there.
        earlier: of records it has no more; any of them may be there.
        taken: lines the store took, in order; the same line twice is one point.
        poison: lines it refused: each stands for a reading that need not be there.
        start_ms: of the boot, ms since 1970.
    """
    points: dict[str, dict[int, Mapping[str, float]]] = {}
    order: dict[str, list[int]] = {}
    for line in dict.fromkeys(taken):
        if line.startswith("halfmark,"):
            instrument, fields, ms = _point(line)
            points.setdefault(instrument, {})[ms] = fields
            order.setdefault(instrument, []).append(ms)
    refused = {(_point(line)[0], _point(line)[2]) for line in poison}
    breaches = [f"{name}: a line came out of order" for name, times in order.items() if times != sorted(times)]
    for reading, must in [*((r, True) for r in found), *((r, False) for r in earlier)]:
        values = {name: value for name, value in reading.values.items() if math.isfinite(value)}
        wanted_ms = start_ms + 1000.0 * reading.at_s
        of_one = points.get(reading.instrument, {})
        near = [ms for ms, fields in of_one.items() if abs(ms - wanted_ms) < PLACED_MOST_MS and fields == values]
        if near:
            del of_one[min(near, key=lambda ms: abs(ms - wanted_ms))]
        elif must and values and not any(i == reading.instrument and abs(ms - wanted_ms) < 500 for i, ms in refused):
            breaches.append(f"{reading.instrument} at {reading.at_s:.3f} is not at the store")
    breaches += [f"{name}: {len(left)} points of no reading" for name, left in points.items() if left]
    return breaches


def _point(line: str) -> tuple[str, Mapping[str, float], int]:
    """Instrument, fields and ms of a line whose tags have no blank but escaped ones."""
    head, fields, ms = line.replace("\\ ", "_").split(" ")
    tags = dict(part.split("=", 1) for part in head.split(",")[1:])
    return tags["instrument"], {k: float(v) for k, v in (one.split("=") for one in fields.split(","))}, int(ms)
