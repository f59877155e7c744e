"""The two clocks: seconds since boot, which always run, and the wall clock, believed only when someone vouches for it.

A trusted pair of both is an `Anchor`. Nothing here asks the kernel through adjtimex (the hardened
unit forbids it): that the wall clock is right is told by the time service's own state file, or by
a person.
"""

import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.errors import ServiceError

# No clock that is right can show less than the day this release was made; moved up with each release.
RELEASE_UTC = datetime(2025, 11, 1, tzinfo=UTC)
# Nor more than this after it: one wrong answer from the year 2099 would bar every true one after it.
LATEST_UTC = RELEASE_UTC.replace(year=RELEASE_UTC.year + 30)

BOOT_ID_VARIABLE = "HALFMARK_BOOT_ID"  # the unit hands it in, because it may not see the file
BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")

# Touched by the system's time service at each synchronisation, gone after a reboot.
SYNCHRONIZED_FILES = (Path("/run/systemd/timesync/synchronized"),)

SYNCHRONIZED_ERROR_S = 0.1  # of a clock just set over a network (engineering judgement, no source)
DRIFT = 50e-6  # of a board's crystal since then, s/s (engineering judgement, no source)
ANCHOR_EVERY_S = 3600.0
STEP_S = 0.5  # a wall clock that moved this much against the elapsed time was set, not slewed
# Two readings of the elapsed time around one of the wall clock: further apart, the process was held up.
SAMPLE_SPREAD_S = 0.05
SAMPLES_MOST = 5


@dataclass(frozen=True, slots=True)
class Anchor:
    """A trusted pair: at `at_s` seconds since the start of boot `boot` it was `utc_s`.

    Attributes:
        boot: the boot's number in the record; 0 for the boot in which it is stored.
        at_s: seconds since boot.
        utc_s: seconds since 1970-01-01 UTC.
        error_s: how far off it may be, s.
        source: who vouches for it: kernel, rtc or operator.
    """

    boot: int
    at_s: float
    utc_s: float
    error_s: float
    source: str


def elapsed_s() -> float:
    """Tell the seconds since boot, sleep of the machine included; never set, never stepped."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def wall_utc_s() -> float:
    """Tell what the wall clock claims, seconds since 1970; evidence, not to be believed by itself."""
    return time.time()


def boot_id(env: Mapping[str, str] | None = None, file: Path = BOOT_ID_FILE) -> str:
    """Tell which boot this is, as 32 hexadecimal digits.

    Raises: ServiceError: neither the environment nor the kernel tells it.
    """
    env = os.environ if env is None else env
    text = env.get(BOOT_ID_VARIABLE, "")
    if not text:
        try:
            text = file.read_text(encoding="ascii")
        except OSError as why:
            raise ServiceError(
                f"which boot this is can't be read from {file} ({why.strerror}): "
                f"set {BOOT_ID_VARIABLE} (in a unit: Environment={BOOT_ID_VARIABLE}=%b)"
            ) from why
    plain = text.strip().replace("-", "").lower()
    if len(plain) != 32 or any(c not in "0123456789abcdef" for c in plain):
        raise ServiceError(f"boot id {text.strip()[:60]!r} is not 32 hexadecimal digits: correct {BOOT_ID_VARIABLE}")
    return plain


def why_not(anchor: Anchor, earlier: Anchor | None) -> str | None:
    """Say why a pair can't be true, or None when it may be.

    Args:
        anchor: the pair to judge.
        earlier: the newest anchor in the record, of this boot or one before; None when there is none.
    """
    if anchor.utc_s < RELEASE_UTC.timestamp():
        return f"{as_utc(anchor.utc_s)} is before this release was made, {RELEASE_UTC:%Y-%m-%d}"
    if anchor.utc_s > LATEST_UTC.timestamp():
        return f"{as_utc(anchor.utc_s)} is after {LATEST_UTC:%Y-%m-%d}, the latest this release believes"
    if earlier is not None and anchor.utc_s < earlier.utc_s - earlier.error_s - anchor.error_s:
        return f"{as_utc(anchor.utc_s)} is before {as_utc(earlier.utc_s)}, for which the {earlier.source} vouched"
    return None


def as_utc(utc_s: float) -> str:
    """Write seconds since 1970 as date and time; also what no calendar holds."""
    try:
        return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (ValueError, OverflowError, OSError):
        return f"{utc_s} s since 1970"


def operator_anchor(at_s: float, utc_s: float, *, error_s: float = 60.0, boot: int = 0) -> Anchor:
    """Take a person's word for the time, which also puts right an earlier anchor that was wrong.

    Args:
        at_s: seconds since boot at which it was `utc_s`.
        utc_s: seconds since 1970-01-01 UTC.
        error_s: how far off it may be, s.
        boot: the boot's number in the record; 0 for the boot in which the pair is stored.
    Raises: ValueError: the time can't be: before this release or long after it.
    """
    anchor = Anchor(boot, at_s, utc_s, error_s, "operator")
    reason = why_not(anchor, None)
    if reason is not None:
        raise ValueError(reason)
    return anchor


class KernelTrust:
    """Gives an anchor when the machine's time service says the wall clock is synchronised.

    `refused` tells why the last pair was not believed, or None.
    """

    def __init__(
        self,
        files: Sequence[Path] = SYNCHRONIZED_FILES,
        *,
        elapsed: Callable[[], float] = elapsed_s,
        wall: Callable[[], float] = wall_utc_s,
    ) -> None:
        self.refused: str | None = None
        self._files = tuple(files)
        self._elapsed = elapsed
        self._wall = wall

    def anchor_now(self, earlier: Anchor | None = None, boot: int = 0) -> Anchor | None:
        """Give the pair of this instant, if it is trusted, plausible and tells something new.

        Args:
            earlier: the newest anchor so far, of this boot or one before.
            boot: the boot's number in the record; 0 for the boot in which the pair is stored.
        Returns: None without a synchronised clock, for a pair that can't be true (see `refused`),
            and while the earlier anchor of this boot is young and the clock was not set since.
        """
        self.refused = None
        synchronized_utc_s = self._synchronized_utc_s()
        if synchronized_utc_s is None:
            return None
        pair = self._pair()
        if pair is None:
            return None
        at_s, utc_s, spread_s = pair
        error_s = SYNCHRONIZED_ERROR_S + spread_s + DRIFT * max(0.0, utc_s - synchronized_utc_s)
        anchor = Anchor(boot, at_s, utc_s, error_s, "kernel")
        self.refused = why_not(anchor, earlier)
        if self.refused is not None or not _tells_something_new(anchor, earlier):
            return None
        return anchor

    def _synchronized_utc_s(self) -> float | None:
        """The wall time of the last synchronisation in this boot, from the newest state file there is."""
        found: list[float] = []
        for file in self._files:
            try:
                found.append(file.stat().st_mtime)
            except OSError:  # not there or not to be seen: nobody vouches
                continue
        return max(found, default=None)

    def _pair(self) -> tuple[float, float, float] | None:
        """Both clocks at one instant: seconds since boot, UTC seconds, and how far apart at most."""
        for _ in range(SAMPLES_MOST):
            before_s, utc_s, after_s = self._elapsed(), self._wall(), self._elapsed()
            if after_s - before_s <= SAMPLE_SPREAD_S:
                return (before_s + after_s) / 2.0, utc_s, after_s - before_s
        return None


def _tells_something_new(anchor: Anchor, earlier: Anchor | None) -> bool:
    if earlier is None or earlier.boot != anchor.boot:
        return True
    passed_s = anchor.at_s - earlier.at_s
    moved_s = abs(anchor.utc_s - earlier.utc_s - passed_s)
    return passed_s >= ANCHOR_EVERY_S or moved_s > STEP_S
