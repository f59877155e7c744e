"""One connection to an MQTT broker, by paho-mqtt: publishes, waits for what is confirmed, subscribes to nothing.

This module is imported only when a site has [mqtt]; the client itself at the first connection. The client
runs on the caller's thread: no thread, no queue and no reconnecting of its own.
"""

import importlib
import ssl
import struct
from collections.abc import Callable
from contextlib import suppress
from types import ModuleType
from typing import Any

from daemon.errors import ConfigError
from daemon.sending.bell import Bell
from shared.notices import plain
from shared.site import Mqtt

KEEP_ALIVE_S = 60  # the broker publishes the last will after one and a half of these without a sign of life
CONNECT_S = 10.0  # to the broker's address, and again for the handshake of TLS
ANSWER_S = 30.0  # for the broker's welcome, and for its confirming of what was published
GOODBYE_S = 1.5
IN_FLIGHT = 20  # messages not confirmed at a time; the rest waits in the client
WAITING_MOST = 2000  # messages in the client; one look at a site gives some tens
REASON_MOST = 300
EXTRA = "pip install 'halfmark[mqtt]' in the environment halfmark runs in"


class MqttDown(Exception):
    """There is no connection, or none any more.

    Attributes:
        slow: whether a person has to correct something first.
    """

    def __init__(self, why: str, *, slow: bool = False) -> None:
        super().__init__(plain(why, REASON_MOST))
        self.slow = slow


class MqttLink:
    """One connection, from `connect` to its end; for one thread."""

    def __init__(
        self,
        mqtt: Mqtt,
        password: str | None,
        bell: Bell,
        *,
        client_id: str,
        will: tuple[str, str],
        clock: Callable[[], float],
        answer_s: float = ANSWER_S,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        """Load the client and take the settings.

        Args:
            mqtt: where to, and as whom.
            password: of the account; None without one.
            bell: rung when a wait is to end.
            client_id: the name under which the broker knows this sender.
            will: topic and text that the broker publishes when the connection is lost.
            clock: seconds since boot.
            answer_s: how long the broker may take to welcome and to confirm, s.
            tls: whom to trust; None for the system's authorities.
        Raises: ConfigError: paho-mqtt is not installed.
        """
        paho = load_client()
        self._mqtt, self._bell, self._clock, self._answer_s = mqtt, bell, clock, answer_s
        self._welcome: Any = None
        self._lost = False
        self._waiting: dict[int, float] = {}  # what is not confirmed -> until when it must be
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=client_id, protocol=paho.MQTTv311)
        client.connect_timeout = CONNECT_S
        client.max_inflight_messages_set(IN_FLIGHT)
        client.max_queued_messages_set(WAITING_MOST)
        client.will_set(*will, qos=1, retain=True)
        if mqtt.user is not None:
            client.username_pw_set(mqtt.user, password)
        if mqtt.security == "tls":
            client.tls_set_context(tls or ssl.create_default_context())
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        self._client: Any = client

    @property
    def unconfirmed(self) -> int:
        """How many messages the broker has not confirmed yet."""
        return len(self._waiting)

    def connect(self) -> None:
        """Connect and wait for the broker's welcome.

        Raises: MqttDown.
        """
        where = f"{self._mqtt.server}:{self._mqtt.port}"
        down = self._begun(where)
        if down is not None:  # raised here, where it holds on to nothing of the client's failed try
            raise down
        end_s = self._clock() + self._answer_s
        while self._welcome is None:
            if self._clock() >= end_s:
                raise MqttDown(f"{where} did not welcome in time")
            self._turn(end_s - self._clock(), where)
        if self._welcome.is_failure:
            raise _refusal(where, self._welcome)

    def _begun(self, where: str) -> MqttDown | None:
        try:
            self._client.connect(self._mqtt.server.strip("[]"), self._mqtt.port, KEEP_ALIVE_S)
        except ssl.SSLCertVerificationError as why:
            return MqttDown(f"{where}: its certificate is not trusted: {why.verify_message}", slow=True)
        except TimeoutError:
            return MqttDown(f"{where} did not answer in time")
        except (OSError, ValueError) as why:
            return MqttDown(f"{where}: {why}")
        return None

    def publish(self, topic: str, text: str) -> None:
        """Hand over a message that is to stay at the broker; see `unconfirmed` for whether it is there.

        Raises: MqttDown.
        """
        info = self._client.publish(topic, text.encode(), qos=1, retain=True)
        if info.rc != 0:
            raise MqttDown(f"{self._mqtt.server}: could not be handed a message: {info.rc!s}")
        self._waiting[info.mid] = self._clock() + self._answer_s

    def wait(self, timeout_s: float) -> bool:
        """Let the connection work until the bell rings, everything is newly confirmed, or the time is over.

        Returns: whether the bell was rung.
        Raises: MqttDown: the connection is lost, or the broker confirms nothing.
        """
        end_s, had = self._clock() + timeout_s, self.unconfirmed
        while True:
            left_s = end_s - self._clock()
            if self._turn(left_s, self._mqtt.server):
                return True
            if min(self._waiting.values(), default=end_s + self._answer_s) <= self._clock():
                raise MqttDown(f"{self._mqtt.server} did not confirm in time")
            if left_s <= 0.0 or (had and not self._waiting):
                return False

    def close(self, goodbye: tuple[str, str] | None = None) -> None:
        """Hang up, with a last message if the broker takes it; nothing is raised.

        Without a goodbye the line is cut: the broker then publishes the will.
        """
        try:
            if goodbye is not None and not self._lost and self._welcome is not None:
                self.publish(*goodbye)
                end_s = self._clock() + GOODBYE_S
                while self._waiting and self._clock() < end_s:
                    self._turn(end_s - self._clock(), self._mqtt.server)
                self._client.disconnect()
        except MqttDown:
            pass
        finally:
            channel = self._client.socket()
            if channel is not None:
                with suppress(OSError):
                    channel.close()

    def _turn(self, timeout_s: float, where: str) -> bool:
        """One wait, and what it brought; tells whether the bell was rung."""
        channel = self._client.socket()
        if self._lost or channel is None:
            raise MqttDown(f"{where}: the connection was lost")
        has_more = getattr(channel, "pending", int)() > 0  # read off the line by TLS, and not taken yet
        limits = (timeout_s, KEEP_ALIVE_S / 4.0, *(until - self._clock() for until in self._waiting.values()))
        writing = [channel] if self._client.want_write() else []
        rung = self._bell.wait(0.0 if has_more else min(limits), [channel], writing)
        try:
            self._client.loop_read()
            if self._client.want_write():
                self._client.loop_write()
            self._client.loop_misc()
        except (OSError, ValueError, LookupError, struct.error) as why:  # a broker may send anything
            raise MqttDown(f"{where}: {why}") from None
        if self._lost and self._welcome is None:
            raise MqttDown(f"{where}: the connection was lost")
        return rung

    def _on_connect(self, client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._welcome = reason

    def _on_disconnect(self, client: Any, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._lost = True

    def _on_publish(self, client: Any, data: Any, mid: int, reason: Any, properties: Any) -> None:
        self._waiting.pop(mid, None)


def load_client() -> ModuleType:
    """Import paho-mqtt.

    Raises: ConfigError: it is not installed.
    """
    try:
        return importlib.import_module("paho.mqtt.client")
    except ImportError as why:
        raise ConfigError.of("mqtt", f"needs paho-mqtt, which is not installed ({why}): {EXTRA}") from None


def _refusal(where: str, reason: Any) -> MqttDown:
    """The broker's own words; a wrong account is nothing that passes by itself."""
    name = str(reason)
    if name in ("Bad user name or password", "Not authorized"):
        return MqttDown(f"{where} refuses the account: {name}; correct user or secret", slow=True)
    return MqttDown(f"{where} refuses the connection: {name}", slow=name != "Server unavailable")
