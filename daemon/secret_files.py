"""Secrets, read from files that only their owner can read; the site file holds nothing but their names.

A message about a secret never holds any part of it.
"""

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from daemon.configuration_values import is_secret_name
from daemon.errors import ConfigError, SecretAbsent, SecretOutOfReach

SECRET_MOST = 4096  # bytes
OTHERS = 0o077  # any right of group or others
OTHERS_WRITE = 0o022


def read_secret(folder: Path, name: str, *, env: Mapping[str, str] | None = None) -> str:
    """Read one secret.

    The folder that the service manager names in CREDENTIALS_DIRECTORY is its own business: it is
    readable by the service alone, whatever its files' modes seem to say. Everywhere else the file
    must be readable by its owner only, the owner must be root or this user, and nobody else may
    write into the folder.

    Args:
        folder: the secrets folder.
        name: the file's name in it.
        env: the environment, for tests.
    Raises:
        SecretAbsent: the file is not there.
        SecretOutOfReach: this user can't read it.
        ConfigError: the name is no plain name, or the file is a link, open to others, empty or more than a line.
    """
    file = str(folder / name)
    if not is_secret_name(name):
        raise ConfigError.of(str(folder), "a secret is named by a plain file name, never by a path")
    managed = _is_managed(folder, os.environ if env is None else env)
    try:
        if not managed:
            _check_folder(folder)
        return _only_line(_read(folder / name, file, managed=managed), file)
    except FileNotFoundError as why:
        raise SecretAbsent.of(file, "does not exist: put the secret into this file, mode 0600") from why
    except PermissionError as why:
        raise SecretOutOfReach.of(file, "can't be read by this user: give it to the service's user, mode 0600") from why
    except OSError as why:
        raise ConfigError.of(file, f"can't be read: {why.strerror}") from why


def _is_managed(folder: Path, env: Mapping[str, str]) -> bool:
    credentials = env.get("CREDENTIALS_DIRECTORY")
    return bool(credentials) and folder.resolve() == Path(str(credentials)).resolve()


def _check_folder(folder: Path) -> None:
    mode = folder.stat().st_mode
    if mode & OTHERS_WRITE and not mode & stat.S_ISVTX:
        raise ConfigError.of(str(folder), f"mode {_octal(mode)} lets others put files here: chmod go-w {folder}")


def _read(path: Path, file: str, *, managed: bool) -> bytes:
    """Open first and ask afterwards, so that what was checked is what is read."""
    if path.is_symlink():
        raise ConfigError.of(file, "is a link: put the secret itself into the secrets folder")
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise ConfigError.of(file, "is not a plain file")
        if not managed and found.st_mode & OTHERS:
            raise ConfigError.of(file, f"mode {_octal(found.st_mode)} lets others read it: chmod 0600 {file}")
        if not managed and found.st_uid not in (0, os.geteuid()):
            raise ConfigError.of(file, "belongs to another user, who can change it: give it to root or this user")
        data = os.read(handle, SECRET_MOST + 1)
    finally:
        os.close(handle)
    if len(data) > SECRET_MOST:
        raise ConfigError.of(file, f"is longer than {SECRET_MOST} bytes, so it is no secret")
    return data


def _only_line(data: bytes, file: str) -> str:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise ConfigError.of(file, "is not UTF-8 text") from None  # the cause would hold the secret
    line = text.removesuffix("\n").removesuffix("\r")
    if not line.strip():
        raise ConfigError.of(file, "is empty: put the secret into it, on one line")
    if not line.isprintable():
        raise ConfigError.of(file, "holds more than one line, or control characters: one line with the secret alone")
    return line


def _octal(mode: int) -> str:
    return f"{stat.S_IMODE(mode):04o}"
