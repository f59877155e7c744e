"""A few answers of every instrument: from the running service, or, with it down, straight from the lines."""

import asyncio
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from attrs import define, field

from daemon.clock import elapsed_s
from daemon.configuration import load_maps
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import ServiceError
from shared.readings import Reading
from shared.site import Site

ANSWERS_WANTED = 3
LOOK_LEAST_S, LOOK_MOST_S = 6.0, 60.0
LOOK_EVERY_S = 0.2  # the service's pause between two answers to one client is shorter
DOWN = "service is not running"


@define
class LiveLook:
    """What was seen.

    Attributes:
        source: "service" or "lines".
        seen: the readings of each instrument, oldest first.
        why_silent: what is told of an instrument that did not answer.
    """

    source: str
    seen: dict[str, list[Reading]] = field(factory=dict)
    why_silent: dict[str, str] = field(factory=dict)

    def add(self, reading: Reading) -> None:
        """Take a reading, unless it was taken already."""
        known = self.seen.setdefault(reading.instrument, [])
        if not known or reading.at_s > known[-1].at_s:
            known.append(reading)

    def enough(self, site: Site, wanted: int) -> bool:
        """Whether every instrument of the site has answered so often."""
        return all(len(self.seen.get(name, ())) >= wanted for name in site.instruments)


def look_time_s(site: Site, wanted: int = ANSWERS_WANTED) -> float:
    """How long a look may take so that the slowest instrument can answer, s, within limits."""
    slowest_s = max((row.every_s for row in site.instruments.values()), default=0.0)
    return min(LOOK_MOST_S, max(LOOK_LEAST_S, (wanted + 0.5) * slowest_s))


def look(site: Site, runtime: Path, *, wanted: int = ANSWERS_WANTED, limit_s: float | None = None) -> LiveLook:
    """Look at every instrument until it has answered a few times, or the time is over.

    Args:
        site: as configured.
        runtime: folder of the service's socket.
        wanted: how many answers of each.
        limit_s: how long at most, s; by the slowest instrument if None.
    Raises: ServiceError: a service runs and can't be asked.
    """
    limit_s = look_time_s(site, wanted) if limit_s is None else limit_s
    try:
        return look_at_service(site, runtime, wanted=wanted, limit_s=limit_s)
    except ServiceError as why:
        if not str(why).startswith(DOWN):
            raise
    return asyncio.run(_look_at_lines(site, wanted, limit_s))


def look_at_service(site: Site, runtime: Path, *, wanted: int, limit_s: float) -> LiveLook:
    """Ask the service again and again for the newest answers; raises ServiceError."""
    found = LiveLook("service")
    until_s = time.monotonic() + limit_s
    newest_s = _take_readings(runtime, lambda reading: None)  # what it has already may be old
    while not found.enough(site, wanted) and time.monotonic() < until_s:
        _take_readings(runtime, lambda reading: found.add(reading) if reading.at_s > newest_s - LOOK_EVERY_S else None)
        time.sleep(LOOK_EVERY_S)
    _take_why(runtime, found)
    return found


def _take_readings(runtime: Path, take: Callable[[Reading], None]) -> float:
    """Hand over the newest reading of each instrument; gives the service's time."""
    answer = ask(runtime / SOCKET_NAME, {"ask": "readings"})
    if answer.get("ok") is not True:
        raise ServiceError(f"service gives no readings: {answer.get('why')}")
    rows, at_s = answer.get("readings"), answer.get("at_s")
    if isinstance(rows, Mapping):
        for name, row in rows.items():
            if isinstance(row, Mapping):
                take(_reading(str(name), row))
    return float(at_s) if isinstance(at_s, int | float) else 0.0


def _reading(name: str, row: Mapping[str, object]) -> Reading:
    at_s, values, suspect = row.get("at_s"), row.get("values"), row.get("suspect")
    missing = row.get("missing")
    return Reading(
        name,
        float(at_s) if isinstance(at_s, int | float) else 0.0,
        {str(q): float(v) for q, v in values.items()} if isinstance(values, Mapping) else {},
        {str(q): str(why) for q, why in suspect.items()} if isinstance(suspect, Mapping) else {},
        tuple(str(q) for q in missing) if isinstance(missing, list) else (),
    )


def _take_why(runtime: Path, found: LiveLook) -> None:
    picture = ask(runtime / SOCKET_NAME, {"ask": "status"}).get("picture")
    if not isinstance(picture, Mapping):
        return
    lines = picture.get("lines") or {}
    for name, row in (picture.get("instruments") or {}).items():
        line = lines.get(row.get("line")) or {}
        why = row.get("last_error") if line.get("up") else line.get("why") or row.get("last_error")
        if isinstance(why, str):
            found.why_silent[name] = why


async def _look_at_lines(site: Site, wanted: int, limit_s: float) -> LiveLook:
    """Open the lines, as the service would, for as long as it takes."""
    from daemon.line_tasks import LineTasks, line_work

    found = LiveLook("lines")
    done = asyncio.Event()

    def deliver(reading: Reading) -> None:
        found.add(reading)
        if found.enough(site, wanted):
            done.set()

    lines = LineTasks(clock=elapsed_s, deliver=deliver, turned=lambda name, now_s: None)
    work = line_work(site, load_maps(site))
    _, cycles = lines.to_change(work)
    lines.begin(cycles, work)
    running = asyncio.create_task(lines.run())
    try:
        async with asyncio.timeout(limit_s):
            await done.wait()
    except TimeoutError:
        pass
    for cycle in cycles.values():
        for name, turn in cycle.turns.items():
            why = turn.counters.last_error or cycle.down_why
            if why is not None:
                found.why_silent[name] = why
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    return found
