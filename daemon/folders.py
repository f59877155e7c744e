"""Where a site's files lie: by option, else from the service manager, else the installed places."""

import os
from collections.abc import Mapping
from pathlib import Path

from attrs import frozen

from daemon.errors import ServiceError

SITE_FILE = Path("/etc/halfmark/site.toml")
FOLDER_MODE = 0o750  # the operators' group may look


@frozen
class Folders:
    """The folders of one installation.

    Attributes:
        state: the record; written by `run` only, readable by the operators' group.
        runtime: sockets; gone after a reboot.
        secrets: one file a secret, readable by nobody else.
        sending: receipts and cursor of `send`, written by `send` only.
    """

    state: Path
    runtime: Path
    secrets: Path
    sending: Path

    @classmethod
    def find(
        cls,
        *,
        state: Path | None = None,
        runtime: Path | None = None,
        secrets: Path | None = None,
        sending: Path | None = None,
        env: Mapping[str, str] | None = None,
    ) -> "Folders":
        """Take each folder from its option, else from the environment, else from where it is installed.

        A state folder given by hand brings its own runtime and sending folders with it, so that two
        sites tried out on one machine never meet.
        """
        env = os.environ if env is None else env
        own = state
        state = own or _from_env(env, "STATE_DIRECTORY") or Path("/var/lib/halfmark")
        runtime = runtime or (own / "sockets" if own else None) or _from_env(env, "RUNTIME_DIRECTORY")
        secrets = secrets or _from_env(env, "CREDENTIALS_DIRECTORY") or Path("/etc/halfmark/secrets")
        sending = sending or (own / "sending" if own else Path("/var/lib/halfmark-send"))
        return cls(state, runtime or Path("/run/halfmark"), secrets, sending)


def make_folders(folders: Folders) -> None:
    """Make the service's own folders if they are not there.

    Raises: ServiceError: one can't be made.
    """
    for folder in (folders.state, folders.runtime):
        try:
            folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
        except OSError as why:
            raise ServiceError(f"folder {folder} can't be made: {why.strerror}; make it, or name another") from why


def _from_env(env: Mapping[str, str], name: str) -> Path | None:
    """The first folder the service manager handed over under this name."""
    first = env.get(name, "").split(":")[0]
    return Path(first) if first else None
