"""One instrument polled over a line: proofs before trust, nothing wrong after, and the seeded mix of all faults."""

import asyncio
import contextlib
import time
from collections.abc import Callable, Coroutine

import pytest

from drivers import register_map_instrument
from drivers.errors import Garbled, LineDown, Refused, Silent
from drivers.register_map_instrument import RegisterMapInstrument
from drivers.register_maps import RegisterMap, load_register_map
from drivers.table import DRIVERS, make_line
from drivers.transports.modbus_line import ModbusLine
from servers.faulty_polls import KINDS, MAPS, Tally, changing, is_right, run_lines
from servers.rtu_slave import Asked, Fault, RtuSlave
from shared.site import Instrument, Line

LIMIT_S = 20.0
FAULTY_POLLS = 2000
SHUNT, _, WITH_IDENTITY, _ = MAPS


def run(work: Callable[[], Coroutine[None, None, None]]) -> None:
    async def limited() -> None:
        async with asyncio.timeout(LIMIT_S):
            await work()

    asyncio.run(limited())


def made(slave: RtuSlave, register_map: RegisterMap, unit: int = 1) -> tuple[ModbusLine, RegisterMapInstrument]:
    line = Line("rs485", port=slave.path, baud=115200, reply_s=0.04, slowest_s=0.05)
    row = Instrument("shunt", "rs485", "register-map", 1.0, unit=unit)
    link, pollers = make_line(line, [row], {"shunt": register_map}, clock=time.monotonic)
    return link, pollers[0]


class Switch:
    """A fault that is on while it is set."""

    def __init__(self) -> None:
        self.now: Fault | None = None

    def __call__(self, asked: Asked) -> Fault | None:
        return self.now


def test_the_first_poll_proves_that_the_unit_is_in_step_and_later_ones_do_not() -> None:
    async def work() -> None:
        with RtuSlave(changing) as slave:
            line, shunt = made(slave, SHUNT)
            await line.connect()
            before_s = time.monotonic()
            for extra in (2, 0, 0, 0):
                serial = slave.state.serial
                turn = shunt.plan.turns[(shunt._turn + 1) % len(shunt.plan.turns)]
                reading = await shunt.poll(time.monotonic)
                assert is_right(reading, 1, SHUNT, slave, serial)
                assert slave.state.serial - serial == extra + len(turn)
                assert reading.instrument == "shunt"
                assert before_s <= reading.at_s <= time.monotonic()
            shapes = [(row.function, row.count) for row in slave.state.asked]
            assert all(a != b for a, b in zip(shapes, shapes[1:], strict=False))
            await line.close()

    run(work)


@pytest.mark.parametrize("kind", ["one-late", "stale"])
@pytest.mark.parametrize("register_map", MAPS, ids=["one block", "two tables", "identity", "spare"])
def test_an_instrument_that_is_always_one_answer_behind_is_never_believed(kind: str, register_map: RegisterMap) -> None:
    switch = Switch()

    async def work() -> None:
        with RtuSlave(changing, fault=switch) as slave:
            line, poller = made(slave, register_map)
            await line.connect()
            await poller.poll(time.monotonic)
            switch.now = Fault(kind)
            for _ in range(8):
                with pytest.raises((Garbled, Silent)):
                    await poller.poll(time.monotonic)
            switch.now = None
            serial = slave.state.serial
            assert is_right(await poller.poll(time.monotonic), 1, register_map, slave, serial)
            await line.close()

    run(work)


@pytest.mark.parametrize("kind", KINDS)
def test_the_poll_after_a_fault_is_right(kind: str) -> None:
    switch = Switch()

    async def work() -> None:
        with RtuSlave(changing, fault=switch) as slave:
            line, poller = made(slave, SHUNT)
            await line.connect()
            await poller.poll(time.monotonic)
            switch.now = Fault(kind, by_s=0.03 if kind in ("twice-later", "pause") else 0.06)
            serial = slave.state.serial
            with contextlib.suppress(Garbled, Silent, Refused):
                assert is_right(await poller.poll(time.monotonic), 1, SHUNT, slave, serial)
            switch.now = None
            garbled = 0
            for _ in range(4):
                serial = slave.state.serial
                try:
                    assert is_right(await poller.poll(time.monotonic), 1, SHUNT, slave, serial)
                except Garbled:
                    garbled += 1
            assert garbled <= 1  # a copy that still comes may cost one poll, not two
            await line.close()

    run(work)


def test_a_wrong_identity_is_refused_and_told() -> None:
    text = '[identity]\ntable = "holding"\naddress = 0\ntype = "u16"\nvalue = 4712\n'
    point = '[[point]]\nquantity = "load_a"\ntable = "holding"\naddress = 40\ntype = "u32"\nscale = 1e-8\n'

    async def work() -> None:
        with RtuSlave(changing) as slave:
            line, poller = made(slave, load_register_map(text + point, "m"))
            await line.connect()
            for _ in range(2):
                with pytest.raises(Garbled, match=r"identity is 4711 \(0x1267\), the map says 4712"):
                    await poller.poll(time.monotonic)
            await line.close()

    run(work)


def test_the_identity_is_looked_at_again_from_time_to_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(register_map_instrument, "IDENTITY_EVERY_POLLS", 10)
    identity = [4711]

    def registers(unit: int, function: int, address: int, serial: int) -> int:
        return identity[0] if address == 0 else changing(unit, function, address, serial)

    async def work() -> None:
        with RtuSlave(registers) as slave:
            line, poller = made(slave, WITH_IDENTITY)
            poller.plan = type(
                poller.plan
            )(  # its ordinary turns without the identity: only the check sees it
                1, (poller.plan.turns[0][-1:],), poller.plan.proofs, poller.plan.identity, guarded=False
            )
            await line.connect()
            await poller.poll(time.monotonic)
            identity[0] = 99
            polls = 0
            with pytest.raises(Garbled, match="identity is 99"):
                while polls < 12:
                    polls += 1
                    await poller.poll(time.monotonic)
            assert polls == 10
            await line.close()

    run(work)


def test_one_refused_block_leaves_the_other_good_and_all_refused_is_an_error() -> None:
    text = "".join(
        f'[[point]]\nquantity = "{quantity}"\ntable = "{table}"\naddress = 9\ntype = "u16"\nscale = 0.001\n'
        for quantity, table in (("bank_v", "input"), ("panel_v", "holding"))
    )

    async def work() -> None:
        with RtuSlave(changing, readable=frozenset({(4, 9)})) as slave:
            line, poller = made(slave, load_register_map(text, "m"))
            await line.connect()
            found = None
            for _ in range(4):  # the proofs that are refused for good are given up first
                try:
                    found = await poller.poll(time.monotonic)
                except Refused:
                    continue
                break
            assert found is not None
            assert set(found.values) == {"bank_v"}
            assert set(found.suspect) == {"panel_v"}
            slave.readable = frozenset()
            with pytest.raises(Refused, match="illegal address"):
                await poller.poll(time.monotonic)
            await line.close()

    run(work)


def test_an_instrument_that_gives_its_block_only_whole_is_read_all_the_same() -> None:
    """Some refuse to give a part of what belongs together; the block itself then serves as the proof."""
    text = "".join(
        f'[[point]]\nquantity = "{quantity}"\ntable = "input"\naddress = {address}\ntype = "u16"\nscale = 0.001\n'
        for quantity, address in (("bank_v", 1), ("bank_a", 2), ("bank_c", 3), ("load_v", 4))
    )

    def fault(asked: Asked) -> Fault | None:
        return None if asked.count == 4 else Fault("exception", code=2)

    async def work() -> None:
        with RtuSlave(changing, fault=fault) as slave:
            line, poller = made(slave, load_register_map(text, "m"))
            await line.connect()
            read = 0
            for _ in range(20):
                try:
                    reading = await poller.poll(time.monotonic)
                except Refused:
                    continue
                read += bool(reading.values)
            assert read >= 5
            await line.close()

    run(work)


def test_a_silent_unit_does_not_touch_its_neighbour() -> None:
    async def work() -> None:
        with RtuSlave(changing, units=(1,)) as slave:
            line = Line("rs485", port=slave.path, baud=115200, reply_s=0.04, slowest_s=0.05)
            rows = [Instrument(f"u{unit}", "rs485", "register-map", 1.0, unit=unit) for unit in (1, 2)]
            link, (alive, dead) = make_line(line, rows, {"u1": SHUNT, "u2": SHUNT}, clock=time.monotonic)
            await link.connect()
            await alive.poll(time.monotonic)
            for _ in range(5):
                with pytest.raises(Silent):
                    began_s = time.monotonic()
                    await dead.poll(time.monotonic)
                assert time.monotonic() - began_s < dead.worst_cost_s + 0.3
                serial = slave.state.serial
                assert is_right(await alive.poll(time.monotonic), 1, SHUNT, slave, serial)
            await link.close()

    run(work)


def test_the_worst_cost_of_the_example_line_leaves_room_in_a_second() -> None:
    line = Line("rs485", port="/dev/null", baud=19200)
    row = Instrument("shunt", "rs485", "register-map", 1.0, unit=2)
    _, (shunt,) = make_line(line, [row], {"shunt": SHUNT}, clock=time.monotonic)
    assert line.reply_s + line.slowest_s < shunt.worst_cost_s < 0.9


def test_a_lost_port_comes_through_as_such() -> None:
    async def work() -> None:
        slave = RtuSlave(changing)
        with slave:
            line, poller = made(slave, SHUNT)
            await line.connect()
            await poller.poll(time.monotonic)
        with pytest.raises(LineDown):
            await poller.poll(time.monotonic)
        await line.close()

    run(work)


# -- the table -------------------------------------------------------------------------------------


def test_the_row_of_the_table_can_be_made() -> None:
    spec = DRIVERS["register-map"]
    assert spec.style == "asked"
    row = Instrument("x", "l", "register-map", 1.0, unit=1, map="m")
    assert all(getattr(row, need) is not None for need in spec.needs)
    link, pollers = make_line(Line("l", port="/dev/null"), [row], {"x": SHUNT}, clock=time.monotonic)
    assert not link.is_up
    assert [(poller.name, poller.every_s) for poller in pollers] == [("x", 1.0)]


def test_what_cannot_be_made_is_told() -> None:
    row = Instrument("x", "l", "register-map", 1.0, unit=1)
    line = Line("l", port="/dev/null")
    for rows, word in (
        ([Instrument("x", "l", "telegraph", 1.0)], "no driver telegraph, there are register-map"),
        ([Instrument("x", "l", "register-map", 1.0)], "no unit number"),
        ([row, Instrument("y", "l", "register-map", 1.0, unit=1)], "same unit 1"),
        ([row, Instrument("y", "l", "telegraph", 1.0, unit=2)], "one driver for all"),
    ):
        with pytest.raises(ValueError, match=word):
            make_line(line, rows, {"x": SHUNT, "y": SHUNT}, clock=time.monotonic)


# -- everything at once ----------------------------------------------------------------------------


def test_two_thousand_faulty_polls_give_no_wrong_reading() -> None:
    """All faults mixed, sixteen lines side by side; the long form is tests/bench/wrong_readings.py."""
    tally: Tally = asyncio.run(run_lines(20, 16, until=lambda tally: tally.faulty >= FAULTY_POLLS))
    assert tally.wrong == 0, tally.examples
    assert tally.writes == 0
    assert set(tally.faults) == set(KINDS)
    assert min(tally.faults.values()) >= 20
    assert tally.read >= 300  # the test would mean nothing if hardly anything were accepted


def test_the_count_of_wrong_readings_sees_what_the_library_alone_would_accept(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the driver's distrust taken out, the same run must find wrong readings: the test can fail."""
    monkeypatch.setattr(ModbusLine, "doubts", lambda self, unit: False)
    monkeypatch.setattr(ModbusLine, "_be_quiet", lambda self: None)
    monkeypatch.setattr(ModbusLine, "_weigh_strays", lambda self: None)

    def until(tally: Tally) -> bool:
        return tally.wrong > 0 or tally.faulty >= FAULTY_POLLS

    tally = asyncio.run(run_lines(20, 16, until=until))
    assert tally.wrong > 0
