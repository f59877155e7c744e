"""A real MQTT broker for tests, Debian's mosquitto on a free loopback port, and a client of the tests' that listens.

    with MqttBroker(tmp_path) as broker, Listener(broker) as listener:
        ...
        listener.until(lambda topics: topics.get("halfmark/x/link") == "online")

The broker forgets everything when it is stopped. It is installed by apt if it is missing and this user may do so.
"""

import os
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from servers.debian_server import DebianServer, found, program
from servers.mail_sink import CERTIFICATE, free_port

PACKAGE = "mosquitto"
LIMIT_S = 20.0


class MqttBroker(DebianServer):
    """One broker with a folder of its own; may be stopped, killed, held and started again."""

    def __init__(
        self, folder: Path, *, login: tuple[str, str] | None = None, tls: bool = False, address: str = "127.0.0.1"
    ) -> None:
        """Start nothing yet.

        Args:
            folder: for its configuration and its log.
            login: the only user and password it takes; None takes everybody.
            tls: whether it speaks TLS, with the tests' certificate for localhost.
            address: where it listens.
        """
        super().__init__(folder)
        self.port = free_port()
        self.login = login
        self.tls = tls
        self.address = address

    def command(self) -> Sequence[str]:
        self._configure()
        return (program(PACKAGE), "-v", "-c", str(self.folder / "broker.conf"))

    def answers(self) -> bool:
        socket.create_connection((self.address, self.port), 1.0).close()
        return True

    def _configure(self) -> None:
        rows = [f"listener {self.port} {self.address}", "persistence false", "log_dest stderr", "max_keepalive 3600"]
        if os.getuid() == 0:
            rows.append("user root")  # else it takes on a user who can't read this folder
        if self.login is not None:
            passwords = self.folder / "broker.passwords"
            command = [found("mosquitto_passwd", PACKAGE), "-b", "-c", str(passwords), *self.login]
            subprocess.run(command, check=True, capture_output=True)
            passwords.chmod(0o600)
            rows += ["allow_anonymous false", f"password_file {passwords}"]
        else:
            rows.append("allow_anonymous true")
        if self.tls:
            rows += [f"certfile {CERTIFICATE}", f"keyfile {CERTIFICATE}"]
        (self.folder / "broker.conf").write_text("\n".join(rows) + "\n")


class Listener:
    """Listens to every topic; keeps what stands, and everything that came, in order."""

    def __init__(self, broker: MqttBroker) -> None:
        """Connect, and wait until the broker has taken the subscription."""
        self.came: list[tuple[str, str, bool]] = []  # topic, text, whether it was retained before this listener came
        self.topics: dict[str, str] = {}
        self._changed = threading.Condition()
        self._ready = threading.Event()
        client: Any = paho.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        if broker.login is not None:
            client.username_pw_set(*broker.login)
        if broker.tls:
            client.tls_set_context(trusting())
        client.on_connect = lambda *told: client.subscribe("#", qos=1)
        client.on_subscribe = lambda *told: self._ready.set()
        client.on_message = self._take
        client.reconnect_delay_set(1, 1)
        client.connect("localhost" if broker.tls else "127.0.0.1", broker.port)
        client.loop_start()
        self._client = client
        assert self._ready.wait(LIMIT_S), "the broker took no subscription"

    def __enter__(self) -> "Listener":
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def until(self, fits: Callable[[Mapping[str, str]], bool]) -> dict[str, str]:
        """Wait until what stands is as wanted; give it."""
        with self._changed:
            assert self._changed.wait_for(lambda: fits(self.topics), LIMIT_S), f"never so: {self.topics}"
            return dict(self.topics)

    def _take(self, client: Any, data: Any, message: Any) -> None:
        with self._changed:
            text = message.payload.decode()
            self.came.append((message.topic, text, bool(message.retain)))
            if text:
                self.topics[message.topic] = text
            else:
                self.topics.pop(message.topic, None)
            self._changed.notify_all()


def retained(broker: MqttBroker) -> dict[str, str]:
    """What stands at the broker, as one who comes now sees it."""
    with Listener(broker) as listener:
        # What is retained comes before anything that is published after the subscription was taken.
        listener._client.publish("mark", "end", qos=1)
        listener.until(lambda topics: "mark" in topics)
        return {topic: text for topic, text, was_retained in listener.came if was_retained}


def trusting() -> ssl.SSLContext:
    """Trust the tests' own certificate."""
    return ssl.create_default_context(cafile=str(CERTIFICATE))
