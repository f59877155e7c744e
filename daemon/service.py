"""The service: opens the record, polls the lines, feeds the station, keeps the record, warns.

Read `run_service` from the top: it is the main path. Everything runs on elapsed time; the wall clock
only ever dates what elapsed time has ordered.
"""

import asyncio
import faulthandler
import logging
import os
import signal
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from attrs import frozen

from daemon.ahead_part import for_the_record
from daemon.clock import Anchor, ClockTrust, boot_id, elapsed_s, wall_utc_s
from daemon.cloud_file import CloudFile
from daemon.configuration import load_maps, load_site
from daemon.control_messages import SOCKET_NAME
from daemon.control_socket import ControlServer
from daemon.day_end import DayEnd
from daemon.daybook_sources import STATE_NAME as SOURCES_STATE
from daemon.daybook_sources import DaybookSources
from daemon.errors import ConfigError, HalfmarkError, ServiceError, StoreError
from daemon.folders import Folders, make_folders
from daemon.line_tasks import LineTasks, line_work
from daemon.live_picture import picture_of, utc_at
from daemon.operator_requests import OperatorRequests
from daemon.picture import STATE_NAME, Picture
from daemon.record import Entry, Record, pages_of
from daemon.recorder import Recorder
from daemon.regular import STATE_NAME as REGULAR_STATE
from daemon.regular import Regular, compose_regular
from daemon.restarts import STATE_NAME as SERVICE_STATE
from daemon.restarts import Restarts
from daemon.send_child import SendChild
from daemon.sending.receipts import sending_state
from daemon.sending.wake import wake_send
from daemon.site_change import changes, same_currents, same_devices
from daemon.site_health import align
from daemon.supervisor import Supervisor, Watchdog, watchdog_interval_s
from daemon.taking_up import RTC_STATE, SITE_STATE, Past, take_up
from daemon.told_facts import SendingWatch, told_facts
from daemon.waiting_file import ALERTS_STATE, Waiting, WaitingFile
from drivers.table import InstrumentMap
from shared.alerts import AlertEvent
from shared.notices import compose
from shared.readings import Reading
from shared.regular_notices import HEARTBEAT, SUMMARY
from shared.site import Site
from shared.station import Station

log = logging.getLogger("halfmark.service")

RULES_EVERY_S = 5.0
CLOCK_EVERY_S = 60.0
CLOUDS_EVERY_S = 1800.0
STATE_EVERY_S = 300.0  # the estimate between two of these is worked out again from the record
PICTURE_EVERY_S = 60.0
WATCHDOG_EVERY_S = 1.0
LINE_LIMIT_S = 60.0


@frozen
class ServiceOptions:
    """How `run` was started."""

    site_file: Path
    folders: Folders
    send_child: bool = True
    group: str | None = None


class Service:
    """One running service; `run` is the whole of its life."""

    def __init__(
        self,
        site: Site,
        maps: Mapping[str, InstrumentMap],
        options: ServiceOptions,
        *,
        clock: Callable[[], float] = elapsed_s,
    ) -> None:
        self.site = site
        self.maps = maps
        self.options = options
        self.clock = clock
        self.started_s = clock()
        self.boot_id = boot_id()
        self.anchor: Anchor | None = None  # the newest trusted one of this boot
        self.clocks = ClockTrust()
        self.station = Station(site, start_s=self.started_s)
        self.waiting = WaitingFile(options.folders.runtime, self.boot_id, group=options.group)
        self.recorder = Recorder(
            self._open_record,
            clock=clock,
            commit_s=site.commit_s,
            queued=self._notices_stored,
            waiting=self.waiting,
            laid_out=self._wake_send,
        )
        self.sending = SendingWatch(options.folders.sending, self.boot_id)
        self.restarts = Restarts(now_s=self.started_s)
        self.regular = Regular(self.started_s)
        self.day_end = DayEnd(options.folders.state, keep=self.recorder.add_days)
        self.supervisor = Supervisor.from_environment(os.environ)
        self.note = ""
        self._cloud_file: CloudFile | None = None
        self.first_reading_seen = False
        self.latest: dict[str, Reading] = {}  # the newest of each instrument
        self.lines = LineTasks(clock=clock, deliver=self._take, turned=self._line_turned)
        self.requests = OperatorRequests(self)
        self._past = Past()
        self._send = SendChild(self._send_arguments()) if options.send_child else None
        self._stop = asyncio.Event()
        self._reloading = False
        self._reloads: set[asyncio.Task[None]] = set()
        self._state_saved_s = self.started_s
        self._picture_saved_s = self.started_s - PICTURE_EVERY_S  # one goes along with the first commit
        self.watchdog = self._new_watchdog(site, self.started_s)

    async def run(self) -> None:
        """Start everything, go on until told to stop, close in reverse order.

        Raises: StoreBusy: another service keeps this record.
        """
        await self.recorder.open()
        self._take_up()
        self._begin_lines()
        control = ControlServer(self.options.folders.runtime / SOCKET_NAME, self._answer, group=self.options.group)
        await control.start()
        self._catch_signals()
        self.supervisor.ready(f"watching {self.site.place.name}")
        try:
            await self._work()
        finally:
            self.supervisor.stopping("storing the last readings")
            await control.close()
            if self._stop.is_set():
                self.recorder.set_state(SERVICE_STATE, self.restarts.state(self.clock(), clean=True))
            await self.recorder.close()

    async def _work(self) -> None:
        """Run every task until `_stop` is set or one of them fails."""
        tasks: list[asyncio.Task[None]] = [
            asyncio.create_task(self.lines.run(), name="lines"),
            asyncio.create_task(self.recorder.run(self._commit_attempted, self._before_commit), name="record"),
            asyncio.create_task(self._each(RULES_EVERY_S, self._step_rules), name="rules"),
            asyncio.create_task(self._each(CLOCK_EVERY_S, self._look_at_clock), name="clock"),
            asyncio.create_task(self._each(CLOUDS_EVERY_S, self._look_at_clouds), name="clouds"),
            asyncio.create_task(self._each(WATCHDOG_EVERY_S, self._ping), name="watchdog"),
        ]
        if self._send is not None:
            tasks.append(asyncio.create_task(self._send.run(), name="send"))
        stop = asyncio.create_task(self._stopped(), name="stop")
        try:
            await asyncio.wait([*tasks, stop], return_when=asyncio.FIRST_COMPLETED)
            for task in tasks:
                if task.done():
                    task.result()  # a task that ended has failed: let the error end the service
        finally:
            self.save_state(self.clock())  # while the lines are still up: the last picture shows them at work
            for task in (*tasks, stop):
                task.cancel()
            await asyncio.gather(*tasks, stop, return_exceptions=True)

    async def _stopped(self) -> None:
        await self._stop.wait()

    async def _each(self, every_s: float, work: Callable[[float], None]) -> None:
        due_s = self.clock()
        while True:
            work(self.clock())
            due_s = max(due_s + every_s, self.clock() - every_s)
            await asyncio.sleep(max(0.0, due_s - self.clock()))

    # -- starting ------------------------------------------------------------------------------

    def _take_up(self) -> None:
        """Know again what the last service knew, and what the record has that it had not saved."""
        waiting = self._left_waiting()
        past = take_up(
            self.station,
            self.options.folders.state,
            boot_id=self.boot_id,
            clock=self.clock,
            anchor=self._trusted,
            set_aside=self.recorder.set_aside is not None,
            waiting=waiting,
        )
        if waiting is not None:
            self.recorder.take_up(waiting)
        self._past = past
        now_s = self.clock()
        self.restarts = past.restarts or self.restarts
        saved, passed_s = past.regular
        self.regular = Regular(now_s, saved, passed_s=passed_s)
        self.recorder.set_state(SERVICE_STATE, self.restarts.state(now_s))
        self.clocks.rtc.take_up(past.rtc)
        if past.run is not None:
            self.recorder.add_run(past.run)
        if self.recorder.set_aside is not None:
            self.note = f"the record was damaged: it is now {self.recorder.set_aside.name}, and a new one was begun"
        self._tell_site()
        self.recorder.commit_soon()
        self.anchor = self.anchor or past.anchor

    def _left_waiting(self) -> Waiting | None:
        """What an earlier service could not store and laid out for `send`; None when there is nothing."""
        try:
            waiting = self.waiting.read().in_boot(self.boot_id, self.clock())
        except StoreError as why:
            log.warning("what waited for the record is lost, as far as it was not sent: %s", why)
            return None
        return waiting or None

    def _tell_site(self) -> None:
        """Keep in the record what its copies need to be read without the site file, and where that lies."""
        self.recorder.set_state(SOURCES_STATE, DaybookSources.of(self.station).state())
        file = str(self.options.site_file.absolute())
        self.recorder.set_state(SITE_STATE, {"file": file, "name": self.site.place.name})

    def _open_record(self) -> Record:
        return Record.open(
            self.options.folders.state,
            boot_id=self.boot_id,
            elapsed_s=self.clock(),
            wall_utc_s=wall_utc_s(),
            group=self.options.group,
            pages_most=pages_of(self.site.record_budget_mb),
        )

    def _begin_lines(self) -> None:
        wanted = line_work(self.site, self.maps)
        _, cycles = self.lines.to_change(wanted)
        self.lines.begin(cycles, wanted)

    def _catch_signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stop.set)
        loop.add_signal_handler(signal.SIGHUP, self._hung_up)

    def _new_watchdog(self, site: Site, now_s: float) -> Watchdog:
        return Watchdog(
            watchdog_interval_s(os.environ, os.getpid()),
            line_limits_s=dict.fromkeys(site.lines, LINE_LIMIT_S),
            commit_limit_s=3.0 * site.commit_s + LINE_LIMIT_S,
            now_s=now_s,
        )

    # -- while running -------------------------------------------------------------------------

    def _line_turned(self, name: str, now_s: float) -> None:
        self.watchdog.line_turned(name, now_s)

    def _commit_attempted(self, now_s: float) -> None:
        self.watchdog.commit_attempted(now_s)  # a reload puts another watchdog in its place

    def _take(self, reading: Reading) -> None:
        self.latest[reading.instrument] = reading
        self.recorder.add_reading(reading)
        estimate = self.station.take(reading)
        if estimate is not None:
            self.recorder.add_reading(estimate)
        if not self.first_reading_seen:
            self.first_reading_seen = True
            self.recorder.commit_soon()

    def _notices_stored(self) -> None:
        self.sending.noticed(self.clock())
        self._wake_send()

    def _wake_send(self) -> None:
        wake_send(self.options.folders.runtime)

    def _step_rules(self, now_s: float) -> None:
        utc = self._utc(now_s)
        told = told_facts(
            now_s,
            anchor=self.anchor,
            recorder=self.recorder,
            lines=self.lines.cycles,
            sending=self.sending,
            restarts=self.restarts,
        )
        causes = {"restarts_day": self.restarts.why, "record_failing_s": self.recorder.why}
        words = {fact: why for fact, why in causes.items() if why}
        utc_s = None if utc is None else utc.timestamp()
        events = self.station.step_rules(now_s, told, utc_s=utc_s, words=words)
        for event in events:
            self._tell(event, now_s)
        if events:
            self.recorder.set_state(ALERTS_STATE, self.station.alerts.snapshot())
            self.recorder.commit_soon()
        for kind in (HEARTBEAT, SUMMARY):
            if self.regular.due(kind, now_s, self.site.notices):
                self._tell_regular(kind, now_s)

    def _tell_regular(self, kind: str, now_s: float) -> None:
        """Queue a notice that no alert asks for; it gets into the record together with what keeps it from a repeat."""
        context = self.station.notice_context(now_s, utc=self._utc(now_s), origin=self.boot_id)
        self.recorder.add_notice(compose_regular(kind, self.station, context, self.regular.age_s(kind, now_s)))
        self.regular.sent(kind, now_s, self.site.notices)
        self.save_state(now_s)

    def _tell(self, event: AlertEvent, now_s: float) -> None:
        covered = f", explained by {event.covered_by}" if event.covered_by else ""
        log.warning("%s %s: value %s, limit %s%s", event.alert, event.state, event.value, event.limit, covered)
        context = self.station.notice_context(now_s, utc=self._utc(now_s), origin=self.boot_id)
        self.recorder.add_event(event, compose(event, context) if event.told else None)

    def _look_at_clouds(self, now_s: float) -> None:
        if self.site.cloud_file is not None:
            self.station.ahead.ahead.clouds = self._clouds(self.site.cloud_file).days(now_s)

    def _clouds(self, path: str) -> CloudFile:
        if self._cloud_file is None or self._cloud_file.path != Path(path):
            self._cloud_file = CloudFile(Path(path))
        return self._cloud_file

    def _look_at_clock(self, now_s: float) -> None:
        anchor = self._trusted(self.newest_anchor)
        if anchor is not None:
            self.believe(anchor)
            self.recorder.set_state(RTC_STATE, self.clocks.rtc.state())
        self.day_end.look(now_s, self.anchor, self.site.place.timezone)
        align(self.station, now_s, self._utc(now_s))

    @property
    def newest_anchor(self) -> Anchor | None:
        """The newest trusted pair of any boot, of a source that is trusted now."""
        anchor = self.anchor or self._past.newest_anchor
        return anchor if anchor is not None and anchor.source in self.site.clock_trust else None

    def believe(self, anchor: Anchor) -> None:
        """Take a trusted pair of this boot."""
        self.anchor = anchor
        self.recorder.add_anchor(anchor)

    def _trusted(self, earlier: Anchor | None) -> Anchor | None:
        """A pair of this instant that the site file lets us trust, if there is a new one."""
        return self.clocks.anchor_now(self.site.clock_trust, earlier, this_boot=self.anchor)

    def _before_commit(self, now_s: float) -> None:
        if now_s - self._state_saved_s >= STATE_EVERY_S:
            self.save_state(now_s)
        if now_s - self._picture_saved_s >= PICTURE_EVERY_S:
            self._picture_saved_s = now_s
            self.recorder.set_state(STATE_NAME, for_the_record(self._picture()))

    def save_state(self, now_s: float) -> None:
        """Put all that must survive a restart into the next commit."""
        self._state_saved_s = now_s
        self.recorder.set_state("station", self.station.snapshot())
        self.recorder.set_state(SERVICE_STATE, self.restarts.state(now_s))
        self.recorder.set_state(REGULAR_STATE, self.regular.state(now_s))
        self.recorder.set_state(ALERTS_STATE, self.station.alerts.snapshot())
        self.recorder.set_state(STATE_NAME, for_the_record(self._picture()))

    def _ping(self, now_s: float) -> None:
        if self.watchdog.due(now_s) and self.supervisor.alive():
            self.watchdog.pinged(now_s)

    # -- answering -----------------------------------------------------------------------------

    def _utc(self, now_s: float) -> datetime | None:
        return utc_at(self.anchor, now_s)

    def _picture(self) -> Picture:
        return picture_of(
            self.station,
            self.lines.cycles,
            self.recorder,
            now_s=self.clock(),
            started_s=self.started_s,
            boot_id=self.boot_id,
            anchor=self.anchor,
            folder=str(self.options.folders.state),
            note=self.note,
            sending=sending_state(self.options.folders.sending),
        )

    async def _answer(self, request: dict[str, object]) -> dict[str, object]:
        """Answer one request of the control socket."""
        if request["ask"] == "status":
            return {"picture": dict(self._picture())}
        return await self.requests.answer(request)

    # -- another site file ---------------------------------------------------------------------

    def _hung_up(self) -> None:
        task = asyncio.get_running_loop().create_task(self._reload_by_signal(), name="reload")
        self._reloads.add(task)  # the loop itself would let go of it
        task.add_done_callback(self._reloads.discard)

    async def _reload_by_signal(self) -> None:
        try:
            found = await self.reload()
        except HalfmarkError as why:
            log.error("the site file was not taken, the old one goes on: %s", why)
            return
        if self.recorder.add_entry(Entry(self.clock(), "SIGHUP", "reload", "; ".join(found) or "nothing changed")):
            self.save_state(self.clock())
            self.recorder.commit_soon()

    async def reload(self) -> list[str]:
        """Take the site file again; what it leaves as it was goes on undisturbed.

        Returns: what changed, in sentences.
        Raises: ConfigError: it has mistakes, and nothing was changed; ServiceError: a reload is under way.
        """
        if self._reloading:
            raise ServiceError("a reload is under way already: ask again when it is done")
        self._reloading = True
        self.supervisor.reloading(time.monotonic())
        try:
            site, maps = await asyncio.to_thread(self._load_again)
            found = await self._exchange(site, maps)
        finally:
            self._reloading = False
            self.supervisor.ready(f"watching {self.site.place.name}")
        for words in found:
            log.warning("reload: %s", words)
        return found

    def _load_again(self) -> tuple[Site, Mapping[str, InstrumentMap]]:
        site = load_site(self.options.site_file)
        return site, load_maps(site)

    async def _exchange(self, site: Site, maps: Mapping[str, InstrumentMap]) -> list[str]:
        """Put another site in the place of the present one; whatever may fail comes first."""
        wanted = line_work(site, maps)
        try:
            ending, beginning = self.lines.to_change(wanted)
        except ValueError as why:
            raise ConfigError.of(site.source, str(why)) from why
        station = Station(site, start_s=self.clock())
        await self.lines.end(ending)
        devices = same_devices(self.site, site)
        currents = same_currents(self.site, self.maps, site, maps)
        forgotten = station.succeed(self.station, same_devices=devices, same_currents=currents)
        found = changes(self.site, site, lines=(ending, tuple(beginning)), forgotten=forgotten)
        self.watchdog = self._new_watchdog(site, self.clock())
        self.site, self.maps, self.station = site, maps, station
        self.latest = {name: reading for name, reading in self.latest.items() if name in devices}
        if self.anchor is not None and self.anchor.source not in site.clock_trust:
            self.anchor = None
        self.recorder.commit_each(site.commit_s)
        self._tell_site()
        self.lines.begin(beginning, wanted)
        if self._send is not None:
            self._send.reload()
        return found

    def _send_arguments(self) -> list[str]:
        folders = self.options.folders
        return [
            str(self.options.site_file),
            *("--state", str(folders.state)),
            *("--runtime", str(folders.runtime)),
            *("--secrets", str(folders.secrets)),
            *("--sending", str(folders.sending)),
        ]


def run_service(site: Site, maps: Mapping[str, InstrumentMap], options: ServiceOptions) -> int:
    """Run the service until it is told to stop.

    Returns: 0 after a clean stop.
    Raises: StoreBusy: another service keeps this record; ServiceError: the sockets can't be made.
    """
    faulthandler.enable()  # a watchdog kill then leaves a trace of where it hung
    make_folders(options.folders)
    asyncio.run(Service(site, maps, options).run())
    return 0
