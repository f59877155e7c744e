"""The example files that come with halfmark, in a checkout or as installed."""

import sys
from pathlib import Path

from daemon.errors import ServiceError


def example_folder() -> Path:
    """Where the example files lie.

    Raises: ServiceError: they are not installed.
    """
    checkout = Path(__file__).resolve().parent.parent / "config"
    installed = Path(sys.prefix) / "share" / "halfmark" / "config"
    for folder in (checkout, installed):
        if (folder / "demo-site.toml").is_file():
            return folder
    raise ServiceError(f"the example files are neither in {checkout} nor in {installed}: install halfmark again")


def example(name: str) -> str:
    """The text of one example file, by its path below the folder."""
    return (example_folder() / name).read_text(encoding="utf-8")
