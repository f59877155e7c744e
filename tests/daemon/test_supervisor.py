"""The notify and watchdog protocol, heard by a real socket.

The keys and the two kinds of address are those of sd_notify(3), WATCHDOG_USEC and WATCHDOG_PID
those of sd_watchdog_enabled(3).
"""

import socket
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.errors import ServiceError
from daemon.supervisor import SEND_LIMIT_S, Supervisor, Watchdog, watchdog_interval_s


class Listener:
    """Stands for the service manager: binds the address and hands out what was sent to it."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.settimeout(5.0)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)

    def heard(self) -> list[str]:
        return self._socket.recv(4096).decode().split("\n")

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Listener]:
    listener = Listener(str(tmp_path / "notify") if request.param == "path" else f"@halfmark-test-{uuid.uuid4().hex}")
    yield listener
    listener.close()


def test_every_message_arrives_as_the_protocol_wants_it(manager: Listener) -> None:
    supervisor = Supervisor.from_environment({"NOTIFY_SOCKET": manager.address})
    assert supervisor.is_there
    assert supervisor.ready("3 instruments")
    assert manager.heard() == ["READY=1", "STATUS=3 instruments"]
    assert supervisor.status("charge 81 %")
    assert manager.heard() == ["STATUS=charge 81 %"]
    assert supervisor.alive()
    assert manager.heard() == ["WATCHDOG=1"]
    assert supervisor.reloading(12.5)
    assert manager.heard() == ["RELOADING=1", "MONOTONIC_USEC=12500000"]
    assert supervisor.stopping("storing the last readings")
    assert manager.heard() == ["STOPPING=1", "STATUS=storing the last readings"]
    assert supervisor.trouble is None


def test_a_status_can_not_smuggle_in_a_key(manager: Listener) -> None:
    assert Supervisor(manager.address).status("line a\nWATCHDOG=1\r\nMAINPID=1")
    assert manager.heard() == ["STATUS=line a WATCHDOG=1 MAINPID=1"]


def test_a_long_status_is_cut(manager: Listener) -> None:
    assert Supervisor(manager.address).status("x" * 5000)
    assert manager.heard() == ["STATUS=" + "x" * 200]


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}])
def test_without_a_manager_nothing_is_said(environ: dict[str, str]) -> None:
    supervisor = Supervisor.from_environment(environ)
    assert not supervisor.is_there
    assert not supervisor.ready("up")
    assert not supervisor.alive()
    assert supervisor.trouble is None


def test_a_manager_that_went_away_is_told_of_and_found_again(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    supervisor = Supervisor(address)
    assert not supervisor.alive()
    assert supervisor.trouble is not None
    assert "WATCHDOG=1" in supervisor.trouble
    listener = Listener(address)
    assert supervisor.alive()
    assert supervisor.trouble is None
    assert listener.heard() == ["WATCHDOG=1"]
    listener.close()


def test_a_manager_that_reads_nothing_does_not_hold_the_service_up(manager: Listener) -> None:
    supervisor = Supervisor(manager.address)
    sent = 0
    while supervisor.status("y" * 200):  # until the queue of the socket is full
        sent += 1
        assert sent < 100_000
    assert sent > 0
    assert supervisor.trouble is not None
    assert SEND_LIMIT_S <= 0.5


def test_an_address_of_another_kind_is_refused() -> None:
    with pytest.raises(ServiceError, match="vsock:2:1234"):
        Supervisor("vsock:2:1234")


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "90000000"}, 90.0),
        ({"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "41"}, 90.0),
        ({"WATCHDOG_USEC": "90000000", "WATCHDOG_PID": "42"}, None),
        ({"WATCHDOG_PID": "41"}, None),
    ],
)
def test_the_interval_is_taken_when_it_is_meant_for_us(environ: dict[str, str], expected: float | None) -> None:
    assert watchdog_interval_s(environ, pid=41) == expected


@pytest.mark.parametrize("text", ["", "0", "-5", "90s", "1.5", "٣"])
def test_an_interval_that_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ServiceError, match="WATCHDOG_USEC"):
        watchdog_interval_s({"WATCHDOG_USEC": text}, pid=1)


def watchdog(interval_s: float | None = 90.0) -> Watchdog:
    return Watchdog(interval_s, line_limits_s={"rs485": 20.0, "roof": 70.0}, commit_limit_s=40.0, now_s=1000.0)


def test_the_first_ping_is_due_at_once_and_then_at_half_the_interval() -> None:
    dog = watchdog()
    assert dog.due(1000.0)
    dog.pinged(1000.0)
    pings = []
    for now_s in range(1001, 1200):
        dog.line_turned("rs485", now_s)
        dog.line_turned("roof", now_s)
        dog.commit_attempted(now_s)
        if dog.due(now_s):
            dog.pinged(now_s)
            pings.append(now_s)
    assert pings == [1045, 1090, 1135, 1180]


def test_a_ping_that_was_not_handed_over_stays_due() -> None:
    dog = watchdog()
    assert dog.due(1000.0)
    assert dog.due(1001.0)


@pytest.mark.parametrize(
    ("silent", "limit_s", "words"),
    [("rs485", 20.0, "line rs485"), ("roof", 70.0, "line roof"), ("writer", 40.0, "writer")],
)
def test_each_part_that_stops_stops_the_pings_and_is_named(silent: str, limit_s: float, words: str) -> None:
    dog = watchdog()
    for step in range(0, 1001):
        now_s = 1000.0 + step / 10.0
        for name in {"rs485", "roof"} - {silent}:
            dog.line_turned(name, now_s)
        if silent != "writer":
            dog.commit_attempted(now_s)
        assert dog.due(now_s) == (now_s <= 1000.0 + limit_s), now_s
    (told,) = dog.late(1100.0)
    assert told == f"{words} has finished nothing for 100 s (limit {limit_s:.0f} s)"


def test_a_part_that_comes_back_lets_the_pings_go_on() -> None:
    dog = watchdog()
    dog.line_turned("roof", 1039.0)
    dog.commit_attempted(1039.0)
    assert not dog.due(1039.0)
    dog.line_turned("rs485", 1039.5)
    assert dog.due(1039.5)
    assert dog.late(1039.5) == ()


def test_a_late_message_from_a_part_does_not_turn_its_time_back() -> None:
    dog = watchdog()
    for name in ("rs485", "roof"):
        dog.line_turned(name, 1030.0)
        dog.line_turned(name, 1001.0)
    dog.commit_attempted(1030.0)
    dog.commit_attempted(1001.0)
    assert dog.late(1045.0) == ()


def test_without_an_interval_nothing_is_due_but_late_parts_are_still_told() -> None:
    dog = watchdog(interval_s=None)
    assert not dog.due(1000.0)
    assert len(dog.late(1100.0)) == 3


def test_a_site_without_lines_is_watched_by_its_writer() -> None:
    dog = Watchdog(90.0, line_limits_s={}, commit_limit_s=40.0, now_s=0.0)
    assert dog.due(40.0)
    assert not dog.due(40.1)


def test_an_unknown_line_is_our_own_mistake() -> None:
    with pytest.raises(KeyError):
        watchdog().line_turned("attic", 1001.0)


@pytest.mark.parametrize(("interval_s", "line_s", "commit_s"), [(0.0, 1.0, 1.0), (90.0, 0.0, 1.0), (90.0, 1.0, -1.0)])
def test_limits_not_above_nothing_are_refused(interval_s: float, line_s: float, commit_s: float) -> None:
    with pytest.raises(ValueError, match="above 0 s"):
        Watchdog(interval_s, line_limits_s={"a": line_s}, commit_limit_s=commit_s, now_s=0.0)
