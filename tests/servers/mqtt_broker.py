"""A real MQTT broker for tests, Debian's mosquitto on a free loopback port, and a client of the tests' that listens.

    with MqttBroker(tmp_path) as broker, Listener(broker) as listener:
        ...
        listener.until(lambda topics: topics.get("halfmark/x/link") == "online")

The broker forgets everything when it is stopped. It is installed by apt if it is missing and this user may do so.
"""

import fcntl
import os
import shutil
import signal
import socket
import ssl
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from servers.mail_sink import CERTIFICATE, free_port

PACKAGE = "mosquitto"
PATH = f"{os.environ.get('PATH', '')}:/usr/sbin"  # where Debian has it, and not every user looks
UP_S = 20.0
LIMIT_S = 20.0


class MqttBroker:
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
        self.folder = folder
        self.port = free_port()
        self.login = login
        self.tls = tls
        self.address = address
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "MqttBroker":
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    @property
    def log(self) -> str:
        """What it wrote."""
        return (self.folder / "broker.log").read_text(errors="replace")

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self._configure()
        with (self.folder / "broker.log").open("ab") as log:
            self._process = subprocess.Popen(
                [program(), "-v", "-c", str(self.folder / "broker.conf")],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        end_s = time.monotonic() + UP_S
        while time.monotonic() < end_s and self._process.poll() is None:
            try:
                socket.create_connection((self.address, self.port), 1.0).close()
            except OSError:
                threading.Event().wait(0.02)  # between two looks at another process
            else:
                return
        self.stop()
        raise AssertionError(f"the broker did not come up: {self.log[-2000:]}")

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End it; SIGKILL is a crash."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.send_signal(signal.SIGCONT)
            process.send_signal(number)
        try:
            process.wait(UP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def hold(self) -> None:
        """Let it accept connections and never answer."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """End the hold."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def _configure(self) -> None:
        rows = [f"listener {self.port} {self.address}", "persistence false", "log_dest stderr", "max_keepalive 3600"]
        if os.getuid() == 0:
            rows.append("user root")  # else it takes on a user who can't read this folder
        if self.login is not None:
            passwords = self.folder / "broker.passwords"
            command = [_found("mosquitto_passwd"), "-b", "-c", str(passwords), *self.login]
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


def program() -> str:
    """Where the broker's program is; installed if it is not there yet."""
    if shutil.which(PACKAGE, path=PATH) is None:
        with (Path(tempfile.gettempdir()) / f"{PACKAGE}-{os.getuid()}.lock").open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # several workers of one test run
            if shutil.which(PACKAGE, path=PATH) is None:
                install(PACKAGE)
    return _found(PACKAGE)


def _found(name: str) -> str:
    found = shutil.which(name, path=PATH)
    assert found is not None, f"{name} is needed: apt-get install {PACKAGE}, or run deploy/test.sh"
    return found


def install(package: str) -> None:
    """Install a Debian package without starting its own service."""
    assert os.getuid() == 0, f"{package} is needed: run deploy/test.sh, or as root apt-get install {package}"
    policy = Path("/usr/sbin/policy-rc.d")
    is_ours = not policy.exists()
    if is_ours:
        policy.write_text("#!/bin/sh\nexit 101\n")
        policy.chmod(0o755)
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    command = ["apt-get", "install", "-y", "-q", "--no-install-recommends", package]
    try:
        if subprocess.run(command, env=environment, capture_output=True).returncode != 0:
            subprocess.run(["apt-get", "update", "-q"], env=environment, capture_output=True, check=True)
            subprocess.run(command, env=environment, capture_output=True, check=True)
    finally:
        if is_ours:
            policy.unlink()
