"""The thread on which the copy to the central store works, so that no notice ever waits for it."""

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from daemon.clock import elapsed_s
from daemon.record import RecordReader
from daemon.sending.central import RETRY_MOST_S, CentralCopy
from daemon.sending.central_feed import CentralFeed
from daemon.sending.central_link import CentralLink
from daemon.sending.central_memory import CentralMemory
from shared.site import Central, Site

log = logging.getLogger("halfmark.send")


def make_copy(
    site: Site,
    central: Central,
    *,
    state_folder: Path,
    send_folder: Path,
    secret: Callable[[str], str],
    stopped: Callable[[], bool],
) -> CentralCopy:
    """Put the parts of the copy together; nothing is opened yet.

    Args:
        site, central: as configured.
        state_folder: of the record.
        send_folder: for the position.
        secret: gives the content of a named secret.
        stopped: tells that the process is to end.
    """
    memory = CentralMemory(send_folder, " ".join((central.url, central.org, central.bucket)))
    name = central.secret
    return CentralCopy(
        CentralFeed(site.place.name, memory),
        memory,
        lambda token: CentralLink(central, token),
        lambda: "" if name is None else secret(name),
        lambda: RecordReader(state_folder),
        every_s=central.every_s,
        clock=elapsed_s,
        stopped=stopped,
    )


class CentralThread:
    """Lets a copy take its turns until it is told to stop."""

    def __init__(self, make: Callable[[Callable[[], bool]], CentralCopy]) -> None:
        """Start nothing yet.

        Args:
            make: makes the copy, given what tells it to stop.
        """
        self._stop = threading.Event()
        self._copy = make(self._stop.is_set)
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, if it has not begun."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="central store", daemon=True)
            self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """Ask it to end and wait a little; a post that hangs is left behind, and sent again another time."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _work(self) -> None:
        while not self._stop.is_set():
            try:
                wait_s = self._copy.turn() - elapsed_s()
            except Exception:  # our own mistake, told with its trace; the notices must go on
                log.exception("central: mistake in the program")
                wait_s = RETRY_MOST_S
            self._stop.wait(max(0.0, wait_s))
        self._copy.close()
