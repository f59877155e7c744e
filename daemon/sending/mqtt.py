"""Keeps what an MQTT broker shows of the site as the site is: latest values, retained; history is the central store's.

No thread of its own and no clock. Each connection begins with everything anew, so a broker that forgot, was
another one, or was down for a week is right again after one turn; after that only what has changed is sent. Which
topics may stand at the broker is written down before they are published: what should stand no more is taken
away even after a crash, though nothing is ever asked of the broker.
"""

import hashlib
import logging
from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from daemon.errors import ConfigError, StoreError
from daemon.sending.bell import Bell
from daemon.sending.door_memory import DoorMemory
from daemon.sending.mqtt_link import MqttDown
from daemon.sending.mqtt_messages import ALERT, GONE, LINK, OFFLINE, ONLINE, is_same_alert, messages
from daemon.sending.site_now import SiteNow
from daemon.trouble_log import TroubleLog
from shared.notices import plain

log = logging.getLogger("halfmark.send")

STATE_NAME, TOPICS_NAME = "mqtt", "mqtt_topics"  # in the memory
RETRY_LEAST_S, RETRY_MOST_S = 2.0, 300.0
SLOW_LEAST_S, SLOW_MOST_S = 60.0, 600.0  # a person has to correct something: account, certificate, package
STEADY_S = 60.0  # a connection that was lost sooner counts as one more failure
LOOK_LEAST_S = 1.0  # between two looks, however often the bell is rung
SAVE_EVERY_S = 600.0  # how often it is written down that all is well
TOPICS_MOST = 1000  # remembered; a site has some tens


class Link(Protocol):
    """`mqtt_link.MqttLink`, or a test's."""

    @property
    def unconfirmed(self) -> int:
        """How many messages are not confirmed."""

    def connect(self) -> None:
        """Connect; raises MqttDown."""

    def publish(self, topic: str, text: str) -> None:
        """Hand a message over; raises MqttDown."""

    def wait(self, timeout_s: float) -> bool:
        """Work until the bell rings, all is confirmed, or the time is over; raises MqttDown."""

    def close(self, goodbye: tuple[str, str] | None = None) -> None:
        """Hang up."""


def client_id(prefix: str) -> str:
    """Name the sender to the broker: at most 23 letters and digits, which every broker must take (MQTT-3.1.3-5)."""
    return "halfmark" + hashlib.sha256(prefix.encode()).hexdigest()[:15]


class MqttDoor:
    """The whole of it but its thread."""

    def __init__(
        self,
        look: Callable[[], SiteNow],
        memory: DoorMemory,
        open_link: Callable[[], Link],
        bell: Bell,
        *,
        site: str,
        prefix: str,
        broker: str,
        every_s: float,
        clock: Callable[[], float],
    ) -> None:
        """Take the parts; nothing is opened before the first turn.

        Args:
            look: tells how the site stands; raises StoreError or OSError while the record can't be read.
            memory: for the topics, and for what the screens are told.
            open_link: makes a connection that is not connected yet; raises ConfigError.
            bell: rung when there may be something new.
            site: the site's name.
            prefix: what all topics begin with.
            broker: names the broker: what is remembered of another one does not count.
            every_s: how often everything that has changed is published, s.
            clock: seconds since boot.
        """
        self._look, self._memory, self._open_link, self._bell = look, memory, open_link, bell
        self._site, self._prefix, self._broker, self._every_s, self._clock = site, prefix, broker, every_s, clock
        self._link: Link | None = None
        self._linked_s = 0.0
        self._told: dict[str, str] = {}  # at this connection, confirmed or not
        self._topics: set[str] | None = None  # that may stand at the broker
        self._topics_saved = False
        self._next_try_s = self._next_look_s = self._looked_s = float("-inf")
        self._delay_s = 0.0
        self._settled = True
        self._failing_since_s: float | None = None
        self._last_error: str | None = None
        self._last_sent_utc_s: float | None = None
        self._told_utc_s: float | None = None
        self._saved_s: float | None = None
        self._trouble = TroubleLog(log, "mqtt")
        self._record_trouble = TroubleLog(log, "mqtt: record")
        self._memory_trouble = TroubleLog(log, "mqtt: what it remembers")

    @property
    def done(self) -> bool:
        """Whether all that is to be told has been told and confirmed."""
        return self._link is not None and self._settled and not self.failing

    @property
    def failing(self) -> bool:
        """Whether the last try came to nothing."""
        return self._failing_since_s is not None or self._record_trouble.since_s is not None

    def turn(self) -> float:
        """Connect if there is no connection, publish if it is time.

        Returns: seconds since boot at which to come again.
        """
        now_s = self._clock()
        try:
            if self._link is None:
                if now_s < self._next_try_s:
                    return self._next_try_s
                self._connect()
            if self._clock() >= self._next_look_s:
                self._publish_news()
        except (MqttDown, ConfigError) as why:
            self._fail(str(why), slow=isinstance(why, ConfigError) or why.slow)
        return self._next_try_s if self._link is None else self._next_look_s

    def wait(self, until_s: float) -> None:
        """Let the connection work until it is time again, or the bell rings."""
        try:
            left_s = until_s - self._clock()
            rung = self._bell.wait(left_s) if self._link is None else self._link.wait(left_s)
            if rung:
                self._next_look_s = min(self._next_look_s, max(self._clock(), self._looked_s + LOOK_LEAST_S))
            if self._link is not None and not self._settled and self._link.unconfirmed == 0:
                self._works()
        except MqttDown as why:
            self._fail(str(why), slow=why.slow)

    def close(self) -> None:
        """Say that the sender is off, and hang up."""
        if self._link is not None:
            self._link.close((self._topic(LINK), OFFLINE))
            self._link = None
        self._save()

    # -- one turn ------------------------------------------------------------------------------

    def _topic(self, *levels: str) -> str:
        return "/".join((self._prefix, *levels))

    def _connect(self) -> None:
        link = self._open_link()
        try:
            link.connect()
        except MqttDown:
            link.close()
            raise
        self._link, self._linked_s = link, self._clock()
        self._told, self._next_look_s = {}, float("-inf")
        self._settled = False
        self._remember((self._topic(LINK),))
        self._tell(self._topic(LINK), ONLINE)

    def _publish_news(self) -> None:
        self._looked_s = self._clock()
        self._next_look_s = self._looked_s + self._every_s
        try:
            now = self._look()
        except (StoreError, OSError) as why:
            self._record_trouble.failed(self._looked_s, f"can't be read: {why}")
            self._last_error = plain(f"can't read the record: {why}", 300)
            return
        self._record_trouble.recovered(self._looked_s)
        wanted = messages(self._prefix, self._site, now)
        self._remember(wanted)
        gone = (self._topics or set()) - wanted.keys() - {self._topic(LINK)}
        for topic in sorted(gone):
            self._tell(topic, GONE)
        for topic, text in wanted.items():
            self._tell(topic, text)
        self._told_utc_s = now.utc_s

    def _tell(self, topic: str, text: str) -> None:
        told = self._told.get(topic)
        if told == text or (told and text and self._is_steady(topic, told, text)):
            return
        assert self._link is not None
        self._link.publish(topic, text)
        self._told[topic] = text
        self._settled = False

    def _is_steady(self, topic: str, told: str, text: str) -> bool:
        return topic.startswith(self._topic(ALERT, "")) and is_same_alert(told, text)

    def _remember(self, wanted: Iterable[str]) -> None:
        """Write down what will stand at the broker, before it does."""
        if self._topics is None:
            self._topics = self._remembered()
        new = set(wanted) - self._topics
        self._topics |= new
        if new or not self._topics_saved:
            self._topics_saved = self._put({TOPICS_NAME: {"broker": self._broker, "topics": sorted(self._topics)}})

    def _remembered(self) -> set[str]:
        found = self._memory.load(TOPICS_NAME)
        if not isinstance(found, Mapping) or found.get("broker") != self._broker:
            return set()
        topics = found.get("topics")
        return {t for t in topics[:TOPICS_MOST] if isinstance(t, str) and t} if isinstance(topics, list) else set()

    # -- how it goes ---------------------------------------------------------------------------

    def _works(self) -> None:
        """All that was told is confirmed."""
        now_s = self._clock()
        self._settled = True
        was_failing = self._failing_since_s is not None
        if self._record_trouble.since_s is None:
            self._last_error = None
        self._failing_since_s = None
        self._last_sent_utc_s = self._told_utc_s
        self._trouble.recovered(now_s)
        gone = {topic for topic, text in self._told.items() if text == GONE}
        if self._topics is not None and gone & self._topics:
            self._topics -= gone
            self._topics_saved = False
            self._remember(())
        for topic in gone:
            del self._told[topic]
        if was_failing or self._saved_s is None or now_s - self._saved_s >= SAVE_EVERY_S:
            self._save()

    def _fail(self, why: str, *, slow: bool) -> None:
        now_s = self._clock()
        if self._link is not None:
            self._link.close()
            self._link = None
            if now_s - self._linked_s >= STEADY_S:
                self._delay_s = 0.0
        least_s, most_s = (SLOW_LEAST_S, SLOW_MOST_S) if slow else (RETRY_LEAST_S, RETRY_MOST_S)
        self._delay_s = min(most_s, max(least_s, 2.0 * self._delay_s))
        self._next_try_s = now_s + self._delay_s
        self._failing_since_s = now_s if self._failing_since_s is None else self._failing_since_s
        self._last_error = plain(why, 300)
        self._trouble.failed(now_s, self._last_error)
        self._save()

    def state(self) -> dict[str, object]:
        """What a screen is told; see `receipts.sending_state`."""
        return {
            "broker": self._broker,
            "connected": self._link is not None,
            "topics": len(self._told),
            "last_sent_utc_s": self._last_sent_utc_s,
            "failing_since_s": self._failing_since_s,
            "last_error": self._last_error,
            "next_try_s": self._next_try_s if self._failing_since_s is not None else None,
        }

    def _save(self) -> None:
        self._saved_s = self._clock()
        self._put({STATE_NAME: self.state()})

    def _put(self, values: Mapping[str, object]) -> bool:
        now_s = self._clock()
        if self._memory.save(values):
            self._memory_trouble.recovered(now_s)
            return True
        self._memory_trouble.failed(now_s, f"can't be written: {self._memory.why}")
        return False
