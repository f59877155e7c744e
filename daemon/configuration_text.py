"""The text of a configuration file: read, decoded and parsed, with a clear word for all that can go wrong."""

import stat
import tomllib
from pathlib import Path

from daemon.errors import ConfigError

FILE_MOST = 256 * 1024  # bytes; a real site file has some 3 thousand


def read_text(path: Path, file: str) -> str:
    """Read one configuration file.

    Args:
        path: where it lies.
        file: its name for messages.
    Raises: ConfigError: missing, unreadable, no plain file, too large, not UTF-8.
    """
    data = _read_bytes(path, file)
    if data.startswith(b"\xef\xbb\xbf"):
        raise ConfigError.of(file, "starts with a byte order mark; save it as UTF-8 without one")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ConfigError.of(file, "is UTF-16; save it as UTF-8")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as why:
        line = data.count(b"\n", 0, why.start) + 1
        byte = f"byte 0x{data[why.start]:02x} in line {line}"
        raise ConfigError.of(file, f"is not UTF-8: {byte}; save it as UTF-8") from why


def parse(text: str, file: str) -> dict[str, object]:
    """Parse the text of a TOML file.

    Raises: ConfigError: it is no TOML; the place is told as line and column.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as why:
        raise ConfigError.of(file, f"is not valid TOML: {why}") from why
    except RecursionError as why:
        raise ConfigError.of(file, "is not valid TOML: brackets nested too deeply") from why
    except ValueError as why:  # such as a number of thousands of digits
        raise ConfigError.of(file, f"is not valid TOML: {why}") from why


def _read_bytes(path: Path, file: str) -> bytes:
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # before opening: a pipe would block for ever
            raise ConfigError.of(file, "is not a plain file")
        with path.open("rb") as opened:
            data = opened.read(FILE_MOST + 1)
    except FileNotFoundError as why:
        raise ConfigError.of(file, "does not exist; examples lie in the folder config") from why
    except PermissionError as why:
        raise ConfigError.of(file, "can't be read by this user: check owner and mode") from why
    except (OSError, ValueError) as why:  # ValueError: a NUL in the path
        raise ConfigError.of(file, f"can't be read: {why}") from why
    if len(data) > FILE_MOST:
        raise ConfigError.of(file, f"is larger than {FILE_MOST // 1024} KiB, so it is no site file or register map")
    return data
