"""Takes the site file again when the sender hangs up (SIGHUP): a bad one is refused, the old goes on."""

import logging
import signal
from collections.abc import Callable
from types import FrameType

from daemon.errors import ConfigError
from shared.site import Site

log = logging.getLogger("halfmark.send")

AGAIN = -1  # what a run of the sender gives when it ended for the site file's sake


def send_and_reload(load: Callable[[], Site], run: Callable[[Site], int]) -> int:
    """Run the sender, each time with the site as its file was when last found right.

    Args:
        load: reads the file; raises ConfigError.
        run: the sender, until it is told to end; gives AGAIN after a hang-up.
    Returns: the exit code of the last run.
    Raises: ConfigError: the file is wrong at the start.
    """
    hung_up: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        hung_up.append(number)

    before = signal.signal(signal.SIGHUP, note)  # for the moments in which no run listens itself
    try:
        site = load()
        while True:
            code = AGAIN if hung_up else run(site)
            if code != AGAIN:
                return code
            hung_up.clear()
            try:
                site = load()
            except ConfigError as why:
                log.error("the site file was not taken, the old one goes on: %s", why)
            else:
                log.warning("took the site file again")
    finally:
        signal.signal(signal.SIGHUP, before)
