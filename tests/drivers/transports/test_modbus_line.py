"""The line against an independent slave on a real pseudo-terminal: every fault, every way to lose the port."""

import asyncio
import fcntl
import logging
import os
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path

import pytest

from drivers.decoders.register_plans import Request
from drivers.errors import ExchangeError, Garbled, LineDown, Refused, Silent
from drivers.transports.modbus_line import ModbusLine
from servers.rtu_slave import Asked, Fault, RtuSlave
from shared.site import Line

REPLY_S, SLOWEST_S = 0.06, 0.08
LIMIT_S = 10.0


def stamped(unit: int, function: int, address: int, serial: int) -> int:
    """A register that says which request it was read by."""
    return (serial * 256 + address) & 0xFFFF


class Faults:
    """Gives the faults in the list to the first answers, then none."""

    def __init__(self, *faults: Fault | None) -> None:
        self.left = list(faults)

    def __call__(self, asked: Asked) -> Fault | None:
        return self.left.pop(0) if self.left else None


def line_to(path: str, *, echo: bool = False, baud: int = 115200) -> ModbusLine:
    return ModbusLine(Line("rs485", port=path, baud=baud, reply_s=REPLY_S, slowest_s=SLOWEST_S, echo=echo))


def run(work: Callable[[], Coroutine[None, None, None]]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(LIMIT_S):
            await work()

    asyncio.run(limited())


def fresh(slave: RtuSlave, registers: tuple[int, ...], request: Request) -> bool:
    """Whether these are the registers of the last request the slave saw."""
    places = range(request.address, request.address + request.count)
    return registers == tuple(stamped(0, 0, place, slave.state.serial) for place in places)


@pytest.fixture
def slave() -> Iterator[RtuSlave]:
    with RtuSlave(stamped, units=(1, 2)) as served:
        yield served


# -- frames of the standard ------------------------------------------------------------------------


def test_the_published_request_and_answer_go_over_the_wire() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3: 3 holding registers from 0x006B of unit 17 hold 555, 0, 100."""
    published = {0x6B: 555, 0x6C: 0, 0x6D: 100}

    async def work() -> None:
        with RtuSlave(lambda unit, function, address, serial: published[address], units=(17,)) as slave:
            line = line_to(slave.path)
            await line.connect()
            assert await line.ask(Request(17, "holding", 0x6B, 3)) == (555, 0, 100)
            await line.close()
            assert bytes(slave.state.raw) == bytes.fromhex("11 03 00 6B 00 03 76 87")

    run(work)


@pytest.mark.parametrize(
    ("request_", "wire"),
    [  # computed from the rule and cross-checked with a public implementation
        (Request(1, "holding", 0, 10), "01 03 00 00 00 0A C5 CD"),
        (Request(247, "holding", 0, 1), "F7 03 00 00 00 01 90 9C"),
        (Request(1, "input", 0, 2), "01 04 00 00 00 02 71 CB"),
        (Request(1, "holding", 40000, 125), "01 03 9C 40 00 7D AA 6F"),
        (Request(17, "input", 8, 1), "11 04 00 08 00 01 B2 98"),
    ],
)
def test_requests_are_the_known_bytes(request_: Request, wire: str) -> None:
    async def work() -> None:
        with RtuSlave(stamped, units=(request_.unit,)) as slave:
            line = line_to(slave.path)
            await line.connect()
            assert fresh(slave, await line.ask(request_), request_)
            await line.close()
            assert bytes(slave.state.raw) == bytes.fromhex(wire)

    run(work)


def test_nothing_but_functions_3_and_4_can_be_sent(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        client = line._client
        assert client is not None
        for write in (client.write_register(1, 3, device_id=1), client.write_registers(1, [1, 2], device_id=1)):
            with pytest.raises(AssertionError, match="only reads"):
                await write
        with pytest.raises(AssertionError, match="only reads"):
            await client.write_coil(1, True, device_id=1)
        await line.ask(Request(1, "holding", 1, 2))
        await line.close()
        assert [row.function for row in slave.state.asked] == [3]
        assert len(slave.state.raw) == 8  # not one byte of the writes reached the line

    run(work)


# -- one fault each --------------------------------------------------------------------------------

SPOILED = [
    (Fault("silent"), Silent, "no answer within"),
    (Fault("late", by_s=REPLY_S + 0.05), Silent, "no answer within"),
    (Fault("bad-crc"), Garbled, "wrong checksum"),
    (Fault("wrong-unit"), Garbled, "unit 2 instead of 1"),
    (Fault("wrong-function"), Garbled, "function 4 instead of 3"),
    (Fault("too-few"), Garbled, "2 registers instead of 3"),
    (Fault("too-many"), Garbled, "4 registers instead of 3"),
    (Fault("cut"), Garbled, "cut short after 5 of 11"),
    (Fault("late-half", by_s=REPLY_S + 0.05), Garbled, "cut short"),
    (Fault("noise"), Garbled, "more on the line"),
    (Fault("twice"), Garbled, "more on the line"),
    (Fault("echo"), Garbled, "echo = true"),
    (Fault("exception", code=4), Refused, "device failure"),
    (Fault("exception", code=6), Refused, "busy"),
]


@pytest.mark.parametrize(("fault", "error", "word"), SPOILED, ids=lambda value: getattr(value, "kind", None))
def test_a_spoiled_answer_is_told_and_the_next_is_fresh(fault: Fault, error: type[ExchangeError], word: str) -> None:
    request = Request(1, "holding", 10, 3)

    async def work() -> None:
        with RtuSlave(stamped, units=(1, 2), fault=Faults(None, fault)) as slave:
            line = line_to(slave.path)
            await line.connect()
            assert fresh(slave, await line.ask(request), request)
            with pytest.raises(error, match=word) as caught:
                await line.ask(request)
            assert (caught.value.line, caught.value.unit) == ("rs485", 1)
            for count in (2, 3, 4):  # whatever was late has been dropped by now
                again = Request(1, "holding", 10, count)
                assert fresh(slave, await line.ask(again), again)
            await line.close()

    run(work)


def test_a_refusal_carries_its_code(slave: RtuSlave) -> None:
    slave.readable = frozenset({(3, 1)})

    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        with pytest.raises(Refused, match="illegal address") as caught:
            await line.ask(Request(1, "holding", 1, 2))
        assert caught.value.code == 2
        assert await line.ask(Request(1, "holding", 1, 1))
        await line.close()

    run(work)


@pytest.mark.parametrize("fault", [Fault("pause", by_s=0.02), Fault("noise", noise=b"\x00\xff")], ids=lambda f: f.kind)
def test_a_pause_inside_or_two_stray_bytes_do_no_harm(fault: Fault) -> None:
    request = Request(1, "holding", 10, 3)

    async def work() -> None:
        with RtuSlave(stamped, fault=Faults(fault)) as slave:
            line = line_to(slave.path)
            await line.connect()
            assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


def test_an_echoing_adapter_works_when_the_site_says_so() -> None:
    request = Request(1, "holding", 10, 3)

    async def work() -> None:
        with RtuSlave(stamped, fault=Faults(*[Fault("echo")] * 5)) as slave:
            line = line_to(slave.path, echo=True)
            await line.connect()
            for _ in range(5):
                assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


def test_a_second_copy_after_the_next_request_is_not_taken_for_its_answer() -> None:
    async def work() -> None:
        with RtuSlave(stamped, units=(1, 2), fault=Faults(Fault("twice-next"), None)) as slave:
            line = line_to(slave.path)
            await line.connect()
            line.trust(1)
            line.trust(2)
            await line.ask(Request(1, "holding", 10, 3))
            with pytest.raises(Garbled, match="3 registers instead of 2"):
                await line.ask(Request(1, "holding", 10, 2))
            assert line.doubts(1)
            assert line.doubts(2)
            await line.close()

    run(work)


def test_the_same_shape_is_not_asked_again_while_a_copy_may_come(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        starts = []
        for count in (3, 3, 2):
            await line.ask(Request(1, "holding", 10, count))
            starts.append(time.monotonic())
        assert starts[1] - starts[0] >= SLOWEST_S * 0.9
        assert starts[2] - starts[1] < SLOWEST_S * 0.9
        await line.close()

    run(work)


def test_bytes_nobody_asked_for_bring_doubt(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        await line.ask(Request(1, "holding", 10, 3))
        for unit in (1, 2):
            line.trust(unit)
        slave.send(bytes.fromhex("02 03 04 00 01 00 02 08 f3"))  # no checksum that fits: it can't be told whose it is
        while not line._stray:
            await asyncio.sleep(0.001)
        await line.ask(Request(1, "holding", 10, 2))
        assert line.doubts(1)
        assert line.doubts(2)
        assert line.strays == 1
        line.trust(1)
        slave.send(b"\x00\x00")  # a transceiver turning round
        await line.ask(Request(1, "holding", 10, 4))
        assert not line.doubts(1)
        await line.close()

    run(work)


def test_after_silence_only_the_silent_unit_is_doubted(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        line.trust(1)
        with pytest.raises(Silent):
            await line.ask(Request(9, "holding", 1, 1))
        assert line.doubts(9)
        assert not line.doubts(1)
        await line.close()

    run(work)


def test_after_a_failure_nothing_is_sent_until_the_slowest_answer_is_past(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        with pytest.raises(Silent):
            await line.ask(Request(9, "holding", 1, 1))
        failed_s = time.monotonic()
        await line.ask(Request(1, "holding", 1, 1))
        assert time.monotonic() - failed_s >= SLOWEST_S * 0.95
        await line.close()

    run(work)


def test_cancelling_leaves_the_line_safe() -> None:
    async def work() -> None:
        with RtuSlave(stamped, fault=Faults(Fault("late", by_s=0.04))) as slave:
            line = line_to(slave.path)
            await line.connect()
            line.trust(1)
            task = asyncio.create_task(line.ask(Request(1, "holding", 10, 3)))
            while not slave.state.asked:
                await asyncio.sleep(0.001)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            assert line.doubts(1)
            request = Request(1, "holding", 20, 3)  # the same shape as the answer that is still on its way
            assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


def test_two_tasks_take_turns(slave: RtuSlave) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()

        async def many(unit: int) -> None:
            for count in range(1, 20):
                registers = await line.ask(Request(unit, "input", 0, count))
                assert len({register >> 8 for register in registers}) == 1
                assert len(registers) == count

        await asyncio.gather(many(1), many(2))
        await line.close()

    run(work)


# -- the port --------------------------------------------------------------------------------------


def test_a_missing_port_is_told() -> None:
    async def work() -> None:
        with pytest.raises(LineDown, match="rs485: /dev/no-such-port: missing") as caught:
            await line_to("/dev/no-such-port").connect()
        assert (caught.value.line, caught.value.port) == ("rs485", "/dev/no-such-port")

    run(work)


def test_a_busy_port_is_told_and_works_when_it_is_free(slave: RtuSlave) -> None:
    async def work() -> None:
        other = os.open(slave.path, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX)
        line = line_to(slave.path)
        with pytest.raises(LineDown, match="held by another program"):
            await line.connect()
        assert not line.is_up
        os.close(other)
        await line.connect()
        assert await line.ask(Request(1, "holding", 1, 1))
        await line.close()

    run(work)


def test_a_port_is_never_shared(slave: RtuSlave) -> None:
    async def work() -> None:
        first, second = line_to(slave.path), line_to(slave.path)
        await first.connect()
        with pytest.raises(LineDown, match="held by another program"):
            await second.connect()
        await first.close()
        await second.connect()
        await second.close()

    run(work)


def test_a_forbidden_port_names_the_group(slave: RtuSlave) -> None:
    assert os.geteuid() == 0, "this test gives up root for a moment, so it must start as root"
    os.chmod(slave.path, 0o600)  # noqa: PTH101

    async def work() -> None:
        with pytest.raises(LineDown, match="permission denied: the service's user must be in the group tty"):
            await line_to(slave.path).connect()

    os.chown(slave.path, 0, 5)
    os.seteuid(65534)
    try:
        run(work)
    finally:
        os.seteuid(0)


def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "ttyUSB0"
    path.write_text("")

    async def work() -> None:
        with pytest.raises(LineDown, match="no serial port"):
            await line_to(str(path)).connect()

    run(work)


def test_asking_before_connecting_is_told(slave: RtuSlave) -> None:
    async def work() -> None:
        with pytest.raises(LineDown):
            await line_to(slave.path).ask(Request(1, "holding", 1, 1))

    run(work)


@pytest.mark.parametrize("during", [True, False], ids=["while waiting", "between questions"])
def test_a_port_that_vanishes_is_told_at_once_and_comes_back_under_another_number(during: bool, tmp_path: Path) -> None:
    link = tmp_path / "by-id"

    async def work() -> None:
        with RtuSlave(stamped, fault=Faults(None, Fault("silent"))) as first:
            link.symlink_to(first.path)
            line = ModbusLine(Line("rs485", port=str(link), baud=115200, reply_s=5.0, slowest_s=SLOWEST_S))
            await line.connect()
            await line.ask(Request(1, "holding", 1, 1))
            if during:
                task = asyncio.create_task(line.ask(Request(1, "holding", 1, 2)))
                while len(first.state.asked) < 2:
                    await asyncio.sleep(0.001)
                threading.Thread(target=first.close).start()
            else:
                await asyncio.to_thread(first.close)
                task = asyncio.create_task(line.ask(Request(1, "holding", 1, 2)))
            gone_s = time.monotonic()
            with pytest.raises(LineDown, match="lost: unplugged"):
                await task
            assert time.monotonic() - gone_s < 1.0  # not the 5 s that an answer may take
            assert not line.is_up
        link.unlink()
        with pytest.raises(LineDown, match="missing"):
            await line.connect()
        with RtuSlave(stamped) as second:
            link.symlink_to(second.path)
            await line.connect()
            assert line.is_up
            assert line.doubts(1)
            assert fresh(second, await line.ask(Request(1, "holding", 1, 2)), Request(1, "holding", 1, 2))
            await line.close()

    run(work)


def test_the_library_is_quiet(slave: RtuSlave, caplog: pytest.LogCaptureFixture) -> None:
    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        for _ in range(6):  # the library would complain from the fourth on
            with pytest.raises(Silent):
                await line.ask(Request(9, "holding", 1, 1))
        await line.close()

    with caplog.at_level(logging.DEBUG):
        run(work)
    assert [record for record in caplog.records if record.name.startswith("pymodbus")] == []


# -- what it costs ---------------------------------------------------------------------------------


def test_time_on_the_wire_is_what_the_standard_gives() -> None:
    """8N1 at 9600: 53 characters of 10 bits and two gaps of 3.5: 62.5 ms; 31.2 ms at 19200 (computed by rule)."""
    twenty = Request(1, "input", 0, 20)
    assert line_to("/dev/null", baud=9600).transfer_s(twenty) == pytest.approx(0.0625, abs=0.0001)
    assert line_to("/dev/null", baud=19200).transfer_s(twenty) == pytest.approx(0.0312, abs=0.0001)
    fast = ModbusLine(Line("x", port="p", baud=115200))
    assert fast.transfer_s(twenty) == pytest.approx(53 * 10 / 115200 + 2 * 0.00175)
    assert fast.cost_s(twenty) == pytest.approx(fast.transfer_s(twenty) + 0.3 + 0.4)


def test_an_even_parity_character_has_eleven_bits() -> None:
    """MODBUS over Serial Line Guide V1.02, 2.5.1: start, eight, parity, stop."""
    even = ModbusLine(Line("x", port="p", baud=9600, parity="even"))
    assert even.transfer_s(Request(1, "input", 0, 1)) == pytest.approx(22 * 11 / 9600, rel=1e-6)


def test_an_answer_found_after_the_machine_stood_still_is_not_used(slave: RtuSlave) -> None:
    """It came in time, but nobody knows how old it is: it would be stamped with the moment it was found."""
    tries = 6
    slave.fault = Faults(*[Fault("late", by_s=REPLY_S / 2.0)] * tries)

    async def work() -> None:
        line = line_to(slave.path)
        await line.connect()
        for count in range(tries):
            known = slave.state.serial
            asking = asyncio.create_task(line.ask(Request(1, "input", 10, 1 + count % 3)))
            while slave.state.serial == known:
                await asyncio.sleep(0.0)
            threading.Event().wait(3.0 * REPLY_S)  # nothing runs in this process's loop
            with pytest.raises((Garbled, Silent)):
                await asking
        await line.close()

    run(work)
