"""The clocks: which boot it is, whom to believe about the time, and what can't be true."""

import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.clock import (
    ANCHOR_EVERY_S,
    BOOT_ID_FILE,
    LATEST_UTC,
    RELEASE_UTC,
    RTC_DRIFT,
    RTC_UNCHECKED_S,
    Anchor,
    ClockTrust,
    KernelTrust,
    RtcTrust,
    boot_id,
    elapsed_s,
    operator_anchor,
    why_not,
)
from daemon.errors import ServiceError

NOW_UTC_S = datetime(2026, 6, 1, tzinfo=UTC).timestamp()


class Clocks:
    """Both clocks, set by the test."""

    def __init__(self, at_s: float = 5000.0, utc_s: float = NOW_UTC_S) -> None:
        self.at_s = at_s
        self.utc_s = utc_s
        self.held_up_s: list[float] = []

    def elapsed(self) -> float:
        return self.at_s

    def wall(self) -> float:
        if self.held_up_s:
            self.at_s += self.held_up_s.pop(0)
        return self.utc_s

    def trust(self, file: Path) -> KernelTrust:
        return KernelTrust([file], elapsed=self.elapsed, wall=self.wall)

    def pass_s(self, passed_s: float) -> None:
        self.at_s += passed_s
        self.utc_s += passed_s


@pytest.fixture
def synchronized(tmp_path: Path) -> Path:
    file = tmp_path / "synchronized"
    file.touch()
    os.utime(file, (NOW_UTC_S - 1000.0, NOW_UTC_S - 1000.0))
    return file


def test_elapsed_time_is_the_kernels_and_does_not_go_back() -> None:
    # proc(5): /proc/uptime gives seconds since boot, time in suspend included, with two decimals.
    before_s = float(Path("/proc/uptime").read_text(encoding="ascii").split()[0])
    now_s = elapsed_s()
    assert before_s - 0.02 <= now_s <= before_s + 5.0
    assert elapsed_s() >= now_s


def test_the_boot_id_comes_from_the_environment_first_and_is_written_one_way(tmp_path: Path) -> None:
    file = tmp_path / "boot_id"
    file.write_text("0F8FAD5B-d9cb-469f-a165-70867728950e\n", encoding="ascii")
    assert boot_id({}, file) == "0f8fad5bd9cb469fa16570867728950e"
    assert boot_id({"HALFMARK_BOOT_ID": "1" * 32}, file) == "1" * 32
    assert boot_id({}) == BOOT_ID_FILE.read_text(encoding="ascii").strip().replace("-", "")


def test_without_a_boot_id_the_error_names_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match=r"can't be read from .*HALFMARK_BOOT_ID=%b"):
        boot_id({}, tmp_path / "hidden")
    with pytest.raises(ServiceError, match="'next tuesday' is not 32 hexadecimal digits"):
        boot_id({"HALFMARK_BOOT_ID": "next tuesday"})


def test_without_the_state_file_the_wall_clock_is_not_believed(tmp_path: Path) -> None:
    assert Clocks().trust(tmp_path / "synchronized").anchor_now() is None


def test_a_synchronised_clock_gives_a_pair_whose_error_grows_with_the_age_of_the_synchronisation(
    synchronized: Path,
) -> None:
    anchor = Clocks().trust(synchronized).anchor_now(boot=4)
    assert anchor is not None
    assert (anchor.boot, anchor.at_s, anchor.utc_s, anchor.source) == (4, 5000.0, NOW_UTC_S, "kernel")
    assert anchor.error_s == pytest.approx(0.1 + 1000.0 * 50e-6)


def test_a_new_pair_comes_each_hour_and_at_once_when_the_clock_was_set(synchronized: Path) -> None:
    clocks = Clocks()
    trust = clocks.trust(synchronized)
    first = trust.anchor_now(boot=4)
    clocks.pass_s(ANCHOR_EVERY_S - 1.0)
    assert trust.anchor_now(first, boot=4) is None
    clocks.utc_s += 0.4  # slewed
    assert trust.anchor_now(first, boot=4) is None
    clocks.utc_s += 0.2  # set
    assert trust.anchor_now(first, boot=4) is not None
    clocks.utc_s -= 0.6
    clocks.pass_s(1.0)
    assert trust.anchor_now(first, boot=4) is not None
    assert trust.anchor_now(first, boot=5) is not None


@pytest.mark.parametrize(
    ("utc", "why"),
    [
        (datetime(1970, 1, 1, tzinfo=UTC), "before this release"),
        (datetime(2024, 2, 29, tzinfo=UTC), "before this release"),
        (datetime(2099, 1, 1, tzinfo=UTC), "the latest this release believes"),
        (datetime(2026, 5, 31, 23, 59, tzinfo=UTC), "2026-06-01 00:00:00 UTC, for which the kernel vouched"),
    ],
)
def test_what_cannot_be_true_is_refused_even_from_a_synchronised_clock(
    synchronized: Path, utc: datetime, why: str
) -> None:
    earlier = Anchor(3, 9_999.0, NOW_UTC_S, 0.1, "kernel")
    clocks = Clocks(utc_s=utc.timestamp())
    trust = clocks.trust(synchronized)
    assert trust.anchor_now(earlier, boot=4) is None
    assert trust.refused is not None
    assert why in trust.refused
    clocks.utc_s = NOW_UTC_S + 60.0
    assert trust.anchor_now(earlier, boot=4) is not None
    assert trust.refused is None


def test_a_pair_read_while_the_process_was_held_up_is_read_again(synchronized: Path) -> None:
    clocks = Clocks()
    clocks.held_up_s = [0.3, 0.2]
    anchor = clocks.trust(synchronized).anchor_now()
    assert anchor is not None
    assert anchor.at_s == 5000.5
    clocks.held_up_s = [0.3] * 5
    assert clocks.trust(synchronized).anchor_now() is None


def test_a_person_may_put_right_what_the_kernel_had_wrong_but_not_go_before_the_release() -> None:
    wrong = Anchor(1, 10.0, NOW_UTC_S + 1e8, 0.1, "kernel")
    anchor = operator_anchor(20.0, NOW_UTC_S, boot=1)
    assert (anchor.boot, anchor.at_s, anchor.utc_s, anchor.source) == (1, 20.0, NOW_UTC_S, "operator")
    assert why_not(anchor, wrong) is not None
    for utc_s in (RELEASE_UTC.timestamp() - 1.0, LATEST_UTC.timestamp() + 1.0, 1e18):
        with pytest.raises(ValueError, match="release"):
            operator_anchor(20.0, utc_s)


def test_the_release_is_in_the_past_of_the_machine_that_tests_it() -> None:
    assert RELEASE_UTC.timestamp() < time.time()


# -- other time services -----------------------------------------------------------------------


def test_a_drift_file_vouches_only_when_it_is_written_under_our_eyes(tmp_path: Path) -> None:
    """A clock that fell back over a power cut: the old file's date lies ahead, and then looks fresh. It is not."""
    clocks, file = Clocks(at_s=60.0), tmp_path / "ntp.drift"
    file.touch()
    os.utime(file, (NOW_UTC_S + 1200.0, NOW_UTC_S + 1200.0))
    trust = KernelTrust([], drift_files=[file], elapsed=clocks.elapsed, wall=clocks.wall)
    for _ in range(60):
        assert trust.anchor_now() is None
        clocks.pass_s(60.0)
    os.utime(file, (clocks.utc_s - 5.0, clocks.utc_s - 5.0))
    anchor = trust.anchor_now()
    assert anchor is not None and anchor.utc_s == clocks.utc_s
    clocks.pass_s(4 * 3600.0)
    assert trust.anchor_now(anchor) is None, "nobody has written for four hours"


def test_a_drift_file_that_appears_was_written_now(tmp_path: Path) -> None:
    clocks, file = Clocks(), tmp_path / "chrony.drift"
    trust = KernelTrust([], drift_files=[file], elapsed=clocks.elapsed, wall=clocks.wall)
    assert trust.anchor_now() is None
    file.touch()
    os.utime(file, (clocks.utc_s, clocks.utc_s))
    assert trust.anchor_now() is not None


# -- the clock chip ----------------------------------------------------------------------------


class Chip:
    """A clock chip that runs on by itself, ahead by `ahead_s`."""

    def __init__(self, folder: Path, clocks: Clocks, ahead_s: float = 0.0) -> None:
        self.file = folder / "since_epoch"
        self.clocks = clocks
        self.ahead_s = ahead_s
        self.show()

    def show(self) -> None:
        self.file.write_text(f"{int(self.clocks.utc_s + self.ahead_s)}\n")

    def pass_s(self, passed_s: float) -> None:
        self.clocks.pass_s(passed_s)
        self.show()

    def trust(self, saved: dict[str, object] | None = None) -> RtcTrust:
        return RtcTrust(self.file, elapsed=self.clocks.elapsed, saved=saved)


def test_a_chip_is_believed_once_it_is_seen_to_go(tmp_path: Path) -> None:
    chip = Chip(tmp_path, Clocks())
    trust = chip.trust()
    assert trust.anchor_now() is None, "one look can't tell"
    chip.pass_s(60.0)
    anchor = trust.anchor_now()
    assert anchor is not None and anchor.source == "rtc" and anchor.error_s == RTC_UNCHECKED_S
    assert abs(anchor.utc_s - chip.clocks.utc_s) <= 0.5
    chip.pass_s(7200.0)
    assert trust.anchor_now(anchor) is None, "it is coarser than the elapsed time"


def test_a_chip_that_stands_is_refused(tmp_path: Path) -> None:
    chip = Chip(tmp_path, Clocks())
    trust = chip.trust()
    assert trust.anchor_now() is None
    chip.clocks.pass_s(60.0)
    assert trust.anchor_now() is None
    assert trust.refused == "the clock chip went 0 s in 60 s"


def test_a_chip_with_a_flat_cell_and_no_chip_at_all_are_not_believed(tmp_path: Path) -> None:
    chip = Chip(tmp_path, Clocks(utc_s=datetime(2000, 1, 1, tzinfo=UTC).timestamp()))
    trust = chip.trust()
    assert trust.anchor_now() is None
    chip.pass_s(60.0)
    assert trust.anchor_now() is None and "before this release was made" in (trust.refused or "")
    for text in ("", "soon", "nan"):
        chip.file.write_text(text)
        assert trust.anchor_now() is None
    chip.file.unlink()
    assert trust.anchor_now() is None


def test_its_error_grows_from_the_day_it_was_checked_and_its_offset_is_taken_off(tmp_path: Path) -> None:
    chip = Chip(tmp_path, Clocks(), ahead_s=7.0)
    before = chip.trust()
    before.check(Anchor(0, chip.clocks.at_s, chip.clocks.utc_s, 0.1, "kernel"))
    assert before.checked is not None and abs(before.checked[1] - 7.0) <= 0.5
    chip.pass_s(30 * 86_400.0)
    after = chip.trust(before.state())
    assert after.anchor_now() is None
    chip.pass_s(60.0)
    anchor = after.anchor_now(Anchor(3, 5.0, NOW_UTC_S, 0.1, "kernel"))
    assert anchor is not None and abs(anchor.utc_s - chip.clocks.utc_s) <= 1.0
    # A month at 100 ppm: 30 * 86400 * 1e-4 = 259 s, and a second of the chip's own.
    assert anchor.error_s == pytest.approx(259.2 + 1.0, abs=0.1) and RTC_DRIFT == 1e-4


def test_a_chip_that_fell_back_before_what_the_record_knows_is_refused(tmp_path: Path) -> None:
    chip = Chip(tmp_path, Clocks())
    trust = chip.trust()
    trust.anchor_now()
    chip.pass_s(60.0)
    assert trust.anchor_now(Anchor(3, 5.0, NOW_UTC_S + 86_400.0, 0.1, "kernel")) is None
    assert "for which the kernel vouched" in (trust.refused or "")


def test_the_order_of_the_site_decides_and_nobody_overrules_who_stands_in_front(
    tmp_path: Path, synchronized: Path
) -> None:
    clocks = Clocks()
    chip = Chip(tmp_path, clocks, ahead_s=3.0)
    synchronized.rename(tmp_path / "later")
    trust = ClockTrust(clocks.trust(synchronized), chip.trust())
    order = ("kernel", "rtc", "operator")
    assert trust.anchor_now(order, None, this_boot=None) is None
    chip.pass_s(60.0)
    first = trust.anchor_now(order, None, this_boot=None)
    assert first is not None and first.source == "rtc"
    assert trust.anchor_now(("kernel", "operator"), None, this_boot=None) is None, "not named, not asked"
    (tmp_path / "later").rename(synchronized)
    second = trust.anchor_now(order, first, this_boot=first)
    assert second is not None and second.source == "kernel" and second.utc_s == clocks.utc_s
    assert trust.rtc.checked is not None and abs(trust.rtc.checked[1] - 3.0) <= 0.5
    chip.ahead_s = 5000.0
    chip.show()
    for _ in range(3):
        chip.pass_s(600.0)
        assert trust.anchor_now(order, second, this_boot=second) is None, "the kernel has spoken, the chip is not asked"
    said = Anchor(0, clocks.at_s, clocks.utc_s, 60.0, "operator")
    assert trust.anchor_now(("operator", "rtc"), said, this_boot=said) is None
