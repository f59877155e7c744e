"""The service: opens the record, polls the lines, feeds the station, keeps the record, warns.

Read `run_service` from the top: it is the main path. Everything runs on elapsed time; the wall clock
only ever dates what elapsed time has ordered.
"""

import asyncio
import faulthandler
import logging
import os
import signal
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path

from attrs import frozen

from daemon.clock import Anchor, KernelTrust, boot_id, elapsed_s, wall_utc_s
from daemon.control_messages import SOCKET_NAME
from daemon.control_socket import ControlServer
from daemon.cycle import LineCycle
from daemon.errors import ServiceError, shown
from daemon.folders import Folders, make_folders
from daemon.live_picture import picture_of, utc_at
from daemon.picture import STATE_NAME, Picture
from daemon.record import Record
from daemon.recorder import Recorder
from daemon.send_child import keep_sending
from daemon.sending.receipts import sending_state
from daemon.sending.wake import wake_send
from daemon.supervisor import Supervisor, Watchdog, watchdog_interval_s
from daemon.taking_up import Past, take_up
from drivers.register_maps import RegisterMap
from drivers.table import make_line
from shared.alerts import AlertEvent
from shared.notices import compose
from shared.readings import Reading
from shared.site import Site
from shared.station import Station

log = logging.getLogger("halfmark.service")

RULES_EVERY_S = 5.0
CLOCK_EVERY_S = 60.0
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
        maps: Mapping[str, RegisterMap],
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
        self.kernel_trust = KernelTrust()
        self.station = Station(site, start_s=self.started_s)
        runtime = options.folders.runtime
        self.recorder = Recorder(
            self._open_record, clock=clock, commit_s=site.commit_s, queued=lambda: wake_send(runtime)
        )
        self.supervisor = Supervisor.from_environment(os.environ)
        self.note = ""
        self.first_reading_seen = False
        self._past = Past()
        self.cycles: dict[str, LineCycle] = {}
        self._stop = asyncio.Event()
        self._state_saved_s = self._picture_saved_s = self.started_s
        self.watchdog = Watchdog(
            watchdog_interval_s(os.environ, os.getpid()),
            line_limits_s=dict.fromkeys(site.lines, LINE_LIMIT_S),
            commit_limit_s=3.0 * site.commit_s + LINE_LIMIT_S,
            now_s=self.started_s,
        )

    async def run(self) -> None:
        """Start everything, go on until told to stop, close in reverse order.

        Raises: StoreBusy: another service keeps this record.
        """
        await self.recorder.open()
        self._take_up()
        self._make_cycles()
        control = ControlServer(self.options.folders.runtime / SOCKET_NAME, self._answer, group=self.options.group)
        await control.start()
        self._catch_signals()
        self.supervisor.ready(f"watching {self.site.place.name}")
        try:
            await self._work()
        finally:
            self.supervisor.stopping("storing the last readings")
            await control.close()
            await self.recorder.close()

    async def _work(self) -> None:
        """Run every task until `_stop` is set or one of them fails."""
        tasks: list[asyncio.Task[None]] = [
            *(asyncio.create_task(cycle.run(), name=f"line {cycle.name}") for cycle in self.cycles.values()),
            asyncio.create_task(self.recorder.run(self.watchdog.commit_attempted, self._before_commit), name="record"),
            asyncio.create_task(self._each(RULES_EVERY_S, self._step_rules), name="rules"),
            asyncio.create_task(self._each(CLOCK_EVERY_S, self._look_at_clock), name="clock"),
            asyncio.create_task(self._each(WATCHDOG_EVERY_S, self._ping), name="watchdog"),
        ]
        if self.options.send_child:
            tasks.append(asyncio.create_task(keep_sending(self._send_arguments()), name="send"))
        stop = asyncio.create_task(self._stopped(), name="stop")
        try:
            await asyncio.wait([*tasks, stop], return_when=asyncio.FIRST_COMPLETED)
            for task in tasks:
                if task.done():
                    task.result()  # a task that ended has failed: let the error end the service
        finally:
            self._save_state(self.clock())  # while the lines are still up: the last picture shows them at work
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
        past = take_up(
            self.station, self.options.folders.state, boot_id=self.boot_id, clock=self.clock, anchor=self._trusted
        )
        self._past = past
        self.anchor = self.anchor or past.anchor

    def _open_record(self) -> Record:
        return Record.open(
            self.options.folders.state,
            boot_id=self.boot_id,
            elapsed_s=self.clock(),
            wall_utc_s=wall_utc_s(),
            group=self.options.group,
        )

    def _make_cycles(self) -> None:
        for name, line in self.site.lines.items():
            instruments = [row for row in self.site.instruments.values() if row.line == name]
            if not instruments:
                continue
            link, pollers = make_line(line, instruments, self.maps, clock=self.clock)
            self.cycles[name] = LineCycle(
                name, link, pollers, clock=self.clock, deliver=self._take, turned=self.watchdog.line_turned
            )

    def _catch_signals(self) -> None:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stop.set)

    # -- while running -------------------------------------------------------------------------

    def _take(self, reading: Reading) -> None:
        self.recorder.add_reading(reading)
        estimate = self.station.take(reading)
        if estimate is not None:
            self.recorder.add_reading(estimate)
        if not self.first_reading_seen:
            self.first_reading_seen = True
            self.recorder.commit_soon()

    def _step_rules(self, now_s: float) -> None:
        events = self.station.step_rules(now_s)
        for event in events:
            self._tell(event, now_s)
        if events:
            self.recorder.set_state("alerts", self.station.alerts.snapshot())
            self.recorder.commit_soon()

    def _tell(self, event: AlertEvent, now_s: float) -> None:
        log.warning("%s %s: value %s, limit %s", event.alert, event.state, event.value, event.limit)
        notice = compose(event, self.station.notice_context(now_s, utc=self._utc(now_s), origin=self.boot_id))
        self.recorder.add_event(event, notice)

    def _look_at_clock(self, now_s: float) -> None:
        anchor = self._trusted(self.anchor or self._past.newest_anchor)
        if anchor is not None:
            self.anchor = anchor
            self.recorder.add_anchor(anchor)

    def _trusted(self, earlier: Anchor | None) -> Anchor | None:
        """A pair of this instant that the site file lets us trust, if there is a new one."""
        return self.kernel_trust.anchor_now(earlier) if "kernel" in self.site.clock_trust else None

    def _before_commit(self, now_s: float) -> None:
        if now_s - self._state_saved_s >= STATE_EVERY_S:
            self._save_state(now_s)
        if now_s - self._picture_saved_s >= PICTURE_EVERY_S:
            self._picture_saved_s = now_s
            self.recorder.set_state(STATE_NAME, dict(self._picture()))

    def _save_state(self, now_s: float) -> None:
        self._state_saved_s = now_s
        self.recorder.set_state("station", self.station.snapshot())
        self.recorder.set_state("alerts", self.station.alerts.snapshot())
        self.recorder.set_state(STATE_NAME, dict(self._picture()))

    def _ping(self, now_s: float) -> None:
        if self.watchdog.due(now_s) and self.supervisor.alive():
            self.watchdog.pinged(now_s)

    # -- answering -----------------------------------------------------------------------------

    def _utc(self, now_s: float) -> datetime | None:
        return utc_at(self.anchor, now_s)

    def _picture(self) -> Picture:
        return picture_of(
            self.station,
            self.cycles,
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
        raise ServiceError(f"this service does not know {shown(request['ask'])}; it answers: status")

    def _send_arguments(self) -> list[str]:
        folders = self.options.folders
        return [
            str(self.options.site_file),
            *("--state", str(folders.state)),
            *("--runtime", str(folders.runtime)),
            *("--secrets", str(folders.secrets)),
            *("--sending", str(folders.sending)),
        ]


def run_service(site: Site, maps: Mapping[str, RegisterMap], options: ServiceOptions) -> int:
    """Run the service until it is told to stop.

    Returns: 0 after a clean stop.
    Raises: StoreBusy: another service keeps this record; ServiceError: the sockets can't be made.
    """
    faulthandler.enable()  # a watchdog kill then leaves a trace of where it hung
    make_folders(options.folders)
    asyncio.run(Service(site, maps, options).run())
    return 0
