"""The two clocks: seconds since boot, which always run, and the wall clock, believed only when someone vouches for it.

A trusted pair of both is an `Anchor`. Nothing here asks the kernel through adjtimex (the hardened
unit forbids it): that the wall clock is right is told by the time service's own state file, or by
a person.
"""

import math
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
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
# Written about once an hour by other time services while they are synchronised, and left over a reboot: it is
# believed only when it changes while we look on, and was written lately (habits of chronyd and ntpd, from memory).
# The first one's folder may be closed to other users; the unit then needs that service's group.
DRIFT_FILES = (
    Path("/var/lib/chrony/chrony.drift"),
    Path("/var/lib/chrony/drift"),
    Path("/var/lib/ntpsec/ntp.drift"),
    Path("/var/lib/ntp/ntp.drift"),
)
DRIFT_FILE_OLD_S = 3.0 * 3600.0

# Seconds since 1970 by the clock chip, whole ones; readable by everybody, and no device has to be opened.
RTC_FILE = Path("/sys/class/rtc/rtc0/since_epoch")

SYNCHRONIZED_ERROR_S = 0.1  # of a clock just set over a network (engineering judgement, no source)
RTC_RESOLUTION_S = 0.5  # half of the chip's whole seconds
# A tuning-fork crystal loses 0.034 ppm/K2 away from 25 C (usual in data sheets): 69 ppm at -20 C, and 20 ppm as made.
RTC_DRIFT = 100e-6
RTC_UNCHECKED_S = 600.0  # of a chip that was never held against a trusted clock (engineering judgement, no source)
RTC_PACE_S = 2.0  # between two looks the chip must go on as elapsed time does, within this: else it stands
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
        drift_files: Sequence[Path] = DRIFT_FILES,
        elapsed: Callable[[], float] = elapsed_s,
        wall: Callable[[], float] = wall_utc_s,
    ) -> None:
        self.refused: str | None = None
        self._files = tuple(files)
        self._drift_files = tuple(drift_files)
        self._drift_first: dict[Path, float | None] = {}  # when each was written at our first look
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
        return max([*found, *self._drift_written_utc_s()], default=None)

    def _drift_written_utc_s(self) -> Iterator[float]:
        """When drift files were written, of those that changed under our eyes.

        The date of one that was there before says nothing: with a clock that fell back over a power cut it
        lies ahead, and later looks as if it had just been written.
        """
        for file in self._drift_files:
            try:
                written_utc_s = file.stat().st_mtime
            except OSError:  # not there or not to be seen
                written_utc_s = None
            first = self._drift_first.setdefault(file, written_utc_s)
            if written_utc_s is None or written_utc_s == first:
                continue
            if 0.0 <= self._wall() - written_utc_s <= DRIFT_FILE_OLD_S:
                yield written_utc_s

    def _pair(self) -> tuple[float, float, float] | None:
        return _pair_of(self._elapsed, self._wall)


class RtcTrust:
    """Gives an anchor from the clock chip, which runs on through a power cut, as far as it can be believed.

    Whenever a better clock is trusted, `check` notes how far off the chip is; its error grows from there.
    A chip that stands, or fell back to its first year with a flat cell, is not believed.

    Attributes:
        refused: why the last pair was not believed, or None.
        checked: (seconds since 1970, seconds the chip was ahead) of the last comparison; None before.
    """

    def __init__(
        self,
        file: Path = RTC_FILE,
        *,
        elapsed: Callable[[], float] = elapsed_s,
        saved: Mapping[str, object] | None = None,
    ) -> None:
        """Take up what `state` gave to an earlier service, if anything."""
        self.refused: str | None = None
        self.checked: tuple[float, float] | None = None
        self._file = file
        self._elapsed = elapsed
        self._last: tuple[float, float] | None = None
        self.take_up(saved or {})

    def take_up(self, saved: Mapping[str, object]) -> None:
        """Take up a saved comparison."""
        utc_s, ahead_s = saved.get("utc_s"), saved.get("ahead_s")
        if isinstance(utc_s, int | float) and isinstance(ahead_s, int | float):
            self.checked = float(utc_s), float(ahead_s)

    def state(self) -> dict[str, object]:
        """What must survive a restart."""
        return {} if self.checked is None else {"utc_s": self.checked[0], "ahead_s": self.checked[1]}

    def check(self, anchor: Anchor) -> None:
        """Hold the chip against a pair of this boot that a better clock gave."""
        pair = _pair_of(self._elapsed, self._read)
        if pair is None or anchor.source == "rtc":
            return
        at_s, chip_s, _ = pair
        now_utc_s = anchor.utc_s + at_s - anchor.at_s
        self.checked = now_utc_s, chip_s + RTC_RESOLUTION_S - now_utc_s

    def anchor_now(self, earlier: Anchor | None = None, boot: int = 0) -> Anchor | None:
        """Give the pair of this instant; None while the chip is not believed, and when it tells nothing new.

        Args:
            earlier: the newest anchor so far, of this boot or one before.
            boot: the boot's number in the record; 0 for the boot in which the pair is stored.
        """
        self.refused = None
        last, pair = self._last, _pair_of(self._elapsed, self._read)
        if pair is None:
            return None
        at_s, chip_s, spread_s = pair
        self._last = at_s, chip_s
        if last is None or at_s - last[0] < RTC_PACE_S:
            return None  # one look can't tell whether it goes
        if abs((chip_s - last[1]) - (at_s - last[0])) > RTC_PACE_S:
            self.refused = f"the clock chip went {chip_s - last[1]:.0f} s in {at_s - last[0]:.0f} s"
            return None
        anchor = self._anchor(boot, at_s, chip_s + RTC_RESOLUTION_S, spread_s)
        self.refused = why_not(anchor, earlier)
        if self.refused is not None:
            return None
        if earlier is not None and earlier.boot == boot:
            moved_s = abs(anchor.utc_s - earlier.utc_s - (anchor.at_s - earlier.at_s))
            if moved_s <= anchor.error_s + earlier.error_s:
                return None  # it is coarser than the elapsed time: without a step there is nothing to learn from it
        return anchor

    def _anchor(self, boot: int, at_s: float, chip_s: float, spread_s: float) -> Anchor:
        if self.checked is None:
            return Anchor(boot, at_s, chip_s, RTC_UNCHECKED_S, "rtc")
        checked_utc_s, ahead_s = self.checked
        utc_s = chip_s - ahead_s
        grown_s = RTC_DRIFT * max(0.0, utc_s - checked_utc_s)
        return Anchor(boot, at_s, utc_s, 2.0 * RTC_RESOLUTION_S + spread_s + grown_s, "rtc")

    def _read(self) -> float:
        """The chip's seconds; not a number without a chip."""
        try:
            return float(self._file.read_text(encoding="ascii"))
        except (OSError, ValueError):
            return math.nan


def _pair_of(elapsed: Callable[[], float], wall: Callable[[], float]) -> tuple[float, float, float] | None:
    """Both clocks at one instant: seconds since boot, UTC seconds, and how far apart at most; None without one."""
    for _ in range(SAMPLES_MOST):
        before_s, utc_s, after_s = elapsed(), wall(), elapsed()
        if not math.isfinite(utc_s):
            return None
        if after_s - before_s <= SAMPLE_SPREAD_S:
            return (before_s + after_s) / 2.0, utc_s, after_s - before_s
    return None


class ClockTrust:
    """All the clocks a site lets be trusted, in its order.

    Attributes:
        kernel, rtc: the two that need no person.
    """

    def __init__(self, kernel: KernelTrust | None = None, rtc: RtcTrust | None = None) -> None:
        """Take other clocks than the machine's own, as a test does."""
        self.kernel = kernel or KernelTrust()
        self.rtc = rtc or RtcTrust()

    def anchor_now(self, trust: Sequence[str], earlier: Anchor | None, *, this_boot: Anchor | None) -> Anchor | None:
        """Give a pair of this instant, if the first clock of the order that has one has a new one.

        A clock further back in the order never overrules one in front of it that has spoken in this boot.

        Args:
            trust: the order, such as ("kernel", "rtc", "operator").
            earlier: the newest anchor so far, of this boot or one before.
            this_boot: the newest of this boot.
        """
        for source in trust:
            if source == "kernel":
                anchor = self.kernel.anchor_now(earlier)
            elif source == "rtc":
                anchor = self.rtc.anchor_now(earlier)
            else:
                anchor = None  # a person speaks when a person speaks
            if anchor is not None:
                if source != "rtc":
                    self.rtc.check(anchor)
                return anchor
            if this_boot is not None and this_boot.source == source:
                return None
        return None


def _tells_something_new(anchor: Anchor, earlier: Anchor | None) -> bool:
    if earlier is None or earlier.boot != anchor.boot:
        return True
    passed_s = anchor.at_s - earlier.at_s
    moved_s = abs(anchor.utc_s - earlier.utc_s - passed_s)
    return passed_s >= ANCHOR_EVERY_S or moved_s > STEP_S
