"""A file written beside its place and put there whole: a run that is broken off leaves no half file."""

import os
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO

from daemon.errors import ConfigError

ENDING = ".part"


class PartFile:
    """Writes PATH.part, a context manager; renames it to PATH when the block ends well, else removes it."""

    def __init__(self, path: Path) -> None:
        """Make the part file.

        Raises: ConfigError: it can't be made there.
        """
        self.path = path
        self._part = path.with_name(path.name + ENDING)
        try:
            if path.is_dir():
                raise IsADirectoryError(21, "is a folder")
            self.out: IO[str] = self._part.open("w", encoding="utf-8", newline="\n")
        except OSError as why:
            raise ConfigError.of(str(path), f"can't be written: {why.strerror}; name another file") from why

    def __enter__(self) -> IO[str]:
        return self.out

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        try:
            if kind is None:
                self._finish()
        finally:
            self._drop()

    def _finish(self) -> None:
        try:
            self.out.flush()
            os.fsync(self.out.fileno())
            self.out.close()
            self._part.replace(self.path)
        except OSError as why:
            raise ConfigError.of(str(self.path), f"can't be written: {why.strerror}; name another file") from why

    def _drop(self) -> None:
        """Whatever is left of the part file goes; after a good end nothing is."""
        with suppress(OSError):  # what could not be flushed is thrown away with it
            self.out.close()
        self._part.unlink(missing_ok=True)
