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
    Anchor,
    KernelTrust,
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
