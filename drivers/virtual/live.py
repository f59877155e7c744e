"""A virtual site in real time: a thread advances it each second and shows its values on its units."""

from collections.abc import Callable, Mapping
from threading import Event, RLock, Thread
from typing import Any, Protocol

from drivers.virtual.port import boot_s
from drivers.virtual.site import Truth, VirtualSite

MOST_BEHIND_S = 30.0  # a stall longer than this is skipped, not made up for


class Display(Protocol):
    """An instrument that shows values: a unit on a line, or one that talks by itself."""

    def show(self, values: Mapping[str, float | None], at_s: float) -> None:
        """Take new values, current from `at_s` on."""


class LiveSite:
    """Keeps a site going in step with a clock; a context manager.

    Args:
        site: the site; from `start` on only this object may touch it.
        units: the unit on which each instrument ("shunt", "controller") shows its values.
        tick_s: real seconds from one look to the next.
        rate: simulated seconds in a real one.
        clock: gives seconds; the units' memory is stamped with it.
    """

    def __init__(
        self,
        site: VirtualSite,
        units: Mapping[str, Display],
        *,
        tick_s: float = 1.0,
        rate: float = 1.0,
        clock: Callable[[], float] = boot_s,
    ) -> None:
        self._site = site
        self._units = units
        self._tick_s = tick_s
        self._rate = rate
        self._clock = clock
        self._lock = RLock()
        self._end = Event()
        self._next_s = 0.0
        self._thread = Thread(target=self._run, name="virtual-site", daemon=True)

    def __enter__(self) -> "LiveSite":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Show the first values, then go on by itself."""
        with self._lock:
            self._show()
        self._next_s = self._clock() + self._tick_s
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join(10.0)

    def step(self) -> None:
        """Advance by one tick and show the values; for tests that keep time themselves."""
        with self._lock:
            self._site.advance(self._tick_s * self._rate)
            self._show()

    def impose(self, name: str, *, for_s: float | None = None, **changed: Any) -> None:
        """Let a condition begin now (see `VirtualSite.impose`)."""
        with self._lock:
            self._site.impose(name, for_s=for_s, **changed)

    def lift(self, name: str) -> None:
        """End a condition."""
        with self._lock:
            self._site.lift(name)

    @property
    def truth(self) -> Truth:
        """The truth of this instant."""
        with self._lock:
            return self._site.truth

    @property
    def utc_s(self) -> float:
        """The site's own time, seconds since 1970 UTC."""
        with self._lock:
            return self._site.utc_s

    def _show(self) -> None:
        at_s = self._clock()
        for instrument, unit in self._units.items():
            unit.show(self._site.shown(instrument), at_s)

    def _run(self) -> None:
        while not self._end.wait(max(0.0, self._next_s - self._clock())):
            behind_s = self._clock() - self._next_s
            if behind_s > MOST_BEHIND_S:
                self._next_s += behind_s
            self.step()
            self._next_s += self._tick_s
