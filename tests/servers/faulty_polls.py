"""A seeded run of polls with every fault mixed in, and the count of wrong readings that were accepted.

The slave's registers change with each request, so each accepted value tells from which request it
came. A reading is wrong when one of its values is not the one its registers held when the last
request of that very poll that covers them was answered: an old value is as wrong as a garbled one.
"""

import asyncio
import random
import struct
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from attrs import evolve

from drivers.errors import DriverError
from drivers.register_map_instrument import RegisterMapInstrument
from drivers.register_maps import RegisterMap, RegisterPoint, load_register_map
from drivers.table import make_line
from servers.rtu_slave import Asked, Fault, RtuSlave
from servers.tcp_slave import TCP_KINDS, TcpSlave
from shared.readings import Reading
from shared.site import Instrument, Line

REPLY_S = 0.025
SLOWEST_S = 0.04
KINDS = (
    "silent",
    "late",
    "one-late",
    "stale",
    "bad-crc",
    "wrong-unit",
    "wrong-function",
    "too-few",
    "too-many",
    "cut",
    "noise",
    "twice",
    "twice-later",
    "twice-next",
    "echo",
    "exception",
    "pause",
    "late-half",
)
LASTING = ("one-late", "stale", "silent")  # come in spells
SPELL_MOST = 6
IDENTITY = 4711
MARKED_ONE_IN = 25

_BLOCK = """
[[point]]
quantity = "bank_v"
table = "input"
address = 10
type = "u16"
scale = 0.001
missing = 65535
[[point]]
quantity = "bank_a"
table = "input"
address = 11
type = "s32"
words = "low-first"
scale = 1e-7
[[point]]
quantity = "bank_c"
table = "input"
address = 13
type = "f32"
"""
_TWO_TABLES = """
[[point]]
quantity = "panel_v"
table = "holding"
address = 100
type = "u16"
scale = 0.001
[[point]]
quantity = "panel_a"
table = "holding"
address = 101
type = "u16"
scale = 0.001
[[point]]
quantity = "controller_c"
table = "input"
address = 7
type = "u16"
scale = 0.001
"""
_IDENTITY = f"""
[identity]
table = "holding"
address = 0
type = "u16"
value = {IDENTITY}
[[point]]
quantity = "load_a"
table = "holding"
address = 40
type = "u32"
scale = 1e-8
"""
_SPARE = """
[[readable]]
table = "input"
address = 20
count = 3
[[point]]
quantity = "enclosure_c"
table = "input"
address = 20
type = "u16"
scale = 0.001
"""
MAPS = tuple(
    load_register_map(text, f"map {index}") for index, text in enumerate((_BLOCK, _TWO_TABLES, _IDENTITY, _SPARE))
)


@dataclass
class Tally:
    """What became of the polls."""

    polls: int = 0
    faulty: int = 0  # polls in which the slave spoiled at least one answer
    read: int = 0
    wrong: int = 0
    failed: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    examples: list[str] = field(default_factory=list)
    writes: int = 0


def changing(unit: int, function: int, address: int, serial: int) -> int:
    """A register that differs from request to request; sometimes a marker for "missing"."""
    if (function, address) == (3, 0):
        return IDENTITY
    if serial % MARKED_ONE_IN == 0:
        return {10: 0xFFFF, 13: 0x7FC0, 14: 0}.get(address, 0x1234)
    mixed = (serial * 2654435761 + address * 40503 + unit * 9176 + function * 77) & 0xFFFFFFFF
    mixed ^= mixed >> 15
    if address == 13:  # the upper half of a float between 2 and 32
        return 0x4000 + mixed % 0x0200
    return mixed * 2246822519 >> 16 & 0xFFFF


class Weather:
    """Decides for each request what goes wrong with its answer."""

    def __init__(self, seed: int, share: float, kinds: Sequence[str] = KINDS) -> None:
        self._random = random.Random(seed)
        self._share = share
        self._kinds = kinds
        self._spell: list[str] = []
        self.counts: Counter[str] = Counter()

    def __call__(self, asked: Asked) -> Fault | None:
        if not self._spell:
            if self._random.random() >= self._share:
                return None
            kind = self._random.choice(self._kinds)
            self._spell = [kind] * (self._random.randint(1, SPELL_MOST) if kind in LASTING else 1)
        kind = self._spell.pop()
        self.counts[kind] += 1
        return self._fault(kind)

    def _fault(self, kind: str) -> Fault:
        chance = self._random
        by_s = {
            "late": chance.uniform(REPLY_S * 0.5, REPLY_S + SLOWEST_S),
            "late-half": chance.uniform(REPLY_S, REPLY_S + SLOWEST_S),
            "twice-later": chance.uniform(0.0, SLOWEST_S * 0.9),
            "pause": chance.uniform(0.001, REPLY_S * 0.8),
        }.get(kind, 0.0)
        noise = chance.randbytes(chance.randint(1, 12))
        return Fault(kind, by_s=by_s, code=chance.choice((1, 4, 5, 6, 11)), noise=noise)


def expected(point: RegisterPoint, registers: Sequence[int]) -> float | None:
    """The value of a point, worked out without the driver; None is missing."""
    if point.type == "u16":
        return None if registers[0] in point.missing else registers[0] * point.scale
    high, low = registers if point.words == "high-first" else (registers[1], registers[0])
    kind = {"u32": ">I", "s32": ">i", "f32": ">f"}[point.type]
    number = float(struct.unpack(kind, struct.pack(">HH", high, low))[0])
    return None if number != number else number * point.scale


def is_right(reading: Reading, unit: int, register_map: RegisterMap, slave: RtuSlave, after: int) -> bool:
    """Whether each value is the one of the last request of this poll (serial above `after`) that covers it."""
    truth = dict(slave.state.truth)
    asked = [row for row in slave.state.asked if row.serial > after and row.unit == unit]
    for point in register_map.points:
        function = 3 if point.table == "holding" else 4
        covering = [
            row
            for row in asked
            if row.function == function
            and row.address <= point.address
            and point.address + point.width <= row.address + row.count
        ]
        if point.quantity not in reading.values:
            continue
        if not covering:
            return False
        start = point.address - covering[-1].address
        if reading.values[point.quantity] != expected(point, truth[covering[-1].serial][start : start + point.width]):
            return False
    return True


async def run_polls(
    seed: int,
    *,
    share: float = 0.35,
    until: Callable[[Tally], bool],
    tally: Tally | None = None,
    kinds: Sequence[str] = KINDS,
    reply_s: float = REPLY_S,
    slowest_s: float = SLOWEST_S,
    over: str = "serial",
) -> Tally:
    """Poll four units on one line in turn until the tally is enough.

    Args:
        seed: decides every fault.
        share: share of answers at which a fault or a spell of faults begins.
        until: told the tally after each poll; True ends the run.
        tally: to count into, shared between lines that run side by side.
        over: "serial"; or "tcp" or "rtu": such frames over TCP, with the faults of TCP mixed in.
    """
    counted = Tally() if tally is None else tally
    weather = Weather(seed, share, (*kinds, *TCP_KINDS.get(over, ())))
    with _slave(over, weather) as slave:
        line = Line("test", port=slave.path, baud=115200, reply_s=reply_s, slowest_s=slowest_s)
        if over != "serial":
            line = evolve(line, port=None, tcp=slave.path, framing=over)
        rows = [Instrument(f"unit{unit}", "test", "register-map", 1.0, unit=unit) for unit in (1, 2, 3, 4)]
        maps = {row.name: register_map for row, register_map in zip(rows, MAPS, strict=True)}
        link, pollers = make_line(line, rows, maps, clock=time.monotonic)
        await link.connect()
        try:
            while True:
                for row, poller in zip(rows, pollers, strict=True):
                    if not link.is_up:
                        await link.connect()
                    await _poll(poller, row, maps[row.name], slave, weather, counted)
                    if until(counted):
                        return counted
        finally:
            await link.close()
            counted.faults.update(weather.counts)
            counted.writes += sum(row.function not in (3, 4) for row in slave.state.asked)


def _slave(over: str, weather: Weather) -> RtuSlave:
    units = (1, 2, 3, 4)
    if over == "serial":
        return RtuSlave(changing, units=units, fault=weather)
    return TcpSlave(changing, units=units, fault=weather, framing=over)


async def _poll(
    poller: RegisterMapInstrument,
    row: Instrument,
    register_map: RegisterMap,
    slave: RtuSlave,
    weather: Weather,
    counted: Tally,
) -> None:
    faults, serial = weather.counts.total(), slave.state.serial
    counted.polls += 1
    try:
        reading = await poller.poll(time.monotonic)
    except DriverError as why:
        counted.failed[type(why).__name__] += 1
    else:
        counted.read += 1
        assert row.unit is not None
        if not is_right(reading, row.unit, register_map, slave, serial):
            counted.wrong += 1
            counted.examples.append(f"{reading} after {serial}: {list(slave.state.asked)[-4:]}")
    counted.faulty += weather.counts.total() > faults


async def run_lines(
    seed: int,
    lines: int,
    *,
    until: Callable[[Tally], bool],
    share: float = 0.35,
    slower: float = 1.0,
    over: Sequence[str] = ("serial",),
) -> Tally:
    """Several lines side by side: most of the time a line with faults only waits."""
    tally = Tally()
    await asyncio.gather(
        *(
            run_polls(
                seed * 1000 + n,
                share=share,
                until=until,
                tally=tally,
                reply_s=REPLY_S * slower,
                slowest_s=SLOWEST_S * slower,
                over=over[n % len(over)],
            )
            for n in range(lines)
        )
    )
    return tally
