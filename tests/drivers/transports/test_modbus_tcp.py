"""The line over TCP against an independent slave: both framings, every fault, every way to lose the connection."""

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Coroutine, Iterator

import pytest

from drivers.decoders.register_plans import Request
from drivers.decoders.tcp_answers import TcpFraming
from drivers.errors import ExchangeError, Garbled, LineDown, Refused, Silent
from drivers.transports import modbus_line, modbus_paths
from drivers.transports.modbus_line import ModbusLine
from servers.faulty_polls import KINDS, run_lines
from servers.rtu_slave import Asked, Fault
from servers.tcp_slave import TCP_KINDS, TcpSlave
from shared.site import Line

REPLY_S, SLOWEST_S = 0.06, 0.08
LIMIT_S = 15.0
FAULTY_POLLS = 400
FRAMINGS = ("tcp", "rtu")


def stamped(unit: int, function: int, address: int, serial: int) -> int:
    """A register that says which request it was read by."""
    return (serial * 256 + address) & 0xFFFF


class Faults:
    """Gives the faults in the list to the first answers, then none."""

    def __init__(self, *faults: Fault | None) -> None:
        self.left = list(faults)

    def __call__(self, asked: Asked) -> Fault | None:
        return self.left.pop(0) if self.left else None


def line_to(path: str, framing: str) -> ModbusLine:
    line = Line("net", tcp=path, framing=framing, baud=115200, reply_s=REPLY_S, slowest_s=SLOWEST_S)
    return ModbusLine(line)


def run(work: Callable[[], Coroutine[None, None, None]]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(LIMIT_S):
            await work()

    asyncio.run(limited())


def fresh(slave: TcpSlave, registers: tuple[int, ...], request: Request) -> bool:
    """Whether these are the registers of the last request the slave saw."""
    places = range(request.address, request.address + request.count)
    return registers == tuple(stamped(0, 0, place, slave.state.serial) for place in places)


@pytest.fixture(params=FRAMINGS)
def framing(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_the_request_is_the_published_one() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3, in the header of the TCP guide: 3 registers from 0x006B of unit 17."""

    async def work() -> None:
        with TcpSlave(
            lambda unit, function, address, serial: {0x6B: 555, 0x6C: 0, 0x6D: 100}[address], units=(17,)
        ) as s:
            line = line_to(s.path, "tcp")
            await line.connect()
            assert await line.ask(Request(17, "holding", 0x6B, 3)) == (555, 0, 100)
            await line.close()
            assert bytes(s.state.raw) == bytes.fromhex("0001 0000 0006 11 03 006B 0003")

    run(work)


def test_several_units_behind_one_gateway_are_not_mixed_up(framing: str) -> None:
    async def work() -> None:
        with TcpSlave(
            lambda unit, function, address, serial: unit * 1000 + address, framing=framing, units=(1, 2, 3)
        ) as s:
            line = line_to(s.path, framing)
            await line.connect()
            for turn in range(12):
                unit = turn % 3 + 1
                count = turn % 5 + 1
                expected = tuple(unit * 1000 + address for address in range(10, 10 + count))
                assert await line.ask(Request(unit, "input", 10, count)) == expected
            await line.close()

    run(work)


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (Fault("silent"), Silent),
        (Fault("late", by_s=0.1), Silent),
        (Fault("bad-crc"), ExchangeError),
        (Fault("wrong-unit"), Garbled),
        (Fault("wrong-function"), Garbled),
        (Fault("too-few"), Garbled),
        (Fault("too-many"), Garbled),
        (Fault("cut"), Garbled),
        (Fault("noise"), Garbled),
        (Fault("twice"), Garbled),
        (Fault("exception", code=11), Refused),
    ],
    ids=lambda value: value.kind if isinstance(value, Fault) else "",
)
def test_a_fault_is_told_and_the_next_question_is_answered(framing: str, fault: Fault, error: type[Exception]) -> None:
    async def work() -> None:
        with TcpSlave(stamped, framing=framing, fault=Faults(fault)) as slave:
            line = line_to(slave.path, framing)
            await line.connect()
            with pytest.raises(error):
                await line.ask(Request(1, "input", 10, 3))
            request = Request(1, "input", 10, 4)
            assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


@pytest.mark.parametrize("kind", ["wrong-transaction", "wrong-protocol"])
def test_an_answer_to_another_transaction_is_none(kind: str) -> None:
    async def work() -> None:
        with TcpSlave(stamped, fault=Faults(Fault(kind))) as slave:
            line = line_to(slave.path, "tcp")
            await line.connect()
            with pytest.raises(Garbled, match="transaction" if kind == "wrong-transaction" else "no whole Modbus/TCP"):
                await line.ask(Request(1, "input", 10, 3))
            request = Request(1, "input", 10, 3)
            assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


def test_a_late_answer_is_passed_over_by_its_number() -> None:
    """It comes between the next question and its answer, with the same shape: only the number tells."""
    framing = TcpFraming()
    late, right = (bytes.fromhex(f"000{n} 0000 0005 01 04 02 00 0{n}") for n in (1, 2))
    request = Request(1, "input", 10, 1)
    framing.sent(bytes.fromhex("0002 0000 0006 01 04 000A 0001"))
    assert framing.find(late, request) is None
    assert framing.find(late + right, request) == right
    assert framing.find(right + late, request) is None  # more came than the answer
    for cut in range(len(right)):
        assert framing.find(right[:cut], request) is None


def test_a_connection_that_is_closed_is_told_at_once_and_opened_anew(framing: str) -> None:
    async def work() -> None:
        with TcpSlave(stamped, framing=framing, fault=Faults(None, Fault("closed"))) as slave:
            line = line_to(slave.path, framing)
            await line.connect()
            await line.ask(Request(1, "input", 10, 3))
            began_s = time.monotonic()
            with pytest.raises(LineDown, match="closed by the other side"):
                await line.ask(Request(1, "input", 10, 4))
            assert time.monotonic() - began_s < 2.0
            assert not line.is_up
            await line.connect()
            request = Request(1, "input", 10, 3)
            assert fresh(slave, await line.ask(request), request)
            assert slave.connections == 2
            await line.close()

    run(work)


def test_a_connection_on_which_nothing_is_heard_any_more_is_given_up(
    framing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(modbus_line, "HUNG_S", 0.3)

    async def work() -> None:
        with TcpSlave(stamped, framing=framing, fault=Faults(None, Fault("hung"))) as slave:
            line = line_to(slave.path, framing)
            await line.connect()
            await line.ask(Request(1, "input", 10, 3))
            with pytest.raises(LineDown, match="hung"):
                while True:
                    with pytest.raises(Silent):
                        await line.ask(Request(1, "input", 10, 4))
            await line.connect()
            request = Request(1, "input", 10, 3)
            assert fresh(slave, await line.ask(request), request)
            await line.close()

    run(work)


def test_a_silent_unit_beside_one_that_answers_is_no_hung_connection(
    framing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(modbus_line, "HUNG_S", 0.3)

    async def work() -> None:
        with TcpSlave(stamped, framing=framing, units=(1,)) as slave:
            line = line_to(slave.path, framing)
            await line.connect()
            for count in (3, 4, 3, 4, 3, 4):
                await line.ask(Request(1, "input", 10, count))
                with pytest.raises(Silent):
                    await line.ask(Request(2, "input", 10, count))
            assert slave.connections == 1
            await line.close()

    run(work)


def test_what_nobody_asked_for_makes_all_doubted(framing: str) -> None:
    async def work() -> None:
        with TcpSlave(stamped, framing=framing) as slave:
            line = line_to(slave.path, framing)
            await line.connect()
            await line.ask(Request(1, "input", 10, 3))
            line.trust(1)
            slave.send(b"\0\1\0\0\0\3\1\x84")
            async with asyncio.timeout(2.0):
                while not line.doubts(1):
                    await asyncio.sleep(0)
            assert line.strays == 1
            await line.close()

    run(work)


# -- endpoints that can't be opened ----------------------------------------------------------------


def closed_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_an_endpoint_that_cannot_be_opened_says_why() -> None:
    async def work() -> None:
        for endpoint, why in ((f"127.0.0.1:{closed_port()}", "refused"), ("no-such-host.invalid:502", "no such host")):
            with pytest.raises(LineDown, match=why):
                await line_to(endpoint, "tcp").connect()

    run(work)


@pytest.fixture
def full_listener() -> Iterator[str]:
    """A port whose queue of connections is full: who connects there hears nothing, as from a host that is off."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        waiting = []
        for _ in range(4):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(listener.getsockname())
            waiting.append(one)
        yield "{}:{}".format(*listener.getsockname())
        for one in waiting:
            one.close()


def test_an_endpoint_that_never_answers_is_not_waited_for_long(
    full_listener: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(modbus_paths.TcpPath, "connect_s", 0.2)
    monkeypatch.setattr(modbus_paths, "TROUBLE_MOST_S", 0.2)

    async def work() -> None:
        began_s = time.monotonic()
        with pytest.raises(LineDown, match="no answer"):
            await line_to(full_listener, "tcp").connect()
        assert time.monotonic() - began_s < 2.0

    run(work)


def test_an_address_in_brackets_is_taken_without_them() -> None:
    path = modbus_paths.TcpPath(Line("net", tcp="[2001:db8::1]:502", framing="tcp"), "[2001:db8::1]:502")
    assert (path._host, path._port) == ("2001:db8::1", 502)


# -- everything at once ----------------------------------------------------------------------------


def test_hundreds_of_faulty_polls_over_tcp_give_no_wrong_reading() -> None:
    """All faults mixed on both framings; the long form is tests/bench/wrong_readings.py --tcp."""
    tally = asyncio.run(run_lines(31, 16, until=lambda tally: tally.faulty >= FAULTY_POLLS, over=FRAMINGS))
    assert tally.wrong == 0, tally.examples
    assert tally.writes == 0
    assert set(tally.faults) == {*KINDS, *TCP_KINDS["tcp"]}
    assert tally.read >= 60
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("slave")]
