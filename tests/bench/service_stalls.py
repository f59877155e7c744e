"""Whether the service stalls or misses polls while it seals, while `send` copies, beside `verify` and `backup`.

    python tests/bench/service_stalls.py [--hours 24] [--quiet-s 20]

The real service in a process of its own on the simulated site at true rates (shunt 1 s, controller 10 s, commit
10 s), its record filled beforehand with hours of 25 channels (5 each second, 20 each ten seconds) of an earlier
boot, not yet sealed: so it seals and packs them one after the other from its start on, which is the work of days
in seconds. Afterwards `send` copies all of it to a real line-protocol server on this computer; `verify`, moving 200
damaged rows away, and `backup` come last. All the while one client asks the socket for the picture, a hundred
times a second, each time over a connection of its own. A poll gap is the time between two readings of the shunt,
as recorded.
"""

import argparse
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bench.record_site import BenchSite, commits  # noqa: E402

from daemon.control_client import ask  # noqa: E402
from daemon.control_messages import SOCKET_NAME  # noqa: E402
from daemon.record import Anchor, Batch, Record, RecordReader  # noqa: E402
from daemon.sending.receipts import sending_state  # noqa: E402
from servers.line_protocol_server import LineProtocolServer  # noqa: E402
from servers.site_rig import START_UTC_S, RunningService, SiteRig  # noqa: E402
from servers.sites import write_secret  # noqa: E402

ASK_EVERY_S = 0.01
STALL_MS = 100.0
PHASE_MOST_S = 300.0
LOOK_EVERY_S = 0.25
CENTRAL = '\n[central]\nurl = "{url}"\norg = "hill"\nbucket = "sites"\nevery_s = 10\nsecret = "influx-token"\n'
_COUNTS = ("late", "silent", "garbled", "refused")


@dataclass
class Phase:
    """What was seen while one thing went on."""

    name: str
    begin_s: float = 0.0
    end_s: float = 0.0
    asked_ms: list[float] = field(default_factory=list)
    missed: int = 0
    refused: int = 0


def fill(folder: Path, hours: int) -> None:
    """Leave a record with so many hours behind that nobody has sealed."""
    record = Record.open(folder, boot_id="ea" * 16, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    record.commit(Batch(anchors=[Anchor(0, 0.0, START_UTC_S - hours * 3600.0, 0.1, "kernel")]))
    site = BenchSite(start_day=150)
    for _ in range(hours):
        for part in commits(site.hour(), 10.0):
            record.commit(Batch(readings=part, until_s=part[-1].at_s + 0.1))
    record.close()


def watched(service: RunningService, name: str, over: Callable[[], bool]) -> Phase:
    """Ask for the picture again and again until something is over."""
    print(name, file=sys.stderr)
    path = service.folders.runtime / SOCKET_NAME
    phase = Phase(name)
    first = last = service.picture()
    assert first is not None
    began_s = time.monotonic()
    looked_s = began_s
    while True:
        asked_s = time.monotonic()
        answer = ask(path, {"ask": "status"})
        phase.asked_ms.append((time.monotonic() - asked_s) * 1e3)
        picture = answer.get("picture")
        if isinstance(picture, dict):
            last = picture
        else:
            phase.refused += 1
        if asked_s - looked_s >= LOOK_EVERY_S:
            looked_s = asked_s
            if over():
                break
            if asked_s - began_s > PHASE_MOST_S:
                raise AssertionError(f"{name} was not over in {PHASE_MOST_S:g} s")
        time.sleep(max(0.0, ASK_EVERY_S - (time.monotonic() - asked_s)))
    assert last is not None
    phase.begin_s, phase.end_s = first["at_s"], last["at_s"]
    phase.missed = sum(
        last["instruments"][one][count] - first["instruments"][one][count]
        for one in first["instruments"]
        for count in _COUNTS
    )
    return phase


def is_sealed(file: Path) -> bool:
    """Whether nothing of the earlier boot is left to seal or pack, but for hours whose block is not full."""
    db = sqlite3.connect(f"file:{file}?mode=ro", uri=True, isolation_level=None, timeout=1.0)
    with suppress(sqlite3.Error):
        (tail,) = db.execute("SELECT count(*) FROM tail WHERE k < ?", (2 << 40,)).fetchone()
        (piece,) = db.execute("SELECT count(*) FROM piece WHERE k < ?", (2 << 40,)).fetchone()
        db.close()
        return not (tail or piece)
    db.close()
    return False


def is_over(child: "subprocess.Popen[bytes]") -> Callable[[], bool]:
    """Whether a command has ended; it must have ended well."""

    def look() -> bool:
        code = child.poll()
        if code not in (None, 0):
            raise AssertionError(f"{child.args!r} ended with {code}")
        return code == 0

    return look


def is_copied(rig: SiteRig) -> bool:
    """Whether the central store has all of the earlier boot; the present one has no date where no clock is trusted."""
    central = (sending_state(rig.folders.sending) or {}).get("central")
    sent_utc_s = central.get("last_sent_utc_s") if isinstance(central, dict) else None
    return isinstance(sent_utc_s, float) and sent_utc_s >= START_UTC_S - 20.0


def halfmark(rig: SiteRig, *words: str) -> "subprocess.Popen[bytes]":
    """Start a command on the rig's record."""
    command = [sys.executable, "-m", "daemon.main", *words, "--state", str(rig.folders.state)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def phases(rig: SiteRig, service: RunningService, server: LineProtocolServer, quiet_s: float) -> Iterator[Phase]:
    """Everything that goes on, one after the other."""
    service.wait_until_reading()
    file = rig.folders.state / "record.db"
    yield watched(service, "sealing and packing", lambda: is_sealed(file))
    until_s = time.monotonic() + quiet_s
    yield watched(service, "nothing", lambda: time.monotonic() > until_s)
    with server:
        command = [sys.executable, "-m", "daemon.main", "send", str(rig.site_file), "--state", str(rig.folders.state)]
        command += ["--runtime", str(rig.folders.runtime), "--secrets", str(rig.folders.secrets)]
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            yield watched(service, "sending", lambda: is_copied(rig))
        finally:
            child.kill()
            child.wait()
    yield watched(service, "verify", is_over(halfmark(rig, "verify")))
    count = spoil(file)
    yield watched(service, f"set aside, {count} rows", is_over(halfmark(rig, "verify", "--set-aside")))
    with tempfile.TemporaryDirectory() as place:
        yield watched(service, "backup", is_over(halfmark(rig, "backup", f"{place}/copy.db")))


def spoil(file: Path, count: int = 200) -> int:
    """Flip a bit in some sealed rows of the earlier boot; tell in how many."""
    chance = random.Random(4)
    db = sqlite3.connect(file, isolation_level=None, timeout=5.0)
    keys = chance.sample([key for (key,) in db.execute("SELECT k FROM block WHERE k & 3 = 0")], count)
    for key in keys:
        (row,) = db.execute("SELECT row FROM block WHERE k = ?", (key,)).fetchone()
        at = chance.randrange(len(row))
        bent = row[:at] + bytes((row[at] ^ 1 << chance.randrange(8),)) + row[at + 1 :]
        db.execute("UPDATE block SET row = ? WHERE k = ?", (bent, key))
    db.close()
    return count


def gaps_ms(reader: RecordReader, phase: Phase) -> float:
    """The longest time between two readings of the shunt."""
    newest = reader.newest_s()
    assert newest is not None
    since, until = (newest[0], phase.begin_s - 1.5), (newest[0], phase.end_s)
    times = [placed.reading.at_s for placed in reader.readings("shunt", None, since, until)]
    return 1e3 * max((b - a for a, b in zip(times, times[1:], strict=False)), default=0.0)


def main() -> int:
    """Run and print the table; 1 when a poll was missed or an answer took too long."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, default=24, help="of the earlier boot, a multiple of 6")
    parser.add_argument("--quiet-s", type=float, default=20.0)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="hm") as folder:
        server = LineProtocolServer(Path(folder) / "server")
        more = CENTRAL.format(url=server.url)
        rig = SiteRig(Path(folder) / "s", tick_s=1.0, commit_s=10.0, shunt_s=1.0, controller_s=10.0, more=more)
        fill(rig.folders.state, chosen.hours)
        with rig:
            rig.folders.secrets.mkdir(mode=0o700, exist_ok=True)
            write_secret(rig.folder, "influx-token", "t0ken")
            service = rig.start()
            found = list(phases(rig, service, server, chosen.quiet_s))
            code = service.stop()
        with RecordReader(rig.folders.state) as reader:
            rows = [(phase, gaps_ms(reader, phase)) for phase in found]
    print(f"{chosen.hours} h of 25 channels; load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    heads = ("while", "s", "asked", "median ms", "99 % ms", "longest ms", "poll gap ms", "missed")
    print(f"{heads[0]:<22}" + "".join(f"{head:>12}" for head in heads[1:]))
    for phase, gap_ms in rows:
        asked = sorted(phase.asked_ms)
        figures = (
            f"{phase.end_s - phase.begin_s:.0f}",
            str(len(asked)),
            f"{statistics.median(asked):.1f}",
            f"{asked[-len(asked) // 100 - 1]:.1f}",
            f"{asked[-1]:.1f}",
            f"{gap_ms:.0f}",
            str(phase.missed),
        )
        print(f"{phase.name:<22}" + "".join(f"{figure:>12}" for figure in figures))
        if phase.refused:
            print(f"  {phase.refused} answers were refusals")
    bad = [phase.name for phase, _ in rows if phase.missed or max(phase.asked_ms) > STALL_MS]
    return 1 if bad or code else 0


if __name__ == "__main__":
    sys.exit(main())
