"""Takes up what an earlier service knew: its saved states, and the readings stored after them.

The estimate is saved only every few minutes, to spare the memory card; the readings in between are
in the record and are fed to the filter again, which gives the same estimate as if nothing had ended.
"""

import logging
from collections.abc import Callable, Mapping
from pathlib import Path

from attrs import evolve, field, frozen

from daemon.clock import Anchor
from daemon.errors import StoreError
from daemon.record import RecordReader, Run
from daemon.regular import STATE_NAME as REGULAR_STATE
from daemon.restarts import STATE_NAME as SERVICE_STATE
from daemon.restarts import Restarts
from daemon.run_start import this_run
from daemon.site_change import FORGOTTEN
from daemon.waiting_file import ALERTS_STATE, Waiting
from shared.station import Station

log = logging.getLogger("halfmark.service")

RTC_STATE = "rtc"  # in the record's state table: how far off the clock chip is
SITE_STATE = "site"  # and there: the site's name, and where its file lies

READINGS_MOST = 50_000  # fed again at the most: half a day of a shunt at 1 s


@frozen
class Past:
    """What the record tells a new service besides the station's state.

    Attributes:
        anchor: the newest trusted pair of this same boot, if any.
        newest_anchor: the newest trusted pair of any boot; no later one may be before it.
        fed_again: how many readings were fed to the filter again.
        restarts: interruptions of the watch in the last day, this one included.
        run: the start of this run, with how the one before ended.
        rtc: how far off the clock chip was, when that was looked at last.
        regular: the saved state of the regular notices, if any, and how long ago that was as far as known, s.
    """

    anchor: Anchor | None = None
    newest_anchor: Anchor | None = None
    fed_again: int = 0
    restarts: Restarts | None = None
    regular: tuple[Mapping[str, object] | None, float] = (None, 0.0)
    run: Run | None = None
    rtc: Mapping[str, object] = field(factory=dict)


def take_up(
    station: Station,
    folder: Path,
    *,
    boot_id: str,
    clock: Callable[[], float],
    anchor: Callable[[Anchor | None], Anchor | None],
    set_aside: bool = False,
    waiting: Waiting | None = None,
) -> Past:
    """Bring a new station to where the last one stopped.

    Args:
        station: fresh, with the site as it is now.
        folder: where the record is.
        boot_id: of the present boot.
        clock: seconds since boot.
        anchor: gives a trusted pair of this instant, told the newest one so far; None when no clock is trusted.
        set_aside: whether the record before was damaged, and this one is new.
        waiting: what an earlier service of this boot could not store.
    Returns: what else the record tells. A record that can't be read is logged and gives an empty past.
    """
    try:
        with RecordReader(folder) as reader:
            volts, bank = station.sources.get("bank_v", ()), station.site.bank
            run = this_run(reader, bank, volts, boot_id=boot_id, now_s=clock(), set_aside=set_aside)
            past = _take_up(station, reader, boot_id, clock, anchor)
            past = evolve(past, run=run, rtc=reader.state(RTC_STATE) or {})
            saved = reader.saved(ALERTS_STATE)
            if saved is not None and saved.boot == reader.boot_number(boot_id) and waiting is not None:
                waiting = waiting if saved.at_s <= waiting.at_s else None
    except StoreError as why:
        log.warning("starting without a past: %s", why)
        past = Past()
    return past if waiting is None else _take_up_waiting(station, past, waiting, clock())


def _take_up_waiting(station: Station, past: Past, waiting: Waiting, now_s: float) -> Past:
    """Go on with the states that were to be stored with the notices, so that nothing is told twice."""
    alerts, regular = waiting.states.get(ALERTS_STATE), waiting.states.get(REGULAR_STATE)
    if alerts is not None:
        try:
            station.resume_alerts(alerts, last_event_id=max((event.id for event in waiting.events), default=0))
        except ValueError as why:
            log.warning("the alerts kept beside the record can't be taken up: %s", why)
    return past if regular is None else evolve(past, regular=(regular, max(0.0, now_s - waiting.at_s)))


def _take_up(
    station: Station,
    reader: RecordReader,
    boot_id: str,
    clock: Callable[[], float],
    anchor: Callable[[Anchor | None], Anchor | None],
) -> Past:
    number = reader.boot_number(boot_id)
    newest = reader.newest_anchor()
    same = newest if newest is not None and newest.boot == number else None
    last_boot, last_s, fed = _resume_charge(station, reader)
    _resume_alerts(station, reader)
    if last_boot is not None and last_boot != number:
        then_utc_s = reader.utc_of(last_boot, last_s)
        now = same or anchor(newest)
        now_utc_s = None if now is None else now.utc_s + clock() - now.at_s
        gap_s = None if then_utc_s is None or now_utc_s is None else max(0.0, now_utc_s - then_utc_s)
        station.bridge(clock(), gap_s)
    end = reader.newest_s()
    gap_s = _gap_s(reader, end, number, clock(), same or anchor(newest)) if end is not None else None
    restarts = _restarts(reader, end, number, clock(), gap_s)
    regular = reader.saved(REGULAR_STATE)
    passed_s = gap_s or 0.0
    if regular is not None and end is not None and regular.boot == end[0]:
        passed_s += max(0.0, end[1] - regular.at_s)
    return Past(same, newest, fed, restarts, (None if regular is None else regular.body, passed_s))


def _gap_s(
    reader: RecordReader, end: tuple[int, float], number: int | None, now_s: float, anchor: Anchor | None
) -> float | None:
    """Real time since the last thing stored, s; None when it was in another boot and no trusted clock can tell."""
    boot, at_s = end
    if boot == number:
        return max(0.0, now_s - at_s)
    then_utc_s = reader.utc_of(boot, at_s)
    if then_utc_s is None or anchor is None:
        return None
    return max(0.0, anchor.utc_s + now_s - anchor.at_s - then_utc_s)


def _restarts(
    reader: RecordReader, end: tuple[int, float] | None, number: int | None, now_s: float, gap_s: float | None
) -> Restarts:
    saved = reader.saved(SERVICE_STATE)
    same_boot = saved is not None and saved.boot == number
    seen_s = 0.0
    if saved is not None and end is not None and end[0] == saved.boot:
        seen_s = max(0.0, end[1] - saved.at_s)
    return Restarts.after(saved, same_boot=same_boot, now_s=now_s, gap_s=gap_s, seen_s=seen_s)


def _resume_charge(station: Station, reader: RecordReader) -> tuple[int | None, float, int]:
    """Resume the estimate; returns the boot and time it stands at, and how many readings were fed again."""
    saved = reader.saved("station")
    if saved is None:
        return None, 0.0, 0
    try:
        forgotten = station.resume(saved.body)
    except (ValueError, KeyError, TypeError) as why:
        log.warning("the saved estimate can't be taken up, it starts anew: %s", why)
        return None, 0.0, 0
    for part in forgotten:
        log.warning("since the last run: %s", FORGOTTEN[part])
    if station.fed_s is None:
        return None, 0.0, 0
    at_s, fed = station.fed_s, 0
    for placed in reader.readings(since=(saved.boot, at_s), until=(saved.boot + 1, 0.0)):
        reading = placed.reading
        if placed.boot == saved.boot and reading.at_s > at_s and reading.instrument in station.site.instruments:
            station.take(reading)
            fed += 1
        if fed >= READINGS_MOST:
            break
    return saved.boot, station.fed_s, fed


def _resume_alerts(station: Station, reader: RecordReader) -> None:
    events = [event.body.get("id") for event in reader.alert_events(after_id=-1)][-1:]
    last_id = events[0] if events and isinstance(events[0], int) else 0
    saved = reader.saved("alerts")
    try:
        station.resume_alerts(saved.body if saved is not None else {}, last_event_id=last_id)
    except ValueError as why:
        if saved is not None:
            log.warning("the saved alerts can't be taken up, they start anew: %s", why)
        station.restart_alerts(last_event_id=last_id)
