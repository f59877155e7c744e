"""What the service tells the service manager that started it, and when it may say "I am alive".

The protocol is one datagram of `KEY=value` lines to the socket named in NOTIFY_SOCKET
(sd_notify(3)). Started by hand there is no such socket, and everything here does nothing.

The service manager restarts a service that has stopped saying WATCHDOG=1. So that this means
something, it is said only while every line's task goes on finishing its turns and the writer goes
on finishing its commit attempts. An instrument that is missing, a full disk or an unset clock are
no reason to restart: a turn that ended in a time-out counts, and so does a commit that was refused.
"""

import socket
from collections.abc import Mapping

from daemon.errors import ServiceError

SEND_LIMIT_S = 0.2  # the longest the event loop may wait for the manager's socket to have room
STATUS_LIMIT = 200  # characters; a status is one line on a terminal
PINGS_AN_INTERVAL = 2.0  # sd_watchdog_enabled(3) recommends a ping at half the interval


class Supervisor:
    """The way to the service manager; silent when there is none.

    Every call says if the message was handed over. A failure is kept in `trouble` and nothing
    more comes of it: whether the manager hears us must not decide whether the bank is watched.
    """

    def __init__(self, address: str | None) -> None:
        """Take the socket's address: a path, or "@name" in the abstract name space; None for no manager.

        Raises: ServiceError: an address of another kind.
        """
        if address is not None and address[:1] not in ("/", "@"):
            raise ServiceError(f"NOTIFY_SOCKET is {address!r}: only a path or an @name can be reached; unset it")
        self.trouble: str | None = None
        self._address = "\0" + address[1:] if address is not None and address[0] == "@" else address

    @classmethod
    def from_environment(cls, environ: Mapping[str, str]) -> "Supervisor":
        """The manager named in NOTIFY_SOCKET of `environ`, or none."""
        return cls(environ.get("NOTIFY_SOCKET") or None)

    @property
    def is_there(self) -> bool:
        """Whether a service manager listens."""
        return self._address is not None

    def ready(self, status: str) -> bool:
        """The record is open and the ports are being worked: the start is over."""
        return self._tell("READY=1", _status(status))

    def status(self, text: str) -> bool:
        """One line for people, shown by `systemctl status`."""
        return self._tell(_status(text))

    def alive(self) -> bool:
        """Answer the watchdog; only to be called when `Watchdog.due` says so."""
        return self._tell("WATCHDOG=1")

    def reloading(self, monotonic_s: float) -> bool:
        """A new site file is being taken, from `monotonic_s` (CLOCK_MONOTONIC, s) on; `ready` ends it."""
        return self._tell("RELOADING=1", f"MONOTONIC_USEC={round(monotonic_s * 1e6)}")

    def stopping(self, status: str) -> bool:
        """The end has begun: ports are being closed and the last readings stored."""
        return self._tell("STOPPING=1", _status(status))

    def _tell(self, *lines: str) -> bool:
        if self._address is None:
            return False
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
                channel.settimeout(SEND_LIMIT_S)
                channel.sendto("\n".join(lines).encode(), self._address)
        except OSError as error:
            self.trouble = f"the service manager could not be told {lines[0]}: {error}"
            return False
        self.trouble = None
        return True


def watchdog_interval_s(environ: Mapping[str, str], pid: int) -> float | None:
    """How often the service manager wants to hear from process `pid` at the latest, s.

    Returns: None when it does not want to, or when what it wants is meant for another process.
    Raises: ServiceError: WATCHDOG_USEC is not a whole number above 0.
    Source: sd_watchdog_enabled(3).
    """
    text = environ.get("WATCHDOG_USEC")
    if text is None or environ.get("WATCHDOG_PID", str(pid)) != str(pid):
        return None
    if not text.isascii() or not text.isdigit() or int(text) == 0:
        raise ServiceError(f"WATCHDOG_USEC is {text!r}, need microseconds above 0; unset it to run without watchdog")
    return int(text) / 1e6


class Watchdog:
    """Decides when the service may say that it is alive. Reads no clock: every call is told the time.

    Times are seconds since boot. A part has its whole limit from the start on, so a service whose
    first turn is slow is not late at once.
    """

    def __init__(
        self, interval_s: float | None, *, line_limits_s: Mapping[str, float], commit_limit_s: float, now_s: float
    ) -> None:
        """Watch the named lines and the writer.

        Args:
            interval_s: what the service manager asks for; None watches all the same and never pings.
            line_limits_s: for each line the longest time, s, between two finished turns: the longest
                wait between turns, back-off included, and the longest turn.
            commit_limit_s: the longest time, s, between two finished commit attempts.
            now_s: seconds since boot.
        Raises: ValueError: an interval or limit not above 0.
        """
        wanted = {f"line {name}": limit for name, limit in line_limits_s.items()} | {"writer": commit_limit_s}
        if min(wanted.values()) <= 0.0 or (interval_s is not None and interval_s <= 0.0):
            raise ValueError(f"need an interval and limits above 0 s, got {interval_s} and {wanted}")
        self.interval_s = interval_s
        self._limits_s = wanted
        self._done_s = dict.fromkeys(wanted, now_s)
        self._pinged_s: float | None = None

    def line_turned(self, name: str, now_s: float) -> None:
        """The task of line `name` finished a turn: an answer, a time-out, or a wait of its back-off.

        Raises: KeyError: no such line was announced.
        """
        part = f"line {name}"
        self._done_s[part] = max(self._done_s[part], now_s)

    def commit_attempted(self, now_s: float) -> None:
        """The writer finished a commit attempt: stored, or refused for a known reason."""
        self._done_s["writer"] = max(self._done_s["writer"], now_s)

    def late(self, now_s: float) -> tuple[str, ...]:
        """The parts beyond their limit, each with how long it has been silent, in words for the log."""
        silent_s = {part: now_s - done_s for part, done_s in self._done_s.items()}
        return tuple(
            f"{part} has finished nothing for {silent_s[part]:.0f} s (limit {limit:.0f} s)"
            for part, limit in self._limits_s.items()
            if silent_s[part] > limit
        )

    def due(self, now_s: float) -> bool:
        """Whether to ping now: every part is within its limit and half the interval is over since the last ping."""
        if self.interval_s is None or self.late(now_s):
            return False
        return self._pinged_s is None or now_s - self._pinged_s >= self.interval_s / PINGS_AN_INTERVAL

    def pinged(self, now_s: float) -> None:
        """The ping was handed over; one that wasn't is not counted, so that it is tried again."""
        self._pinged_s = now_s


def _status(text: str) -> str:
    """The status line; a line break in it would start a new key."""
    return "STATUS=" + " ".join(text.split())[:STATUS_LIMIT]
