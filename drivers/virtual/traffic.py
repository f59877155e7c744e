"""The virtual repeater's traffic: keyings drawn hour by hour, on whole seconds.

An hour's keyings depend on the seed and the hour alone, so any step length meets the same ones.
"""

from math import exp
from random import Random

HOUR_S = 3600.0
LONGEST_KEYING_S = 180  # where a repeater's own time-out timer ends an over
# How busy each hour of the local day is, 1 is the mean; made up after a common working day.
_MORNING = (0.1, 0.05, 0.05, 0.05, 0.1, 0.3, 0.9, 1.9, 1.6, 1.0, 0.9, 0.9)
_BUSY = (*_MORNING, 1.2, 1.0, 0.9, 1.0, 1.4, 2.2, 2.0, 1.8, 1.6, 1.1, 0.6, 0.3)
_NET_DAY, _NET_HOUR, _NET = 2, 20, 5.0  # a net on Wednesday evening
_CONVERSATIONS_H = 2.0  # at busy 1 and level 1; with about five overs of 14 s each that is 4 % duty


def _poisson(chance: Random, mean: float) -> int:
    """Draw a count with the given mean (Knuth's product of uniform numbers)."""
    limit, product, count = exp(-mean), chance.random(), 0
    while product > limit:
        product *= chance.random()
        count += 1
    return count


class Traffic:
    """Where the transmitter is keyed; asked forward in time only.

    Attributes:
        keyings: how many keyings began so far.
        keyed_s: seconds keyed so far.
        longest_s: the longest keying that ended so far, s.
    """

    def __init__(self, seed: int, *, start_utc_s: float, utc_offset_h: float, level: float = 1.0) -> None:
        self.keyings = 0
        self.keyed_s = 0.0
        self.longest_s = 0.0
        self._seed = seed
        self._offset_h = utc_offset_h
        self._level = level
        self._at_s = start_utc_s
        self._keyed = False
        self._began_s = start_utc_s
        self._stuck = False
        self._dead = False
        self._edges: list[float] = []
        self._next = 0
        self._hour_end_s = start_utc_s
        self._plan(start_utc_s, start_utc_s)

    @property
    def level(self) -> float:
        """How busy the site is; 1 is about 4 % of the time keyed."""
        return self._level

    def change(self, *, level: float, stuck: bool = False, dead: bool = False) -> None:
        """Change what happens from now on: how busy, transmitter stuck on, transmitter dead."""
        if level != self._level:
            self._level = level
            self._plan(self._hour_end_s - HOUR_S, self._at_s)
        self._stuck, self._dead = stuck, dead
        self._set(self._on_air())

    def move_to(self, at_s: float) -> bool:
        """Go on to an instant (seconds since 1970 UTC) and tell whether the transmitter is keyed from there on."""
        while True:
            until_s = self.until_s()
            if until_s > at_s:
                break
            self.pass_to(until_s)
            if self._next < len(self._edges):
                self._next += 1
            else:
                self._plan(self._hour_end_s, self._hour_end_s)
            self._set(self._on_air())
        self.pass_to(at_s)
        return self._keyed

    def until_s(self) -> float:
        """When keyed may next change: nothing changes before it."""
        return self._edges[self._next] if self._next < len(self._edges) else self._hour_end_s

    def _on_air(self) -> bool:
        return not self._dead and (self._stuck or self._next % 2 == 1)

    def pass_to(self, at_s: float) -> None:
        """Let time pass up to an instant no later than `until_s()`, as things are now."""
        if self._keyed:
            self.keyed_s += at_s - self._at_s
        self._at_s = at_s

    def _set(self, keyed: bool) -> None:
        if keyed and not self._keyed:
            self.keyings += 1
            self._began_s = self._at_s
        if self._keyed and not keyed:
            self.longest_s = max(self.longest_s, self._at_s - self._began_s)
        self._keyed = keyed

    def _plan(self, hour_s: float, from_s: float) -> None:
        """Draw the keyings of the hour that begins at `hour_s` (or contains it), dropping those before `from_s`."""
        number = int(hour_s // HOUR_S)
        self._hour_end_s = (number + 1) * HOUR_S
        local_h = number + int(self._offset_h)
        hour, weekday = local_h % 24, (local_h // 24 + 3) % 7  # day 0 was a Thursday
        busy = _NET if (weekday, hour) == (_NET_DAY, _NET_HOUR) else _BUSY[hour]
        chance = Random(f"{self._seed}:traffic:{number}")
        overs = _overs(chance, _CONVERSATIONS_H * busy * self._level)
        base_s = number * HOUR_S
        kept = [(base_s + on, base_s + off) for on, off in overs if base_s + on > from_s]
        self._edges = [edge for over in kept for edge in over]
        self._next = 0


def _overs(chance: Random, conversations: float) -> list[tuple[int, int]]:
    """Draw the (on, off) seconds of one hour, in order, never touching each other or the hour's end."""
    wanted: list[tuple[int, int]] = []
    for _ in range(_poisson(chance, conversations)):
        at = chance.randrange(1, 3500)
        for _ in range(chance.randint(2, 8)):
            length = max(1, min(LONGEST_KEYING_S, round(chance.lognormvariate(2.4, 0.7))))
            wanted.append((at, at + length))
            at += length + chance.randint(2, 9)
    kept: list[tuple[int, int]] = []
    for on, off in sorted(wanted):
        free = kept[-1][1] + 1 if kept else 1
        on = max(on, free)
        off = min(off, 3599)
        if off > on:
            kept.append((on, off))
    return kept
