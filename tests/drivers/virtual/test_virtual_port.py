"""The virtual port as a client meets it: a real terminal, real time, plugs pulled."""

import ast
import asyncio
import os
import select
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient

import drivers.virtual
from drivers.virtual.faults import Fault, ListedFaults
from drivers.virtual.live import LiveSite
from drivers.virtual.port import VirtualPort
from drivers.virtual.register_tables import RegisterTable
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit
from drivers.virtual.site import VirtualSite

MAPS = Path(__file__).parents[3] / "config" / "maps"
START_S = 1_772_600_000.0
LIMIT_S = 5.0


def units() -> dict[str, RtuUnit]:
    numbers = {"shunt": 2, "controller": 1}
    return {
        name: RtuUnit(number, RegisterTable.parse((MAPS / f"example-{name}.toml").read_text()))
        for name, number in numbers.items()
    }


def read_reply(fd: int, size: int) -> bytes:
    got = b""
    while len(got) < size:
        ready, _, _ = select.select([fd], [], [], LIMIT_S)
        assert ready, f"no byte in {LIMIT_S} s after {got.hex()}"
        got += os.read(fd, size - len(got))
    return got


def ask(path: str) -> bytes:
    """Read the shunt's seven registers with a request made by hand (its CRC by pymodbus)."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        request = bytes.fromhex("02 04 05 E6 00 07 50 C0")
        os.write(fd, request)
        return read_reply(fd, 19)
    finally:
        os.close(fd)


def test_an_independent_client_reads_both_units_on_one_line(tmp_path: Path) -> None:
    """pymodbus shares no code with the virtual site."""
    shown = units()
    site = VirtualSite(seed=3, start_utc_s=START_S)
    site.advance(3600.0)
    live = LiveSite(site, shown)
    live.step()
    line = RtuLine(shown.values())

    async def read(path: str) -> tuple[Sequence[int], ...]:
        client = AsyncModbusSerialClient(path, framer=FramerType.RTU, baudrate=19200, timeout=LIMIT_S, retries=0)
        assert await client.connect()
        try:
            shunt = await client.read_input_registers(1510, count=7, device_id=2)
            holding = await client.read_holding_registers(2208, count=8, device_id=1)
            heat = await client.read_input_registers(731, count=2, device_id=1)
            return shunt.registers, holding.registers, heat.registers
        finally:
            client.close()

    with VirtualPort(line, link=tmp_path / "rs485") as port:
        shunt, holding, heat = asyncio.run(read(port.path))
    assert shunt[0] / 1000 == pytest.approx(site.bank.bank_v, abs=0.02)
    bank_ma = (shunt[2] << 16 | shunt[1]) - (1 << 32 if shunt[2] & 0x8000 else 0)
    assert bank_ma / 1000 == pytest.approx(site.bank_a, abs=0.03)
    assert holding[0] / 100 == pytest.approx(site.controller.bank_v, abs=0.05)
    assert heat[0] / 10 - 40 == pytest.approx(site.heat.controller_c, abs=1.0)
    assert line.writes == line.spoiled == 0
    for exchange in line.log:
        table = "holding" if exchange.request.function == 3 else "input"
        request = exchange.request
        was = line.was(request.unit, table, request.address, request.count, exchange.at_s, exchange.at_s)
        assert exchange.registers in was


def test_the_plug_is_pulled_and_comes_back_under_another_number(tmp_path: Path) -> None:
    link = tmp_path / "rs485"
    with VirtualPort(RtuLine(units().values()), link=link) as port:
        first = port.device
        assert ask(str(link))[:3] == bytes.fromhex("02 04 0E")
        held = os.open(str(link), os.O_RDWR | os.O_NOCTTY)
        port.vanish()
        assert not link.is_symlink() and port.device == ""
        with pytest.raises(OSError):
            os.write(held, b"\x02")
        port.come_back()
        assert port.device != first and link.readlink() == Path(port.device)
        assert ask(str(link))[:3] == bytes.fromhex("02 04 0E")
        os.close(held)
    assert not link.is_symlink()


def test_a_port_that_vanishes_for_a_while_comes_back_by_itself(tmp_path: Path) -> None:
    link = tmp_path / "rs485"
    with VirtualPort(RtuLine(units().values()), link=link) as port:
        port.vanish(back_after_s=0.05)
        assert not port.up.is_set()
        assert port.up.wait(LIMIT_S)
        assert ask(str(link))[:3] == bytes.fromhex("02 04 0E")


def test_a_late_reply_comes_late(tmp_path: Path) -> None:
    line = RtuLine(units().values(), faults=ListedFaults([Fault("late", delay_s=0.15)]))
    with VirtualPort(line) as port:
        ask(port.path)
        exchange = line.log[-1]
        assert exchange.fault == "late" and exchange.due_s is not None
        assert port.clock() >= exchange.due_s
        assert exchange.due_s - exchange.at_s == pytest.approx(0.15, abs=0.01)


def test_the_live_site_goes_on_by_itself_and_conditions_reach_the_registers() -> None:
    shown = units()
    seen = threading.Event()
    images: list[int] = []

    class Watched(RtuUnit):
        def show(self, values: Mapping[str, float | None], at_s: float) -> None:
            super().show(values, at_s)
            images.append(self.image()[("input", 1510)])
            if len(images) > 20:
                seen.set()

    shown["shunt"] = Watched(2, shown["shunt"].table)
    site = VirtualSite(seed=3, start_utc_s=START_S)
    with LiveSite(site, shown, tick_s=0.01, rate=100.0) as live:
        live.impose("thermometer-missing")
        assert seen.wait(LIMIT_S)
    assert live.utc_s >= START_S + 20.0 - 1e-6
    assert shown["shunt"].image()[("input", 1515)] == 0x7FC0  # NaN
    assert len(set(images)) > 1


def test_orders_to_a_port_that_is_not_served_are_refused() -> None:
    port = VirtualPort(RtuLine(()))
    with pytest.raises(RuntimeError, match="start"):
        port.vanish()
    port.stop()


def test_shares_no_code_with_what_reads_it() -> None:
    """An error in one side's frame code must not be hidden by the same code on the other side."""
    forbidden = ("drivers.decoders", "drivers.transports", "drivers.register_maps", "pymodbus", "serial", "daemon")
    files = list(Path(drivers.virtual.__path__[0]).glob("*.py"))
    assert len(files) > 10
    for file in files:
        for node in ast.walk(ast.parse(file.read_text())):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{file.name}: write imports out"
                names = [node.module or ""]
            bad = [name for name in names if name.startswith(forbidden)]
            assert not bad, f"{file.name} imports {bad}"
