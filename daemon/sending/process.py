"""The `send` process from start to end: parts put together, signals, the wait for the next thing to do."""

import fcntl
import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import FrameType, MappingProxyType
from typing import TYPE_CHECKING, BinaryIO

from daemon.clock import boot_id, elapsed_s
from daemon.record import RecordReader
from daemon.secret_files import read_secret
from daemon.sending.crew import Crew
from daemon.sending.doors import Doors
from daemon.sending.hang_up import AGAIN
from daemon.sending.journal import JournalWay
from daemon.sending.receipts import ReceiptFile
from daemon.sending.sender import Sender
from daemon.sending.wake import WakeSocket
from daemon.sending.ways import Way
from daemon.waiting_file import WaitingReader
from shared.site import Site, WayOut

if TYPE_CHECKING:  # a site without a central store has no room for it
    from daemon.sending.central import CentralCopy
    from daemon.sending.central_thread import CentralThread

log = logging.getLogger("halfmark.send")

LOOK_EVERY_S = 15.0  # without a wake
STOP_MOST_S = 2.0  # for hand-overs that are under way when the process is to end
DONE, NOT_ALL, UNREACHED = 0, 1, 3  # exit codes
LOCK_NAME = "send.lock"


def _mail(way: WayOut, secret: Callable[[str], str]) -> Way:
    from daemon.sending.mail import MailWay

    return MailWay(way, secret=secret)


def _webhook(way: WayOut, secret: Callable[[str], str]) -> Way:
    from daemon.sending.webhook import WebhookWay

    return WebhookWay(way, secret=secret)


def _command(way: WayOut, secret: Callable[[str], str]) -> Way:
    from daemon.sending.command import CommandWay

    return CommandWay(way)


def _journal(way: WayOut, secret: Callable[[str], str]) -> Way:
    return JournalWay(way.name, way.least)


WAYS: Mapping[str, Callable[[WayOut, Callable[[str], str]], Way]] = MappingProxyType(
    {"mail": _mail, "webhook": _webhook, "command": _command, "journal": _journal}
)


def run_send(
    site: Site,
    *,
    state_folder: Path,
    send_folder: Path,
    runtime_folder: Path,
    secrets_folder: Path,
    once: bool = False,
) -> int:
    """Carry the notices of a site off the hill.

    Args:
        site: with its ways out; without any, notices go to the journal.
        state_folder: of the record, read only.
        send_folder: for the receipts, written by this process only.
        runtime_folder: for the socket that wakes it, what waits for the record, and receipts that can't be written.
        secrets_folder: one file a secret.
        once: try everything that waits once, then end.
    Returns: 0 after SIGTERM, SIGINT, or with `once` when nothing waits any more; 1 with `once` when
        something still waits; 3 when another sender works with this folder, or with `once` when the
        record or the receipts can't be opened, after sending what is known to wait all the same; AGAIN
        after SIGHUP: with the site as its file is now.
    """

    def secret(name: str) -> str:
        return read_secret(secrets_folder, name)

    ways, kinds = make_ways(site, secret)
    with _only_one(send_folder) as alone:
        if not alone:
            print(f"halfmark send: another one works with {send_folder}; stop it first", file=sys.stderr)
            return UNREACHED
        wake = WakeSocket(runtime_folder)
        receipts = ReceiptFile(send_folder, runtime_folder)
        doors = Doors(site, state_folder=state_folder, send_folder=send_folder, secret=secret)
        sender = Sender(
            ways,
            kinds,
            Crew(ways, wake.ring),
            receipts,
            lambda: RecordReader(state_folder),
            boot_id=boot_id(),
            beside=WaitingReader(runtime_folder).notices,
            has_central=site.central is not None,
            doors=doors.names,
        )
        make_central = _central_maker(site, state_folder, send_folder, secret)
        try:
            with _stopping(wake) as stop:
                work = _once if once else _until_stopped
                code = work(sender, wake, stop, make_central, doors)
            return AGAIN if stop.asked and not stop.for_good and not once else code
        finally:
            receipts.close()
            wake.close()


def make_ways(site: Site, secret: Callable[[str], str]) -> tuple[dict[str, Way], dict[str, str]]:
    """Make the site's ways out, in its file's order, and give the kind of each.

    Args:
        site: as configured.
        secret: gives the content of a named secret.
    """
    ways: dict[str, Way] = {}
    kinds: dict[str, str] = {}
    for name, way in site.ways_out.items():
        if way.kind not in WAYS:
            log.warning("way-out.%s: this release knows no kind %r, only %s", name, way.kind, ", ".join(WAYS))
            continue
        ways[name], kinds[name] = WAYS[way.kind](way, secret), way.kind
    if not ways:
        log.info("%s names no way out: notices go to the journal", site.source)
        ways["journal"], kinds["journal"] = JournalWay(), "journal"
    return ways, kinds


MakeCentral = Callable[[Callable[[], bool]], "CentralCopy"]


def _central_maker(
    site: Site, state_folder: Path, send_folder: Path, secret: Callable[[str], str]
) -> MakeCentral | None:
    """Give what makes the copy to the central store; None for a site without one, which loads nothing of it."""
    central = site.central
    if central is None:
        return None

    def make(stopped: Callable[[], bool]) -> "CentralCopy":
        from daemon.sending.central_thread import make_copy

        return make_copy(
            site, central, state_folder=state_folder, send_folder=send_folder, secret=secret, stopped=stopped
        )

    return make


def _until_stopped(
    sender: Sender, wake: WakeSocket, stop: "_Stop", make_central: MakeCentral | None, doors: Doors
) -> int:
    if wake.why is not None:
        log.info("can't be woken (%s): looking each %.0f s", wake.why, LOOK_EVERY_S)
    central: CentralThread | None = None
    while not stop.asked:
        now_s = elapsed_s()
        due_s = sender.turn(now_s)
        if central is None and make_central is not None:  # after the first turn, which opens the receipts
            central = _started(make_central)
        doors.start()
        if wake.wait(LOOK_EVERY_S if due_s is None else min(LOOK_EVERY_S, due_s - now_s)):
            doors.nudge()
    doors.ask_to_stop()
    _let_finish(sender, wake)
    if central is not None:
        central.stop(STOP_MOST_S)
    doors.stop(STOP_MOST_S)
    return DONE


def _started(make: MakeCentral) -> "CentralThread":
    from daemon.sending.central_thread import CentralThread

    central = CentralThread(make)
    central.start()
    return central


def _once(sender: Sender, wake: WakeSocket, stop: "_Stop", make_central: MakeCentral | None, doors: Doors) -> int:
    sender.turn(elapsed_s())
    why = sender.receipts_why or sender.record_why
    if why is not None:
        print(f"halfmark send: {why}", file=sys.stderr)
        if not sender.waiting:
            return UNREACHED
    while not stop.asked:
        now_s = elapsed_s()
        due_s = sender.turn(now_s)
        if not sender.busy and (due_s is None or due_s > now_s):
            break
        wake.wait(LOOK_EVERY_S if due_s is None else min(LOOK_EVERY_S, due_s - now_s))
    _let_finish(sender, wake)
    is_copied = make_central is None or _copied_once(make_central, stop)
    is_shown = doors.once(lambda: stop.asked)
    if why is not None:
        return UNREACHED
    return DONE if is_copied and is_shown and not sender.waiting else NOT_ALL


def _copied_once(make: MakeCentral, stop: "_Stop") -> bool:
    central = make(lambda: stop.asked)
    try:
        central.turn()
        return not central.waits
    finally:
        central.close()


def _let_finish(sender: Sender, wake: WakeSocket) -> None:
    """Wait a little for hand-overs under way, so that their receipts are not lost."""
    end_s = elapsed_s() + STOP_MOST_S
    sender.turn(elapsed_s(), hand_over=False)
    while sender.busy and (left_s := end_s - elapsed_s()) > 0.0:
        wake.wait(left_s)
        sender.turn(elapsed_s(), hand_over=False)


class _Stop:
    """Whether somebody asked the process to end."""

    asked = False
    for_good = False  # and not to begin anew with the site file as it is then


@contextmanager
def _stopping(wake: WakeSocket) -> Iterator[_Stop]:
    """Turn SIGTERM, SIGINT and SIGHUP into a wish that the loop sees at once."""
    stop = _Stop()

    def ask(number: int, frame: FrameType | None) -> None:
        stop.asked = True
        stop.for_good = stop.for_good or number != signal.SIGHUP
        wake.ring()

    known = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    numbers = known if threading.current_thread() is threading.main_thread() else ()
    before = {number: signal.signal(number, ask) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _only_one(folder: Path) -> Iterator[bool]:
    """Hold the lock of the sending folder; False when another process has it.

    A folder that can't be written is no reason to keep a warning back: without a lock it goes on.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock: BinaryIO = (folder / LOCK_NAME).open("ab")
    except OSError as why:
        log.warning("can't lock %s (%s): going on without", folder, why.strerror)
        yield True
        return
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
