"""`halfmark demo`: an invented site on a pseudo-terminal, thirty days of its past, then live.

The past goes through the same station, rules and record as live readings do; the live part is the
real service in a process of its own, polling the simulated instruments over real serial exchanges.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from attrs import frozen

from daemon.clock import boot_id, elapsed_s, operator_anchor, wall_utc_s
from daemon.configuration import load_site
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import HalfmarkError, ServiceError
from daemon.example_files import example
from daemon.folders import Folders
from daemon.past_writer import PastWriter
from daemon.progress import Progress
from daemon.record import Anchor, Batch, Record
from daemon.screens.status import run_status
from daemon.screens.watch import can_watch, run_watch
from daemon.site_health import align
from drivers.virtual.live import LiveSite
from drivers.virtual.port import VirtualPort
from drivers.virtual.register_tables import RegisterTable
from drivers.virtual.ridge import DAYS, DEMO_SEED, cold_fork_ridge
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit
from drivers.virtual.site import VirtualSite
from shared.notices import compose
from shared.readings import Reading
from shared.site import Site
from shared.station import Station

SITE_EXAMPLE = "demo-site.toml"
MAPS = {"shunt": "maps/example-shunt.toml", "controller": "maps/example-controller.toml"}
UNITS = {"shunt": 2, "controller": 1}
STEP_S = 10.0
COMMIT_EVERY_S = 3600.0
RULES_EVERY_S = 60.0
PAST_BOOT_ID = "0" * 31 + "1"  # the invented boot in which the past happened
MARKER = "made-by-halfmark-demo"
SERVICE_UP_S = 20.0
SHOW_EVERY_S = 10.0
STOP_S = 15.0


def run_demo(
    *, seconds: float | None = None, folder: Path | None = None, seed: int = DEMO_SEED, days: int = DAYS
) -> int:
    """Make the past, then run the real service against the simulated site until told to stop.

    Args:
        seconds: length of the live part; None goes on until interrupted.
        folder: the demo's own folder, made anew each time.
        seed: of the invented month; another one, another month.
        days: of invented past.
    Returns: 0 when the service ran and stopped cleanly, else 3.
    """
    place = _prepare(folder or default_folder())
    site = load_site(place.site_file)
    now_utc_s = wall_utc_s()
    print(f"{site.place.name}: an invented site. Making {days} days of its past in {place.folder} ...", flush=True)
    virtual = cold_fork_ridge(now_utc_s=now_utc_s, days=days, seed=seed)
    began_s = time.monotonic()
    make_past(virtual, site, place.folders.state, now_utc_s=now_utc_s, days=days)
    print(f"past made in {time.monotonic() - began_s:.1f} s; starting the service", flush=True)
    with _live_site(virtual, place.port), _service(place) as service:
        return _show(place.folders, service, seconds)


# -- the folder --------------------------------------------------------------------------------


@frozen
class DemoPlace:
    """The demo's own folder and what lies in it."""

    folder: Path
    site_file: Path
    port: Path
    folders: Folders


def default_folder() -> Path:
    """Where the demo keeps its record unless told otherwise."""
    return Path.home() / ".local" / "state" / "halfmark-demo"


def _prepare(folder: Path) -> DemoPlace:
    """Make the folder anew; one that is not the demo's own is left alone.

    Raises: ServiceError: the folder holds something else.
    """
    folder = folder.absolute()
    if folder.exists() and any(folder.iterdir()) and not (folder / MARKER).exists():
        raise ServiceError(f"folder {folder} is not empty and not made by the demo: name another with --state")
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARKER).touch()
    port = folder / "serial-port"
    text = example(SITE_EXAMPLE).replace("/dev/serial/by-id/usb-EXAMPLE-if00", str(port))
    site_file = folder / "site.toml"
    site_file.write_text(text, encoding="utf-8")
    (folder / "maps").mkdir()
    for name in MAPS.values():
        (folder / name).write_text(example(name), encoding="utf-8")
    state = folder / "record"
    return DemoPlace(folder, site_file, port, Folders.find(state=state, secrets=folder / "secrets", env={}))


# -- the past ----------------------------------------------------------------------------------


def make_past(virtual: VirtualSite, site: Site, folder: Path, *, now_utc_s: float, days: int) -> None:
    """Run the simulated site up to now through the station, the rules and the record.

    Args:
        virtual: the simulated site, standing `days` before now.
        site: as configured.
        folder: where the record is made.
        now_utc_s: wall time at which the past ends, s.
        days: its length.
    """
    start_utc_s = virtual.utc_s
    station = Station(site)
    align(station, 0.0, datetime.fromtimestamp(start_utc_s, UTC))
    batch = Batch(anchors=[Anchor(0, 0.0, start_utc_s, 1.0, "operator")])
    steps = round(days * 86_400 / STEP_S)
    writing = PastWriter(folder, boot_id=PAST_BOOT_ID, wall_utc_s=start_utc_s)
    with writing as writer, Progress("past", steps) as progress:
        for step in range(1, steps + 1):
            now_s = step * STEP_S
            virtual.advance(STEP_S)
            _take(station, virtual, batch, now_s)
            if now_s % RULES_EVERY_S == 0.0:
                _step_rules(station, batch, now_s, start_utc_s)
            if now_s % COMMIT_EVERY_S == 0.0 or step == steps:
                batch = _commit(writer, station, batch, now_s)
                progress.at(step)
    _vouch_for_now(folder)


def _take(station: Station, virtual: VirtualSite, batch: Batch, now_s: float) -> None:
    for instrument, shown in virtual.observe().items():
        values = {quantity: value for quantity, value in shown.items() if value is not None}
        reading = Reading(instrument, now_s, values)
        batch.readings.append(reading)
        estimate = station.take(reading)
        if estimate is not None:
            batch.readings.append(estimate)


def _step_rules(station: Station, batch: Batch, now_s: float, start_utc_s: float) -> None:
    for event in station.step_rules(now_s, utc_s=start_utc_s + now_s):
        utc = datetime.fromtimestamp(start_utc_s + now_s, UTC)
        batch.events.append(event)
        if event.told:
            batch.notices.append(compose(event, station.notice_context(now_s, utc=utc, origin=PAST_BOOT_ID)))
        batch.state["alerts"] = station.alerts.snapshot()


def _commit(writer: PastWriter, station: Station, batch: Batch, now_s: float) -> Batch:
    batch.until_s = now_s
    batch.state["station"] = station.snapshot()
    batch.state["alerts"] = station.alerts.snapshot()
    writer.commit(batch)
    return Batch()


def _vouch_for_now(folder: Path) -> None:
    """Stand in for an operator who sets the time: the machine's own clock is believed in a demo."""
    record = Record.open(folder, boot_id=boot_id(), elapsed_s=elapsed_s(), wall_utc_s=wall_utc_s())
    try:
        record.commit(Batch(anchors=[operator_anchor(elapsed_s(), wall_utc_s())]))
    finally:
        record.close()


# -- live --------------------------------------------------------------------------------------


@contextmanager
def _live_site(virtual: VirtualSite, port: Path) -> Iterator[LiveSite]:
    """Serve the simulated instruments on a pseudo-terminal in real time."""
    units = {name: RtuUnit(number, RegisterTable.parse(example(MAPS[name]))) for name, number in UNITS.items()}
    with LiveSite(virtual, units) as live, VirtualPort(RtuLine(tuple(units.values())), link=port):
        yield live


@contextmanager
def _service(place: DemoPlace) -> Iterator[subprocess.Popen[bytes]]:
    """Run the real service as a child."""
    folders = place.folders
    log_file = place.folder / "service.log"
    command = [sys.executable, "-m", "daemon.main", "run", str(place.site_file)]
    command += ["--state", str(folders.state), "--runtime", str(folders.runtime), "--secrets", str(folders.secrets)]
    command += ["--end-with", str(os.getpid())]
    with log_file.open("wb") as out:
        child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=out)
        try:
            _wait_until_up(place, child)
            yield child
        finally:
            child.send_signal(signal.SIGTERM)
            try:
                child.wait(STOP_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()


def _wait_until_up(place: DemoPlace, child: subprocess.Popen[bytes]) -> None:
    until_s = time.monotonic() + SERVICE_UP_S
    while time.monotonic() < until_s:
        if child.poll() is not None:
            break
        try:
            answer = ask(place.folders.runtime / SOCKET_NAME, {"v": 1, "ask": "status"})
        except HalfmarkError:
            time.sleep(0.1)
            continue
        if _has_reading(answer):
            return
        time.sleep(0.1)
    raise ServiceError(f"the demo's service did not come up in {SERVICE_UP_S:.0f} s; see {place.folder}/service.log")


def _has_reading(answer: dict[str, object]) -> bool:
    picture = answer.get("picture")
    return isinstance(picture, dict) and bool(picture.get("quantities"))


def _show(folders: Folders, service: subprocess.Popen[bytes], seconds: float | None) -> int:
    """Show the site until the time is up, the service ends or somebody leaves."""
    ended = False  # by itself; a Ctrl-C reaches the service as well

    def has_ended() -> bool:
        nonlocal ended
        ended = service.poll() is not None
        return ended

    if can_watch():
        run_watch(folders, seconds=seconds, ended=has_ended)
    else:
        _print(folders, has_ended, seconds)
    if ended:
        print("the demo's service ended by itself", file=sys.stderr)
        return 3
    print(f"demo over; look again with: halfmark watch --store {folders.state}")
    return 0


def _print(folders: Folders, has_ended: Callable[[], bool], seconds: float | None) -> None:
    """Print the status in a line from time to time."""
    end_s = None if seconds is None else time.monotonic() + seconds
    try:
        while not has_ended():
            run_status(folders, form="line")
            wait_s = SHOW_EVERY_S if end_s is None else min(SHOW_EVERY_S, end_s - time.monotonic())
            if wait_s <= 0.0:
                return
            time.sleep(wait_s)
    except KeyboardInterrupt:
        print()
