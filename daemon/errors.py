"""What can go wrong in the daemon, as one tree.

    HalfmarkError            everything the daemon raises on purpose
    |-- ConfigError          a file or a setting the operator wrote is wrong; carries every mistake
    |   |-- SecretAbsent     the file of a secret is not there
    |   `-- SecretOutOfReach the file of a secret can't be read by this user
    |-- StoreError           the record can't be opened, read or written
    |   |-- StoreBusy        another service holds it
    |   |-- StoreDamaged     pages of it can't be read
    |   |-- StoreFull        the disk, or the room given to the record, is full
    |   `-- StoreReadOnly    the folder, the file or the disk can't be written
    `-- ServiceError         the running service can't be reached, or can't go on

The drivers have a root of their own, `drivers.errors.DriverError`. A message names the thing, the
value and the way out.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice

# What a terminal and a log can bear of one value a user wrote.
VALUE_SHOWN_MAX = 60
MISTAKE_SHOWN_MAX = 600
MISTAKES_MAX = 200  # who has more of them has given the wrong file


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong in a file.

    Attributes:
        file: the file as the user named it.
        key: the path of the key in it, such as `bank.cells`; empty when the file itself is wrong.
        value: the value found, as the user would write it; None when nothing is there.
        allowed: what is wrong and what may stand there.
    """

    file: str
    key: str
    value: str | None
    allowed: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        value = "" if self.value is None else f" = {self.value}"
        return printable(f"{place}{value}: {self.allowed}", MISTAKE_SHOWN_MAX)


def printable(text: str, most: int) -> str:
    """Make a text fit for one line of a terminal: cut, and without control bytes."""
    clean = "".join(c if c.isprintable() else "?" for c in text[: most + 1])
    return clean if len(clean) <= most else clean[: most - 3] + "..."


def shown(value: object) -> str:
    """Write one value of a file for a message, as TOML has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value.bit_length() > 4 * VALUE_SHOWN_MAX:
        return "a number of hundreds of digits"  # writing it out takes long, or is refused by Python
    return printable(f'"{value}"' if isinstance(value, str) else str(value), VALUE_SHOWN_MAX)


class HalfmarkError(Exception):
    """Anything the daemon raises on purpose."""


class ConfigError(HalfmarkError):
    """Something the operator wrote is wrong; `mistakes` tells all of it at once, up to MISTAKES_MAX."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes: tuple[Mistake, ...] = tuple(islice(mistakes, MISTAKES_MAX))
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))

    @classmethod
    def of(cls, file: str, allowed: str, *, key: str = "", value: object = None) -> "ConfigError":
        """Make the error of one mistake."""
        return cls([Mistake(file, key, None if value is None else shown(value), allowed)])


class SecretAbsent(ConfigError):
    """The file of a secret is not there."""


class SecretOutOfReach(ConfigError):
    """The file of a secret can't be read by this user; another one may."""


class StoreError(HalfmarkError):
    """The record can't be opened, read or written."""


class StoreBusy(StoreError):
    """Another service holds the record."""


class StoreDamaged(StoreError):
    """Pages of the record can't be read, or make no sense."""


class StoreFull(StoreError):
    """No room is left for the record."""


class StoreReadOnly(StoreError):
    """The record can't be written where it lies."""


class ServiceError(HalfmarkError):
    """The running service can't be reached, or can't go on."""
