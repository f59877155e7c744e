"""The open doors: MQTT and metrics, each on a thread of its own, so that no notice ever waits for one.

A site that configures neither loads nothing of them.
"""

import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from daemon.clock import elapsed_s
from daemon.sending.bell import Bell
from shared.site import Metrics, Mqtt, Site

if TYPE_CHECKING:
    from daemon.sending.mqtt import MqttDoor
    from daemon.sending.site_now import SiteNow

log = logging.getLogger("halfmark.send")

ONCE_S = 30.0  # for all that is to be published when the sender runs once
MISTAKE_WAIT_S = 60.0


class Door(Protocol):
    """What a thread does again and again."""

    def turn(self) -> float:
        """Do what is due; give the seconds since boot at which to come again."""

    def wait(self, until_s: float) -> None:
        """Work until then, or until the bell rings."""

    def close(self) -> None:
        """End in good order."""


class DoorThread:
    """Lets one door take its turns until it is told to stop."""

    def __init__(self, name: str, make: Callable[[Bell], Door]) -> None:
        """Make the door; nothing is started yet."""
        self._name = name
        self._bell = Bell()
        self._door = make(self._bell)
        self._stop = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def nudge(self) -> None:
        """Tell it that there may be something new."""
        self._bell.ring()

    def ask_to_stop(self) -> None:
        """Tell it to end; see `join`."""
        self._stop = True
        self._bell.ring()

    def join(self, timeout_s: float) -> None:
        """Wait a little for its end; one that hangs is left behind."""
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while not self._stop:
            try:
                self._door.wait(self._door.turn())
            except Exception:  # our own mistake, told with its trace; the notices must go on
                log.exception("%s: mistake in the program", self._name)
                self._bell.wait(MISTAKE_WAIT_S)
        self._door.close()


class Doors:
    """The doors of one site."""

    def __init__(self, site: Site, *, state_folder: Path, send_folder: Path, secret: Callable[[str], str]) -> None:
        """Start nothing yet.

        Args:
            site: as configured.
            state_folder: of the record.
            send_folder: for what a door remembers.
            secret: gives the content of a named secret.
        """
        self._site, self._state_folder, self._send_folder, self._secret = site, state_folder, send_folder, secret
        self._threads: list[DoorThread] = []

    @property
    def names(self) -> tuple[str, ...]:
        """Those the site file opens."""
        known = {"mqtt": self._site.mqtt, "metrics": self._site.metrics}
        return tuple(name for name, table in known.items() if table is not None)

    def start(self) -> None:
        """Open them all, if that has not been done."""
        if self._threads:
            return
        if (mqtt := self._site.mqtt) is not None:
            self._threads.append(DoorThread("mqtt", lambda bell: self._mqtt(mqtt, bell)))
        if (metrics := self._site.metrics) is not None:
            self._threads.append(DoorThread("metrics", lambda bell: self._metrics(metrics, bell)))
        for thread in self._threads:
            thread.start()

    def nudge(self) -> None:
        """Tell them that there may be something new."""
        for thread in self._threads:
            thread.nudge()

    def ask_to_stop(self) -> None:
        """Tell them all to end."""
        for thread in self._threads:
            thread.ask_to_stop()

    def stop(self, timeout_s: float) -> None:
        """End them all, waiting a little for it."""
        self.ask_to_stop()
        end_s = elapsed_s() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - elapsed_s()))

    def once(self, stopped: Callable[[], bool]) -> bool:
        """Publish everything there is once; tell whether it was taken. Nobody can read metrics of such a run."""
        if self._site.mqtt is None:
            return True
        bell = Bell()
        door = self._mqtt(self._site.mqtt, bell)
        end_s = elapsed_s() + ONCE_S
        door.turn()
        while not (door.done or door.failing or stopped()) and elapsed_s() < end_s:
            door.wait(end_s)
        was_taken = door.done
        door.close()
        bell.close()
        return was_taken

    def _look(self) -> "SiteNow":
        from daemon.clock import boot_id
        from daemon.record import RecordReader
        from daemon.sending.site_now import site_now

        with RecordReader(self._state_folder) as reader:
            return site_now(reader, self._site, boot_id=boot_id(), now_s=elapsed_s())

    def _mqtt(self, mqtt: Mqtt, bell: Bell) -> "MqttDoor":
        from daemon.sending.door_memory import DoorMemory
        from daemon.sending.mqtt import MqttDoor, client_id
        from daemon.sending.mqtt_link import MqttLink
        from daemon.sending.mqtt_messages import LINK, OFFLINE

        def open_link() -> MqttLink:
            return MqttLink(
                mqtt,
                None if mqtt.secret is None else self._secret(mqtt.secret),
                bell,
                client_id=client_id(mqtt.prefix),
                will=(f"{mqtt.prefix}/{LINK}", OFFLINE),
                clock=elapsed_s,
            )

        return MqttDoor(
            self._look,
            DoorMemory(self._send_folder),
            open_link,
            bell,
            site=self._site.place.name,
            prefix=mqtt.prefix,
            broker=f"{mqtt.server}:{mqtt.port}",
            every_s=mqtt.every_s,
            clock=elapsed_s,
        )

    def _metrics(self, metrics: Metrics, bell: Bell) -> Door:
        from daemon.sending.door_memory import DoorMemory
        from daemon.sending.metrics import families
        from daemon.sending.metrics_server import MetricsServer
        from shared.open_metrics import exposition

        memory = DoorMemory(self._send_folder)
        listen = metrics.listen
        host, _, port = listen.rpartition(":")

        def told(why: str | None) -> None:
            memory.save({"metrics": {"listen": listen, "last_error": why}})

        return MetricsServer(
            (host.strip("[]").replace("localhost", "127.0.0.1"), int(port)),
            lambda: exposition(families(self._site.place.name, self._look())),
            bell,
            clock=elapsed_s,
            told=told,
        )
