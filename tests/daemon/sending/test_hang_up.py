"""The sender takes a new site file at a hang-up, and stays with the old one when the new is wrong."""

import os
import signal
from collections.abc import Iterator

import pytest

from daemon.errors import ConfigError
from daemon.sending.hang_up import AGAIN, send_and_reload
from shared.site import Bank, Place, Site

SITES = [Site(Place(name, 37.3, -81.1), Bank("agm", 24.0, 6, 0.5, 14.4, 13.7)) for name in ("one", "two")]


def hang_up() -> None:
    os.kill(os.getpid(), signal.SIGHUP)


def test_a_new_file_is_taken_and_a_wrong_one_is_not(caplog: pytest.LogCaptureFixture) -> None:
    files: Iterator[Site | ConfigError] = iter(
        [SITES[0], ConfigError.of("site.toml", "must be above 0", key="bank.cells"), SITES[1]]
    )
    ran: list[str] = []

    def load() -> Site:
        found = next(files)
        if isinstance(found, ConfigError):
            raise found
        return found

    def run(site: Site) -> int:
        ran.append(site.place.name)
        return AGAIN if len(ran) < 3 else 0

    assert send_and_reload(load, run) == 0
    assert ran == ["one", "one", "two"]
    assert "bank.cells" in caplog.text and "the old one goes on" in caplog.text


def test_a_hang_up_between_two_runs_ends_nothing_and_is_not_lost() -> None:
    loads = 0

    def load() -> Site:
        nonlocal loads
        loads += 1
        if loads == 1:
            hang_up()  # while the first file is read: it may be the old one
        return SITES[loads - 1]

    before = signal.getsignal(signal.SIGHUP)
    ran: list[str] = []

    def run(site: Site) -> int:
        ran.append(site.place.name)
        return 0

    assert send_and_reload(load, run) == 0
    assert ran == ["two"]
    assert signal.getsignal(signal.SIGHUP) == before


def test_a_wrong_file_at_the_start_is_an_error() -> None:
    def load() -> Site:
        raise ConfigError.of("site.toml", "is not there")

    with pytest.raises(ConfigError):
        send_and_reload(load, lambda site: 0)
