"""Listening on real pseudo-terminals: old bytes, a lost port, one that another program holds."""

import asyncio
import os
import time
import tty
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path

import pytest

from drivers.errors import LineDown
from drivers.transports import serial_stream
from drivers.transports.serial_stream import SerialStream
from drivers.virtual.port import VirtualPort
from drivers.virtual.text_stream import TextForm, TextStream
from servers.text_forms import SENTENCE
from shared.site import Line

LIMIT_S = 10.0


def run(work: Callable[[], Coroutine[None, None, None]]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(LIMIT_S):
            await work()

    asyncio.run(limited())


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def test_four_kibibytes_of_old_records_are_dropped_at_opening(pty: tuple[int, str]) -> None:
    master, path = pty
    os.write(master, b"old record\r\n" * 341)

    async def work() -> None:
        stream = SerialStream(Line("port", port=path))
        await stream.connect()
        os.write(master, b"new\r\n")
        assert await stream.hear(1.0) == b"new\r\n"
        await stream.close()

    run(work)


def test_what_an_adapter_hands_over_after_the_opening_is_dropped_too(pty: tuple[int, str]) -> None:
    master, path = pty

    async def work() -> None:
        stream = SerialStream(Line("port", port=path))
        opening = asyncio.create_task(stream.connect())
        while not stream.is_up:
            await asyncio.sleep(0)
        os.write(master, b"old record\r\n" * 50)
        await opening
        assert stream.stale == 600
        assert await stream.hear(0.01) == b""
        await stream.close()

    run(work)


def test_a_line_that_never_pauses_is_not_waited_for_long(pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    master, path = pty
    monkeypatch.setattr(serial_stream, "STALE_MOST_S", 0.2)

    async def work() -> None:
        stream = SerialStream(Line("port", port=path))

        async def talk() -> None:
            while True:
                os.write(master, b"x")
                await asyncio.sleep(0.005)

        talking = asyncio.create_task(talk())
        began_s = time.monotonic()
        await stream.connect()
        assert time.monotonic() - began_s < 1.0
        talking.cancel()
        await stream.close()

    run(work)


def test_silence_is_no_bytes_and_nothing_is_ever_written(pty: tuple[int, str]) -> None:
    master, path = pty

    async def work() -> None:
        stream = SerialStream(Line("port", port=path))
        await stream.connect()
        assert await stream.hear(0.02) == b""
        await stream.close()
        os.set_blocking(master, False)
        with pytest.raises(BlockingIOError):
            os.read(master, 1)

    run(work)


@pytest.mark.parametrize(("path", "why"), [("/dev/no-such-port", "missing"), ("/dev/null", "no serial port")])
def test_a_port_that_cannot_be_opened_says_why(path: str, why: str) -> None:
    async def work() -> None:
        stream = SerialStream(Line("port", port=path))
        with pytest.raises(LineDown, match=why):
            await stream.connect()
        assert not stream.is_up
        with pytest.raises(LineDown, match="not open"):
            await stream.hear(0.01)

    run(work)


def test_a_port_that_another_one_holds_says_so(pty: tuple[int, str]) -> None:
    async def work() -> None:
        first, second = (SerialStream(Line("port", port=pty[1])) for _ in range(2))
        await first.connect()
        with pytest.raises(LineDown, match="held by another program"):
            await second.connect()
        await first.close()
        await second.connect()
        await second.close()

    run(work)


def test_a_port_that_is_pulled_out_is_told_and_found_again_under_another_number(tmp_path: Path) -> None:
    async def work() -> None:
        talker = TextStream(TextForm.parse(SENTENCE), every_s=0.05)
        talker.show({"bank_v": 12.5, "bank_a": 0.0, "bank_ah_counter": 0.0, "bank_c": None}, 0.0)
        with VirtualPort(talker, link=tmp_path / "port") as port:
            stream = SerialStream(Line("port", port=port.path))
            await stream.connect()
            before = port.device
            assert b"$SHN" in await stream.hear(1.0)
            await asyncio.to_thread(port.vanish)
            with pytest.raises(LineDown, match="lost"):
                while True:
                    await stream.hear(1.0)
            assert not stream.is_up
            with pytest.raises(LineDown, match="missing"):
                await stream.connect()
            await asyncio.to_thread(port.come_back)
            assert port.device != before
            await stream.connect()
            assert b"$SHN" in await stream.hear(1.0)
            await stream.close()

    run(work)
