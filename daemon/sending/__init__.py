"""The `send` process: the only one with a network; carries notices off the hill until they are taken.

This module imports next to nothing: the service, which must stay small, uses `wake` and `receipts` too.
"""

from pathlib import Path

from shared.site import Site


def run_send(
    site: Site,
    *,
    state_folder: Path,
    send_folder: Path,
    runtime_folder: Path,
    secrets_folder: Path,
    once: bool = False,
) -> int:
    """Run the `send` process until SIGTERM; see `daemon.sending.process.run_send`."""
    from daemon.sending.process import run_send as run

    return run(
        site,
        state_folder=state_folder,
        send_folder=send_folder,
        runtime_folder=runtime_folder,
        secrets_folder=secrets_folder,
        once=once,
    )
