"""Ends a process that was started by another one when that one has gone, however it went."""

import os
import signal
import threading

LOOK_EVERY_S = 1.0


def end_with(parent: int) -> None:
    """Ask this process to stop (SIGTERM) once `parent`, its parent now, is its parent no more.

    A parent that is killed can't tell its children; without this they would go on for ever, and keep
    ports, locks and folders from the next one.
    """
    threading.Thread(target=_watch, args=(parent,), name="parent watch", daemon=True).start()


def _watch(parent: int) -> None:
    pause = threading.Event()
    while os.getppid() == parent:
        pause.wait(LOOK_EVERY_S)
    os.kill(os.getpid(), signal.SIGTERM)
