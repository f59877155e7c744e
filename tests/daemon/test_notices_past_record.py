"""A site whose disk takes nothing more: its notices leave all the same, once each, and are in the record in the end.

The real service and sender on a small file system of the test's own. The sender's receipts lie on it too.
"""

from collections import Counter
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path

from campaign.scene import HeatedSite
from daemon.record import RecordReader
from daemon.sending.receipts import STAND_IN_NAME, sending_state
from daemon.waiting_file import FILE_NAME
from servers.apart import mount_read_only, mount_small, mount_writable, run_apart
from servers.mail_sink import MailSink
from servers.notice_rig import COOL, MORE
from servers.records import open_folder
from servers.site_rig import RunningService, SiteRig, wait_for
from shared.rules import RULES

DISK_BYTES = 3 << 20  # too small for a ballast
LIMITS = (
    "[alert.controller-hot]\nraise = 45\nclear = 40\ndwell_s = 0\n[alert.record-not-kept]\nraise = 1\nclear = 0.5\n"
)
PIECES = (b"\0" * 65_536, b"\0" * 4096, b"\0")


class Hill:
    """A site with its disk, the service and the sender on it, and the mail server they know."""

    def __init__(self, folder: Path, ends: ExitStack) -> None:
        HeatedSite.forced = dict(COOL)
        self.sink = ends.enter_context(MailSink())
        self.run = folder / "run"
        self.run.mkdir()
        more = MORE.format(port=self.sink.port) + LIMITS
        self.rig = SiteRig(folder / "s", make_site=HeatedSite, more=more, runtime=self.run)
        self.disk = self.rig.folders.state
        self.disk.mkdir(parents=True)
        mount_small(self.disk, DISK_BYTES)
        ends.enter_context(self.rig)

    def start(self) -> RunningService:
        service = self.rig.start(send=True)
        service.wait_until_reading()
        return service

    def fill(self) -> None:
        """Take all room there is left, to the last byte."""
        with (self.disk / "filler").open("ab", buffering=0) as filler:
            for piece in PIECES:
                with suppress(OSError):
                    while filler.write(piece) == len(piece):
                        pass

    def fill_until_told(self, service: RunningService) -> None:
        """Leave no room, until a commit has been refused."""

        def is_told() -> bool:
            self.fill()
            picture = service.picture()
            return picture is not None and "make room" in (picture["record"]["why"] or "")

        wait_for(is_told, about="the refusal of a commit")

    def could_lock(self) -> bool:
        """Make the disk read-only, which can't be done before the last sender is gone."""
        try:
            mount_read_only(self.disk)
        except OSError:
            return False
        return True

    def await_letter(self, rule: str) -> str:
        """The text of the letter about the raising of an alert."""
        words = f"{RULES[rule].title}, raised"

        def found() -> str | None:
            return next((one.text for one in list(self.sink.taken) if words in str(one.mail["Subject"])), None)

        return wait_for(found, about=words)

    def is_all_read(self) -> bool:
        """Whether the sender has read, and written down, the last notice of the record."""
        state = sending_state(self.rig.folders.sending)
        cursor = None if state is None else state["cursor"]
        with RecordReader(self.disk) as reader:
            return isinstance(cursor, list) and cursor[0] == [row.id for row in reader.notices(0, 1000)][-1]

    def has_told_once(self, *rules: str) -> None:
        """Fail unless each has left once and is in the record once, and no message has come twice."""
        counts = Counter(str(letter.mail["Subject"]) for letter in self.sink.taken)
        assert max(counts.values()) == 1, counts
        for rule in rules:
            left = sum(f"{RULES[rule].title}, raised" in subject for subject in counts)
            assert (rule, self.recorded(rule), left) == (rule, 1, 1), counts

    def recorded(self, rule: str) -> int:
        """How often the record has the raising of an alert as an event; its notice is there as often."""
        with RecordReader(self.disk) as reader:
            events = [e for e in reader.alert_events(after_id=0) if (e.rule, e.state) == (rule, "raised")]
            notices = [n.body for n in reader.notices(0, 1000)]
        keys = Counter(str(body["key"]) for body in notices)
        assert max(keys.values(), default=1) == 1, keys
        assert sum((body["rule"], body["state"]) == (rule, "raised") for body in notices) == len(events)
        return len(events)


def on_a_full_disk(folder: Path) -> str:
    with ExitStack() as ends:
        hill = Hill(folder, ends)
        service = hill.start()
        hill.fill_until_told(service)
        HeatedSite.forced = {**COOL, "controller_c": 60.0}
        hill.await_letter("controller-hot")
        told = hill.await_letter("record-not-kept")
        assert (hill.run / FILE_NAME).exists()
        assert hill.recorded("controller-hot") == 0
        wait_for((hill.run / STAND_IN_NAME).exists, about="receipts beside the full disk")
        service.kill()
        hill.fill()
        service = hill.start()
        hill.await_letter("service-restarted")  # the first ones, were they told again, would come before it
        assert hill.recorded("controller-hot") == 0
        (hill.disk / "filler").unlink()
        wait_for(lambda: not (hill.run / FILE_NAME).exists(), about="the record that has it all")
        wait_for(hill.is_all_read, about="the sender at the end of the record's queue")
        hill.has_told_once("controller-hot", "record-not-kept", "service-restarted")
        assert service.stop() == 0
        assert not (hill.run / STAND_IN_NAME).exists()
        return told


def test_on_a_full_disk_notices_leave_once_also_over_a_kill_and_are_recorded_once_there_is_room() -> None:
    with open_folder() as folder:
        told = run_apart(partial(on_a_full_disk, folder), own_mounts=True)
    words = " ".join(told.split())
    assert "0 bytes are free" in words, told
    assert "A card that fails is replaced with the latest backup on it" in words, told


def on_a_read_only_disk(folder: Path) -> None:
    with ExitStack() as ends:
        hill = Hill(folder, ends)
        service = hill.start()
        service.wait_for(lambda p: p["record"]["commits"] and p["sending"] is not None)
        service.kill()
        wait_for(hill.could_lock, about="the disk read-only")
        service = hill.start()
        hill.await_letter("service-restarted")
        wait_for((hill.run / STAND_IN_NAME).exists, about="receipts beside the read-only disk")
        service.kill()
        service = hill.start()
        mount_writable(hill.disk)
        assert service.stop() == 0  # at its end it tries once more
        hill.has_told_once("service-restarted")
        assert not (hill.run / FILE_NAME).exists()


def test_started_on_a_disk_gone_read_only_it_tells_too() -> None:
    with open_folder() as folder:
        run_apart(partial(on_a_read_only_disk, folder), own_mounts=True)
