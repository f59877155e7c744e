"""Runs `halfmark send` as a child when no service manager does it, and starts it again when it ends."""

import asyncio
import logging
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress

log = logging.getLogger("halfmark.send")

RESTART_LEAST_S = 1.0
RESTART_MOST_S = 60.0
STOP_S = 5.0


class SendChild:
    """One `send` process, kept alive while `run` runs."""

    def __init__(self, arguments: Sequence[str]) -> None:
        """Take what follows `halfmark send` on the command line; nothing is started yet."""
        self._arguments = tuple(arguments)
        self._child: asyncio.subprocess.Process | None = None

    async def run(self) -> None:
        """Keep the process alive; ends it when cancelled."""
        delay_s = RESTART_LEAST_S
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            command = [sys.executable, "-m", "daemon.main", "send", *self._arguments, "--end-with", str(os.getpid())]
            self._child = child = await asyncio.create_subprocess_exec(*command, stdin=asyncio.subprocess.DEVNULL)
            try:
                code = await child.wait()
            except asyncio.CancelledError:
                await _stop(child)
                raise
            if loop.time() - began_s > RESTART_MOST_S:
                delay_s = RESTART_LEAST_S
            log.warning("send ended with %d; starting it again in %.0f s", code, delay_s)
            await asyncio.sleep(delay_s)
            delay_s = min(RESTART_MOST_S, 2.0 * delay_s)

    def reload(self) -> None:
        """Let the process take the site file again; one that is only starting reads the new one anyway."""
        if self._child is not None:
            with suppress(ProcessLookupError):
                self._child.send_signal(signal.SIGHUP)


async def _stop(child: asyncio.subprocess.Process) -> None:
    with suppress(ProcessLookupError):
        child.terminate()
    try:
        async with asyncio.timeout(STOP_S):
            await child.wait()
    except TimeoutError:
        with suppress(ProcessLookupError):
            child.kill()
        await child.wait()
