"""The cycle of one line, on a clock of its own: periods, starvation, back-off, reconnecting."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from daemon import cycle
from daemon.cycle import LineCycle
from drivers.errors import DriverError, LineDown, Refused, Silent
from servers.stepped_loop import SteppedLoop
from shared.readings import Reading


class FakeLink:
    """A line that is up or down as the test says."""

    def __init__(self) -> None:
        self.is_up = False
        self.missing = False
        self.connects: list[float] = []
        self.closed = 0

    async def connect(self) -> None:
        self.connects.append(asyncio.get_running_loop().time())
        if self.missing:
            raise LineDown("rs485", "/dev/example", "missing: plug the adapter in")
        self.is_up = True

    async def close(self) -> None:
        self.is_up = False
        self.closed += 1


class FakePoller:
    """An instrument that takes `cost_s` to answer, or fails with `trouble` after its worst time."""

    def __init__(self, name: str, every_s: float, *, cost_s: float = 0.03, worst_cost_s: float = 0.7) -> None:
        self.name, self.every_s, self.cost_s, self.worst_cost_s = name, every_s, cost_s, worst_cost_s
        self.trouble: Callable[[], DriverError] | None = None
        self.asked: list[float] = []

    async def poll(self, clock: Callable[[], float]) -> Reading:
        self.asked.append(clock())
        if self.trouble is not None:
            await asyncio.sleep(self.worst_cost_s)
            raise self.trouble()
        await asyncio.sleep(self.cost_s)
        return Reading(self.name, clock(), {"bank_v": 12.6})


class Bench:
    """A line with its instruments, run for a time on the stepped loop."""

    def __init__(self, *pollers: FakePoller) -> None:
        self.link = FakeLink()
        self.pollers = pollers
        self.readings: list[Reading] = []
        self.turned: list[float] = []
        self.cycle: LineCycle | None = None

    def run(self, seconds: float, *events: tuple[float, Callable[[], None]]) -> LineCycle:
        loop = SteppedLoop()
        try:
            return loop.run_until_complete(self._run(loop, seconds, events))
        finally:
            loop.close()

    async def _run(
        self, loop: SteppedLoop, seconds: float, events: tuple[tuple[float, Callable[[], None]], ...]
    ) -> LineCycle:
        for at_s, event in events:
            loop.call_later(at_s, event)
        made = LineCycle(
            "rs485",
            self.link,
            self.pollers,
            clock=loop.time,
            deliver=self.readings.append,
            turned=lambda name, now_s: self.turned.append(now_s),
        )
        await self._for(made.run(), seconds)
        return made

    @staticmethod
    async def _for(work: Coroutine[Any, Any, None], seconds: float) -> None:
        task = asyncio.ensure_future(work)
        done, _ = await asyncio.wait([task], timeout=seconds)
        assert not done, "the cycle ended by itself"
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


def test_periods_do_not_drift() -> None:
    """After a day each instrument has been asked exactly once a period, on the grid from its start."""
    shunt, controller = FakePoller("shunt", 1.0), FakePoller("controller", 10.0)
    made = Bench(shunt, controller).run(86_400.5)
    assert (len(shunt.asked), len(controller.asked)) == (86_401, 8_641)
    grid_s = [(at_s - shunt.asked[0]) % 1.0 for at_s in shunt.asked]
    assert max(min(rest, 1.0 - rest) for rest in grid_s) < 0.05
    assert made.turns["shunt"].counters.late == 0


def test_a_dead_unit_does_not_make_the_shunt_late() -> None:
    shunt, dead = FakePoller("shunt", 1.0), FakePoller("controller", 10.0)
    dead.trouble = lambda: Silent("rs485", 1, 0.3)
    made = Bench(shunt, dead).run(3600.0)
    on_time = sum(abs(b - a - 1.0) < 0.05 for a, b in zip(shunt.asked, shunt.asked[1:], strict=False))
    assert on_time / 3599 > 0.99  # the figure asked of a line with a dead unit on it
    assert len(dead.asked) > 3600 / 10 * 0.9, "the dead unit is still asked at its own period"
    assert made.turns["controller"].counters.silent == len(dead.asked)


def test_two_dead_units_leave_the_shunt_alone() -> None:
    shunt, dead, other = FakePoller("shunt", 1.0), FakePoller("controller", 10.0), FakePoller("second", 10.0)
    dead.trouble = other.trouble = lambda: Silent("rs485", 1, 0.3)
    Bench(shunt, dead, other).run(3600.0)
    on_time = sum(abs(b - a - 1.0) < 0.05 for a, b in zip(shunt.asked, shunt.asked[1:], strict=False))
    assert on_time / 3599 > 0.99


def test_a_unit_whose_worst_case_fits_no_gap_is_asked_all_the_same() -> None:
    shunt, slow = FakePoller("shunt", 1.0), FakePoller("slow", 10.0, worst_cost_s=3.0)
    slow.trouble = lambda: Silent("rs485", 1, 0.3)
    Bench(shunt, slow).run(1000.0)
    assert 1000.0 / cycle.STARVED_S - 1 <= len(slow.asked) <= 1000.0 / cycle.STARVED_S + 3


def test_a_unit_that_answers_again_is_back_on_its_period() -> None:
    shunt = FakePoller("shunt", 1.0)
    shunt.trouble = lambda: Silent("rs485", 1, 0.3)

    def heal() -> None:
        shunt.trouble = None

    bench = Bench(shunt)
    made = bench.run(400.0, (300.0, heal))
    assert bench.readings[0].at_s - 1300.0 <= cycle.RETRY_MOST_S + 1.0
    assert len(bench.readings) >= 88
    assert made.turns["shunt"].failures == 0


def test_a_refusal_is_counted_with_its_words() -> None:
    shunt = FakePoller("shunt", 1.0)
    shunt.trouble = lambda: Refused("rs485", 2, 2)
    made = Bench(shunt).run(30.0)
    counters = made.turns["shunt"].counters
    assert counters.refused == counters.asked > 0
    assert counters.last_error is not None and counters.answered == 0


def test_a_missing_port_is_tried_for_ever_and_found_soon() -> None:
    shunt = FakePoller("shunt", 1.0)
    bench = Bench(shunt)
    bench.link.missing = True

    def plug_in() -> None:
        bench.link.missing = False

    made = bench.run(4000.0, (3600.0, plug_in))
    assert bench.readings[0].at_s - 4600.0 < 5.0  # the figure asked for a replug
    assert len(bench.link.connects) > 3600 / cycle.RECONNECT_MOST_S - 5
    assert max(b - a for a, b in zip(bench.turned, bench.turned[1:], strict=False)) <= 5.0, "the watchdog hears of it"
    assert made.down_since_s is None


def test_a_port_that_vanishes_is_opened_again() -> None:
    shunt = FakePoller("shunt", 1.0)
    bench = Bench(shunt)

    def unplug() -> None:
        shunt.trouble = lambda: LineDown("rs485", "/dev/example", "vanished: plug the adapter in")
        bench.link.missing = True

    def plug_in() -> None:
        shunt.trouble = None
        bench.link.missing = False

    made = bench.run(100.0, (30.0, unplug), (60.0, plug_in))
    times_s = [reading.at_s - 1000.0 for reading in bench.readings]
    assert not [t for t in times_s if 31.0 < t < 60.0]
    assert min(t for t in times_s if t > 60.0) < 65.0
    assert made.turns["shunt"].counters.late <= 1, "what a missing line missed is not the instrument's lateness"


def test_a_slow_instrument_is_late_alone() -> None:
    """An instrument that takes longer than its period skips grid points instead of piling them up."""
    slow = FakePoller("slow", 1.0, cost_s=2.5)
    made = Bench(slow).run(100.0)
    assert 32 <= len(slow.asked) <= 35
    assert made.turns["slow"].counters.late >= 60


def test_a_line_that_is_down_is_named_once_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench(FakePoller("shunt", 1.0))
    bench.link.missing = True
    bench.run(10.0)
    assert caplog.messages == ["line rs485: /dev/example: missing: plug the adapter in"]
