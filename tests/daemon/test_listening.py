"""A line that is listened to, on a clock of its own: silence, bursts, faults, the end of a line and its return."""

import asyncio
from collections import deque
from collections.abc import Callable

import pytest

from daemon.cycle import RECONNECT_MOST_S, LineCycle
from daemon.listening import SETTLE_S, LineListener, make_line_task
from drivers.errors import LineDown
from drivers.text_instrument import TextInstrument
from drivers.text_maps import load_text_map
from drivers.virtual.text_stream import TextForm
from servers.stepped_loop import SteppedLoop
from servers.text_forms import SENTENCE
from shared.readings import Reading
from shared.site import Instrument, Line

MAP = load_text_map(SENTENCE, "sentence")
FORM = TextForm.parse(SENTENCE)


def record(bank_v: float) -> bytes:
    return FORM.write({"bank_v": bank_v, "bank_a": -0.5, "bank_ah_counter": 1.0, "bank_c": 20.0})


class FakeEar:
    """A port that hears what the test puts into it."""

    def __init__(self) -> None:
        self.is_up = False
        self.missing = False
        self.short_lived = False
        self.connects: list[float] = []
        self.closed = 0
        self._waiting: deque[bytes] = deque()
        self._came = asyncio.Event()

    def say(self, *pieces: bytes) -> None:
        self._waiting.extend(pieces)
        self._came.set()

    def lose(self) -> None:
        self.is_up = False
        self._came.set()

    async def connect(self) -> None:
        self.connects.append(asyncio.get_running_loop().time())
        if self.missing:
            raise LineDown("port", "/dev/example", "missing: plug the adapter in")
        self.is_up = not self.short_lived

    async def close(self) -> None:
        self.is_up = False
        self.closed += 1

    async def hear(self, within_s: float) -> bytes:
        try:
            async with asyncio.timeout(within_s):
                await self._came.wait()
        except TimeoutError:
            pass
        if not self.is_up:
            self._came.clear()
            raise LineDown("port", "/dev/example", "lost")
        if not self._waiting:
            return b""
        data = self._waiting.popleft()
        if not self._waiting:
            self._came.clear()
        return data


class Bench:
    """One instrument on a fake port, run for a time."""

    def __init__(self, every_s: float = 1.0) -> None:
        self.every_s = every_s
        self.readings: list[Reading] = []
        self.delivered: list[float] = []
        self.turned: list[float] = []

    def run(self, seconds: float, play: Callable[[SteppedLoop, FakeEar], None]) -> LineListener:
        loop = SteppedLoop()
        try:
            return loop.run_until_complete(self._run(loop, seconds, play))
        finally:
            loop.close()

    async def _run(
        self, loop: SteppedLoop, seconds: float, play: Callable[[SteppedLoop, FakeEar], None]
    ) -> LineListener:
        self.ear = FakeEar()

        def deliver(reading: Reading) -> None:
            self.readings.append(reading)
            self.delivered.append(loop.time())

        talker = TextInstrument(Instrument("shunt", "port", "text-lines", self.every_s), MAP)
        made = LineListener(
            "port",
            self.ear,
            [talker],
            clock=loop.time,
            deliver=deliver,
            turned=lambda name, now_s: self.turned.append(now_s),
        )
        play(loop, self.ear)
        task = asyncio.ensure_future(made.run())
        done, _ = await asyncio.wait([task], timeout=seconds)
        assert not done, "the listener ended by itself"
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert self.ear.closed >= 1
        return made


def test_each_record_is_taken_with_the_time_it_came() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        for n in range(1, 61):
            loop.call_later(n, ear.say, record(12.0 + n / 100))

    made = bench.run(60.5, play)
    assert [round(r.values["bank_v"], 2) for r in bench.readings] == [round(12.0 + n / 100, 2) for n in range(1, 61)]
    came = [reading.at_s - bench.readings[0].at_s for reading in bench.readings]
    assert came == pytest.approx(range(60), abs=0.01)
    counters = made.turns["shunt"].counters
    assert (counters.asked, counters.answered, counters.silent, counters.garbled) == (60, 60, 0, 0)


def test_of_a_burst_only_the_newest_counts_and_the_others_are_counted_as_dropped() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        loop.call_later(1.0, ear.say, record(12.0))
        loop.call_later(11.0, ear.say, *(record(12.0 + n / 100) for n in range(1, 11)))

    made = bench.run(12.0, play)
    assert [round(reading.values["bank_v"], 2) for reading in bench.readings] == [12.0, 12.1]
    assert made.turns["shunt"].counters.dropped == 9


def test_silence_is_counted_once_a_period_and_the_watchdog_hears_of_the_line() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        for n in range(1, 11):
            loop.call_later(n, ear.say, record(12.0))

    made = bench.run(70.4, play)
    counters = made.turns["shunt"].counters
    assert counters.answered == 10
    assert counters.silent == 59  # from 11.5 s to 70.4 s, once a second
    assert counters.last_error is not None and "no record within 1.5 s" in counters.last_error
    assert max(b - a for a, b in zip(bench.turned, bench.turned[1:], strict=False)) < 3.0


def test_a_slow_instrument_still_lets_the_watchdog_hear_of_the_line() -> None:
    bench = Bench(every_s=3600.0)
    bench.run(600.0, lambda loop, ear: None)
    assert max(b - a for a, b in zip(bench.turned, bench.turned[1:], strict=False)) < 3.0


def test_a_bad_record_is_counted_and_is_no_silence() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        for n in range(1, 21):
            loop.call_later(n, ear.say, record(12.0) if n % 2 else record(12.0).replace(b"12", b"13"))

    made = bench.run(20.5, play)
    counters = made.turns["shunt"].counters
    assert (counters.answered, counters.garbled, counters.silent) == (10, 10, 0)
    assert counters.last_error is not None and "checksum" in counters.last_error


def test_an_instrument_that_talks_too_often_is_thinned() -> None:
    bench = Bench(every_s=10.0)

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        for n in range(1, 101):
            loop.call_later(n, ear.say, record(12.0))

    made = bench.run(100.5, play)
    assert 10 <= len(bench.readings) <= 13
    assert made.turns["shunt"].counters.silent == 0


def test_a_line_that_comes_back_is_taken_up_within_five_seconds() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        for n in range(1, 100):
            loop.call_later(n, ear.say, record(12.0))
        loop.call_later(20.2, setattr, ear, "missing", True)
        loop.call_later(20.2, ear.lose)
        loop.call_later(60.2, setattr, ear, "missing", False)

    made = bench.run(99.5, play)
    gaps = [b - a for a, b in zip(bench.delivered, bench.delivered[1:], strict=False)]
    assert 40.0 < max(gaps) < 46.0
    assert made.down_since_s is None
    assert made.turns["shunt"].counters.silent == 0  # a line that is down is not a silent instrument


def test_a_port_that_opens_and_is_lost_at_once_is_not_tried_without_a_pause() -> None:
    bench = Bench()
    bench.run(60.0, lambda loop, ear: setattr(ear, "short_lived", True))
    assert 10 <= len(bench.ear.connects) <= 20
    assert bench.ear.connects[-1] - bench.ear.connects[-2] >= RECONNECT_MOST_S


def test_what_is_held_when_the_line_goes_is_not_given_later() -> None:
    bench = Bench()

    def play(loop: SteppedLoop, ear: FakeEar) -> None:
        loop.call_later(10.0, ear.say, record(12.0))
        loop.call_later(10.0 + SETTLE_S / 2, ear.lose)

    bench.run(30.0, play)
    assert bench.readings == []


def test_the_driver_decides_who_talks_first() -> None:
    def make(driver: str, unit: int | None, text: bool) -> object:
        from drivers.register_maps import load_register_map

        point = '[[point]]\nquantity="bank_v"\ntable="input"\naddress=1\ntype="u16"\n'
        row = Instrument("shunt", "port", driver, 1.0, unit=unit)
        found = MAP if text else load_register_map(point, "m")
        return make_line_task(
            Line("port", port="/dev/null"),
            [row],
            {"shunt": found},
            clock=lambda: 0.0,
            deliver=lambda reading: None,
            turned=lambda name, now_s: None,
        )

    assert isinstance(make("text-lines", None, True), LineListener)
    assert isinstance(make("register-map", 1, False), LineCycle)
    with pytest.raises(ValueError, match="no driver telegraph"):
        make("telegraph", 1, False)
