"""The kinds of value a site file holds, each able to say what is allowed.

A kind is called with what the file says and gives the value as the program uses it, or raises
`WrongValue` with words for a person. TOML knows true from 1 and "1" from 1, and so do these: nothing
is converted quietly.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from attrs import frozen

from shared.topics import PREFIX_WORDS, is_prefix

TEXT_MAX = 200  # characters in any text of a site file
LIST_MAX = 32  # entries in any list of one

NAME_PATTERN = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?\Z")
NAME_WORDS = "a name of 1 to 32 small letters, digits and hyphens, with a letter or digit at both ends"
_SECRET_PATTERN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}\Z")
# What can stand in an SMTP command and in a header as it is: visible ASCII without what quotes or separates.
_ADDRESS_PATTERN = re.compile(r"""[!#-'*+\-./0-9=?A-Z^-~]{1,64}@[A-Za-z0-9.-]{1,190}\Z""")
_HOST_PATTERN = re.compile(r"(?:[A-Za-z0-9](?:[A-Za-z0-9.-]{0,250}[A-Za-z0-9])?|\[[0-9A-Fa-f:.]{2,45}\])\Z")
_URL_PATTERN = re.compile(r"https?://([^/?#\s]+)(?:[/?#]\S*)?\Z")


Place = tuple[str | int, ...]  # keys and indices that lead to a part of a value


class WrongValue(ValueError):
    """A value that can't stand where it stands, or some parts of it.

    Attributes:
        parts: for each mistake the way to the part below the value, and words that say what may stand there.
    """

    def __init__(self, allowed: str, *below: str | int, parts: Sequence[tuple[Place, str]] = ()) -> None:
        super().__init__(allowed)
        self.parts: tuple[tuple[Place, str], ...] = tuple(parts) or ((below, allowed),)


class Kind(Protocol):
    """What may stand at one key."""

    def __call__(self, value: object) -> Any:
        """Give the value as the program uses it; raises WrongValue."""


@frozen
class Number:
    """A number within limits. `why` says what it is and, where a slip is likely, which one."""

    least: float
    most: float
    why: str

    def __call__(self, value: object) -> float:
        """Check one number; true and false, nan and inf are none."""
        allowed = f"a number from {self.least:g} to {self.most:g}: {self.why}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise WrongValue(allowed)
        if not self.least <= value <= self.most:  # also refuses nan, and integers too large for a float
            raise WrongValue(allowed)
        return float(value)


@frozen
class Whole:
    """A whole number within limits."""

    least: int
    most: int
    why: str

    def __call__(self, value: object) -> int:
        """Check one whole number; 6.0 is none, as a count of things has no digits behind the point."""
        if isinstance(value, bool) or not isinstance(value, int) or not self.least <= value <= self.most:
            raise WrongValue(f"a whole number from {self.least} to {self.most}: {self.why}")
        return value


@frozen
class OneOf:
    """One of a few words or numbers."""

    values: tuple[str | int, ...]

    def __call__(self, value: object) -> str | int:
        """Check that the value is one of them, of the same type."""
        for known in self.values:
            if type(value) is type(known) and value == known:
                return known
        raise WrongValue("one of " + ", ".join(str(known) for known in self.values))


@frozen
class Flag:
    """True or false."""

    def __call__(self, value: object) -> bool:
        """Check one flag."""
        if not isinstance(value, bool):
            raise WrongValue("true or false")
        return value


@frozen
class Text:
    """A printable text on one line."""

    why: str
    most: int = TEXT_MAX

    def __call__(self, value: object) -> str:
        """Check one text: not empty, no control characters, which could reach headers and terminals."""
        allowed = f"a text of 1 to {self.most} printable characters: {self.why}"
        if not isinstance(value, str) or not 1 <= len(value) <= self.most or not value.isprintable():
            raise WrongValue(allowed)
        if value != value.strip():
            raise WrongValue(allowed + ", without blanks at its ends")
        return value


@frozen
class Timezone:
    """The name of a time zone."""

    def __call__(self, value: object) -> str:
        """Check that the zone is known to this computer."""
        allowed = 'a time zone such as "UTC" or "Europe/Vienna", as in the system\'s zone table'
        if not isinstance(value, str) or not 1 <= len(value) <= TEXT_MAX or not value.isprintable():
            raise WrongValue(allowed)
        try:
            ZoneInfo(value)
        except (OSError, ValueError, KeyError) as why:  # ZoneInfoNotFoundError is a KeyError
            raise WrongValue(allowed) from why
        return value


@frozen
class DevicePath:
    """The path of a serial port."""

    def __call__(self, value: object) -> str:
        """Check that the path is absolute: a service has no folder of its own to start from."""
        text = Text("the path of a serial port, best its name under /dev/serial/by-id")(value)
        if not text.startswith("/"):
            raise WrongValue("an absolute path, best the port's name under /dev/serial/by-id")
        return text


@frozen
class Endpoint:
    """HOST:PORT of a device on the network."""

    def __call__(self, value: object) -> str:
        """Check one endpoint."""
        allowed = '"HOST:PORT", such as "192.0.2.10:502", the port from 1 to 65535'
        if not isinstance(value, str):
            raise WrongValue(allowed)
        host, _, port = value.rpartition(":")
        if not _HOST_PATTERN.match(host) or not re.match(r"[0-9]{1,5}\Z", port) or not 1 <= int(port) <= 65535:
            raise WrongValue(allowed)
        return value


@frozen
class OwnEndpoint:
    """HOST:PORT at which this computer itself listens, for nobody but itself."""

    def __call__(self, value: object) -> str:
        """Check one endpoint: what is said there is said to whoever asks, so nobody outside may ask."""
        allowed = (
            'an address of this computer itself and a port from 1024 to 65535, such as "127.0.0.1:7412", because '
            "whoever reaches it can read it; to read it from elsewhere take a tunnel, such as ssh -L"
        )
        host, _, port = value.rpartition(":") if isinstance(value, str) else ("", "", "")
        own = host in ("localhost", "[::1]") or re.match(r"127(?:\.(?:0|[1-9][0-9]{0,2})){3}\Z", host)
        parts_fit = all(int(part) <= 255 for part in host.split(".") if part.isdecimal())
        if not own or not parts_fit or not re.match(r"[0-9]{4,5}\Z", port) or not 1024 <= int(port) <= 65535:
            raise WrongValue(allowed)
        assert isinstance(value, str)
        return value


@frozen
class TopicPrefix:
    """What MQTT topics begin with."""

    def __call__(self, value: object) -> str:
        """Check one prefix."""
        if not isinstance(value, str) or not is_prefix(value):
            raise WrongValue(PREFIX_WORDS)
        return value


@frozen
class Host:
    """The name or address of a server."""

    def __call__(self, value: object) -> str:
        """Check one host name."""
        if not isinstance(value, str) or not _HOST_PATTERN.match(value):
            raise WrongValue('a host name or address, such as "mail.example.org", without port or scheme')
        return value


@frozen
class Url:
    """An http or https address, without a password in it."""

    def __call__(self, value: object) -> str:
        """Check one address."""
        allowed = 'an address such as "https://influx.example.org:8086"'
        if not isinstance(value, str) or len(value) > TEXT_MAX or not value.isprintable():
            raise WrongValue(allowed)
        match = _URL_PATTERN.match(value)
        if match is None:
            raise WrongValue(allowed)
        if "@" in match[1]:
            raise WrongValue(allowed + "; user and password never stand in it, name a secret file instead")
        return value


@frozen
class Address:
    """A mail address."""

    def __call__(self, value: object) -> str:
        """Check one address; blanks and line ends, which could add headers, are none of it."""
        if not isinstance(value, str) or not _ADDRESS_PATTERN.match(value) or not value.isprintable():
            raise WrongValue('a mail address such as "trustees@example.org"')
        return value


@frozen
class SecretName:
    """The name of a file in the secrets folder."""

    def __call__(self, value: object) -> str:
        """Check one name; a path could lead out of the folder."""
        if not isinstance(value, str) or not is_secret_name(value):
            raise WrongValue(
                "the name of a file in the secrets folder (letters, digits, dot, hyphen, underscore), "
                "never a path and never the secret itself"
            )
        return value


@frozen
class ListOf:
    """A list, each entry of one kind, none twice."""

    kind: Kind
    why: str

    def __call__(self, value: object) -> tuple[Any, ...]:
        """Check one list; tells which entry is wrong."""
        if not isinstance(value, list) or not 1 <= len(value) <= LIST_MAX:
            raise WrongValue(f"a list of 1 to {LIST_MAX}: {self.why}")
        entries = _each(self.kind, enumerate(value))
        for index, entry in enumerate(entries):
            if entry in entries[:index]:
                raise WrongValue("each entry once", index)
        return tuple(entries)


@frozen
class Argv:
    """A command and its arguments, each as it is handed over; no shell sees them."""

    def __call__(self, value: object) -> tuple[str, ...]:
        """Check one command; the program is named by its whole path, so that no search path decides."""
        allowed = f'a list of 1 to {LIST_MAX} texts, such as ["/usr/local/bin/call-out", "--quiet"]: no shell reads it'
        if not isinstance(value, list) or not 1 <= len(value) <= LIST_MAX:
            raise WrongValue(allowed)
        words = _each(Text("an argument, handed over as it is"), enumerate(value))
        if not words[0].startswith("/"):
            raise WrongValue("the program's whole path, such as /usr/local/bin/call-out", 0)
        return tuple(words)


@frozen
class WordsByQuantity:
    """A table of texts: quantity = "text"."""

    why: str

    def __call__(self, value: object) -> Mapping[str, str]:
        """Check one table; what its keys mean is judged later, with the rest of the file at hand."""
        if not isinstance(value, dict) or len(value) > LIST_MAX:
            raise WrongValue(f"a table of up to {LIST_MAX} rows: {self.why}")
        _each(Text(self.why), value.items())
        return dict(value)


@frozen
class Measures:
    """Where an instrument sits: one word, or a table with one for each of its currents."""

    def __call__(self, value: object) -> str | Mapping[str, str]:
        """Check the shape; which words may stand there depends on what the instrument gives."""
        why = 'such as "bank", or { charge_a = "controller-bank", load_a = "controller-loads" }'
        if isinstance(value, dict):
            return WordsByQuantity(why)(value)
        if not isinstance(value, str):
            raise WrongValue("between which two of panel, controller, bank, loads, computer it measures, " + why)
        return value


def _each(kind: Kind, entries: Iterable[tuple[str | int, object]]) -> list[Any]:
    """Check the parts of a value; those that are wrong are told together."""
    made: list[Any] = []
    wrong: list[tuple[Place, str]] = []
    for place, entry in entries:
        try:
            made.append(kind(entry))
        except WrongValue as why:
            wrong += [((place, *below), allowed) for below, allowed in why.parts]
    if wrong:
        raise WrongValue("some parts are wrong", parts=wrong)
    return made


def is_secret_name(name: str) -> bool:
    """Tell whether a text is a plain file name, fit to name a secret."""
    return _SECRET_PATTERN.match(name) is not None
