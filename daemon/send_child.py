"""Runs `halfmark send` as a child when no service manager does it, and starts it again when it ends."""

import asyncio
import logging
import sys
from collections.abc import Sequence
from contextlib import suppress

log = logging.getLogger("halfmark.send")

RESTART_LEAST_S = 1.0
RESTART_MOST_S = 60.0
STOP_S = 5.0


async def keep_sending(arguments: Sequence[str]) -> None:
    """Keep one `send` process alive; ends it when cancelled.

    Args:
        arguments: what follows `halfmark send` on the command line.
    """
    delay_s = RESTART_LEAST_S
    loop = asyncio.get_running_loop()
    while True:
        began_s = loop.time()
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "daemon.main", "send", *arguments, stdin=asyncio.subprocess.DEVNULL
        )
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
