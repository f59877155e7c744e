import stat
import threading
from pathlib import Path

import pytest

from daemon.sending.wake import SOCKET_NAME, WakeSocket, wake_send

LIMIT_S = 10.0


def test_a_wake_ends_the_wait_and_is_taken_once(tmp_path: Path) -> None:
    wake = WakeSocket(tmp_path)
    assert wake.why is None
    assert wake_send(tmp_path)
    assert wake_send(tmp_path)
    assert wake.wait(LIMIT_S)
    assert not wake.wait(0.0)
    wake.close()
    assert not (tmp_path / SOCKET_NAME).exists()


def test_a_ring_from_another_thread_ends_the_wait(tmp_path: Path) -> None:
    wake = WakeSocket(tmp_path)
    waiting = threading.Thread(target=wake.wait, args=(LIMIT_S,))
    waiting.start()
    wake.ring()
    waiting.join(LIMIT_S / 2)
    assert not waiting.is_alive()
    wake.close()


def test_nobody_listening_is_told_and_does_not_wait(tmp_path: Path) -> None:
    assert not wake_send(tmp_path)
    assert not wake_send(tmp_path / "no-such-folder")
    (tmp_path / SOCKET_NAME).write_text("not a socket")
    assert not wake_send(tmp_path)


def test_a_thousand_wakes_that_nobody_takes_do_not_block(tmp_path: Path) -> None:
    wake = WakeSocket(tmp_path)
    assert all(wake_send(tmp_path) for _ in range(1000))
    assert wake.wait(LIMIT_S)
    wake.close()


def test_the_group_may_wake_and_others_may_not(tmp_path: Path) -> None:
    wake = WakeSocket(tmp_path)
    assert stat.S_IMODE((tmp_path / SOCKET_NAME).stat().st_mode) == 0o660
    wake.close()


@pytest.mark.parametrize("what_is_left", ["nothing", "a socket of one that was killed"])
def test_the_name_is_taken_again_when_the_folder_has_come_back(tmp_path: Path, what_is_left: str) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    if what_is_left != "nothing":
        killed = WakeSocket(folder)
        killed._bound = None  # so that its end leaves the name behind
        killed.close()
        assert (folder / SOCKET_NAME).exists()
    wake = WakeSocket(folder)
    (folder / SOCKET_NAME).unlink()
    folder.rmdir()
    assert not wake.wait(0.0)
    assert wake.why is not None and SOCKET_NAME in wake.why
    folder.mkdir()
    wake.wait(0.0)
    assert wake_send(folder)
    assert wake.wait(LIMIT_S)
    wake.close()


def test_a_name_too_long_for_a_socket_is_told_and_ringing_still_works(tmp_path: Path) -> None:
    folder = tmp_path / ("x" * 120)
    folder.mkdir()
    wake = WakeSocket(folder)
    assert wake.why is not None
    assert not wake_send(folder)
    wake.ring()
    assert wake.wait(LIMIT_S)
    wake.close()
