"""Kills the service and the sender with signal 9 while alerts are raised and letters go out, and counts letters.

In every second life the site file sets limits that three temperatures are past, in the others those rules are off:
so each pair of lives has alerts to raise and to clear, however many there are. Which process is killed, and when,
is left to chance; the moments lie around the step of the rules in which alerts change.
"""

import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from time import sleep

from campaign import invariants
from campaign.invariants import few
from campaign.scene import HeatedSite
from daemon.record import RecordReader
from drivers.virtual.port import boot_s
from servers.mail_sink import MailSink, SunkLetter
from servers.records import open_folder
from servers.site_rig import LIMIT_S, RunningService, SiteRig

HEAT = {"bank_c": 50.0, "controller_c": 60.0, "enclosure_c": 55.0}
RULES = ("bank-hot", "controller-hot", "enclosure-hot")
ON = "".join(f"[alert.{rule}]\nraise = 20\nclear = 20\ndwell_s = 0\n" for rule in RULES)
OFF = "".join(f"[alert.{rule}]\noff = true\n" for rule in RULES)
WAY = '[way-out.mail]\nkind = "mail"\nserver = "127.0.0.1"\nport = {port}\nsecurity = "none"\nto = ["a@example.org"]\n'
RAISE_S = (4.3, 5.9)  # after its start a service has read its instruments and steps its rules for the second time
CLEAR_S = (0.0, 1.0)  # after its first answer: what is off is cleared in the first step


@dataclass
class NoticeTally:
    """What came of many kills."""

    kills: int = 0
    service_kills: int = 0
    sender_kills: int = 0
    notices: int = 0
    letters: int = 0
    lost: int = 0
    sent_twice: int = 0
    most_of_one: int = 0
    took_s: float = 0.0
    breaches: list[str] = field(default_factory=list)


class _Ground:
    """The rig, and the sender beside it."""

    def __init__(self, rig: SiteRig, sink: MailSink, seed: int) -> None:
        self.rig, self.sink = rig, sink
        self.chance = Random(f"{seed}:notice kills")
        self.sender: subprocess.Popen[bytes] | None = None

    def send(self, *more: str) -> subprocess.Popen[bytes]:
        folders = self.rig.folders
        command = [sys.executable, "-m", "daemon.main", "send", str(self.rig.site_file), *more]
        command += ["--state", str(folders.state), "--runtime", str(folders.runtime)]
        with (self.rig.folder / "send.log").open("ab") as out:
            return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=out)

    def live(self, is_on: bool) -> RunningService:
        """Start a service with limits that are past, or with the rules off, and let it come to where it matters."""
        self.rig.more = WAY.format(port=self.sink.port) + (ON if is_on else OFF)
        self.rig.write_site()
        if self.sender is None:
            self.sender = self.send()
        began_s = boot_s()
        service = self.rig.start()
        if is_on:
            service.wait_until_reading()
            sleep(max(0.0, began_s + self.chance.uniform(*RAISE_S) + self._start_s(service) - boot_s()))
        else:
            service.wait_for(lambda _: True)
            sleep(self.chance.uniform(*CLEAR_S))
        return service

    @staticmethod
    def _start_s(service: RunningService) -> float:
        """How long the interpreter took until the service began: its own count of time begins there."""
        picture = service.picture()
        return 0.0 if picture is None else max(0.0, boot_s() - picture["service"]["up_s"] - _began_s(service))


def _began_s(service: RunningService) -> float:
    fields = Path(f"/proc/{service.child.pid}/stat").read_text().rpartition(")")[2].split()
    return float(fields[19]) / 100.0  # start time in clock ticks since boot, proc(5) field 22


def run_notice_kills(kills: int, seed: int, *, each: Callable[[int], None] = lambda count: None) -> NoticeTally:
    """Kill that many times, then let the rest be sent and judge.

    Args:
        kills: how many; of the service, of the sender or of both at once.
        seed: of choices and moments.
        each: told the count after each kill.
    """
    began_s, tally = boot_s(), NoticeTally(kills=kills)
    HeatedSite.forced = dict(HEAT)
    with (
        open_folder() as folder,
        MailSink() as sink,
        SiteRig(
            folder / "s", seed=seed, commit_s=1.0, shunt_s=0.5, controller_s=0.5, make_site=HeatedSite,
            runtime=folder / "run",
        ) as rig,
    ):  # fmt: skip
        (folder / "run").mkdir()
        ground = _Ground(rig, sink, seed)
        for count in range(kills):
            _one_life(ground, tally, is_on=count % 2 == 0)
            each(count + 1)
        last = ground.live(is_on=False)
        last.wait_for(lambda p: p["record"]["commits"] >= 2)
        if last.stop():
            tally.breaches.append("the last service did not end as it should")
        if ground.sender is not None:
            ground.sender.send_signal(signal.SIGTERM)
            ground.sender.wait(LIMIT_S)
        if ground.send("--once").wait(LIMIT_S):
            tally.breaches.append("not everything could be sent")
        _judge(rig, list(sink.taken), tally)
    tally.took_s = boot_s() - began_s
    return tally


def _one_life(ground: _Ground, tally: NoticeTally, *, is_on: bool) -> None:
    service = ground.live(is_on)
    victims = ground.chance.choice(("service", "service", "sender", "both"))
    if victims != "service" and ground.sender is not None:
        ground.sender.kill()
        tally.sender_kills += 1
    if victims == "sender":
        service.stop()
    else:
        service.kill()
        tally.service_kills += 1
    if victims != "service" and ground.sender is not None:
        ground.sender.wait(LIMIT_S)
        ground.sender = None


def _judge(rig: SiteRig, letters: list[SunkLetter], tally: NoticeTally) -> None:
    with RecordReader(rig.folders.state) as reader:
        events, notices = reader.alert_events(), reader.notices(limit=100_000)
    counts = Counter(str(letter.mail["Message-ID"]) for letter in letters)
    once = {str(letter.mail["Message-ID"]): str(letter.mail["Subject"]) for letter in letters}
    queued = Counter(str(notice.body["subject"]) for notice in notices)
    arrived = Counter(once.values())
    tally.notices, tally.letters = len(notices), len(letters)
    tally.lost = (queued - arrived).total()
    tally.sent_twice = sum(count - 1 for count in counts.values())
    tally.most_of_one = max(counts.values(), default=0)
    tally.breaches += few("lost", [f"{count} of {subject!r}" for subject, count in (queued - arrived).items()])
    tally.breaches += few("of no notice", [f"{count} of {name!r}" for name, count in (arrived - queued).items()])
    tally.breaches += few("alert", invariants.alert_disorder(events))
    tally.breaches += few("notice", invariants.notice_disorder(events, notices))
    if tally.most_of_one > 2:
        tally.breaches.append(f"a letter went out {tally.most_of_one} times")
    if tally.sent_twice > tally.sender_kills:
        tally.breaches.append(f"{tally.sent_twice} letters twice, {tally.sender_kills} kills of the sender")


def table(tally: NoticeTally) -> str:
    """Write a tally for people."""
    rows = [(name.replace("_", " "), value) for name, value in vars(tally).items() if name != "breaches"]
    return "\n".join([*(f"{name:<24}{value:>12.4g}" for name, value in rows), *tally.breaches])
