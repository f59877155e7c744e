"""The connection to a real broker: what stands there, what is refused, and what is not trusted."""

import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.sending.bell import Bell
from daemon.sending.mqtt_link import MqttDown, MqttLink
from servers.mail_sink import free_port
from servers.mqtt_broker import MqttBroker, retained, trusting
from shared.site import Mqtt

LIMIT_S = 10.0
WILL = ("p/link", "offline")


@pytest.fixture
def bell() -> Iterator[Bell]:
    bell = Bell()
    yield bell
    bell.close()


def link(
    broker: MqttBroker, bell: Bell, *, password: str = "right", host: str = "localhost", trusted: bool = True
) -> MqttLink:
    settings = Mqtt(host, broker.port, "p", "tls" if broker.tls else "none", "hill" if broker.login else None, "s")
    tls = trusting() if trusted and broker.tls else None
    return MqttLink(
        settings, password, bell, client_id="halfmark1", will=WILL, clock=time.monotonic, answer_s=1.0, tls=tls
    )


def confirmed(link: MqttLink) -> None:
    end_s = time.monotonic() + LIMIT_S
    while link.unconfirmed and time.monotonic() < end_s:
        link.wait(1.0)
    assert link.unconfirmed == 0


@pytest.mark.parametrize("tls", [False, True])
def test_an_account_with_and_without_tls(tmp_path: Path, bell: Bell, tls: bool) -> None:
    with MqttBroker(tmp_path, login=("hill", "right"), tls=tls) as broker:
        wrong = link(broker, bell, password="wrong")
        with pytest.raises(MqttDown, match="refuses the account") as told:
            wrong.connect()
        assert told.value.slow, "a person must correct it"
        wrong.close()
        good = link(broker, bell)
        good.connect()
        good.publish("p/a", "1")
        good.publish("p/b", "2")
        good.publish("p/a", "")
        confirmed(good)
        assert retained(broker) == {"p/b": "2"}
        good.close(("p/link", "bye"))
        assert retained(broker) == {"p/b": "2", "p/link": "bye"}, "who takes leave leaves no will"
        assert "SUBSCRIBE" not in "\n".join(line for line in broker.log.splitlines() if "halfmark1" in line)


# The client leaves a socket whose handshake failed to the collector, which closes it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_a_certificate_nobody_vouches_for_is_refused(tmp_path: Path, bell: Bell) -> None:
    with MqttBroker(tmp_path, tls=True, address="127.0.0.2") as broker:
        for trusted in (False, True):  # one who knows the certificate finds another name on it
            other = link(broker, bell, host="127.0.0.2", trusted=trusted)
            with pytest.raises(MqttDown, match="certificate is not trusted") as told:
                other.connect()
            assert told.value.slow
            other.close()


def test_a_line_that_is_cut_leaves_the_will(tmp_path: Path, bell: Bell) -> None:
    with MqttBroker(tmp_path) as broker:
        cut = link(broker, bell)
        cut.connect()
        cut.publish("p/link", "online")
        confirmed(cut)
        assert retained(broker)["p/link"] == "online"
        cut.close()
        assert retained(broker)["p/link"] == "offline"


def test_a_broker_that_dies_is_noticed_at_once(tmp_path: Path, bell: Bell) -> None:
    with MqttBroker(tmp_path) as broker:
        up = link(broker, bell)
        up.connect()
        broker.stop(signal.SIGKILL)
        began_s = time.monotonic()
        with pytest.raises(MqttDown, match="connection was lost"):
            up.wait(LIMIT_S)
        assert time.monotonic() - began_s < LIMIT_S / 2.0
        up.close(("p/link", "bye"))


def test_a_broker_that_hangs_is_given_up(tmp_path: Path, bell: Bell) -> None:
    with MqttBroker(tmp_path) as broker:
        up = link(broker, bell)
        up.connect()
        broker.hold()
        up.publish("p/a", "1")
        with pytest.raises(MqttDown, match="did not confirm in time"):
            up.wait(LIMIT_S)
        up.close()
        other = link(broker, bell)
        with pytest.raises(MqttDown, match="did not welcome in time"):
            other.connect()
        other.close()


def test_nobody_there(tmp_path: Path, bell: Bell) -> None:
    broker = MqttBroker(tmp_path)  # never started
    with pytest.raises(MqttDown, match="refused") as told:
        link(broker, bell).connect()
    assert not told.value.slow


@pytest.mark.parametrize("said", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00", b"\xff" * 50, b"\x20\x00", b""])
def test_one_that_is_no_broker(bell: Bell, said: bytes) -> None:
    with socket.create_server(("127.0.0.1", free_port())) as server:

        def answer() -> None:
            channel, _ = server.accept()
            with channel:
                channel.recv(1000)
                channel.sendall(said)

        thread = threading.Thread(target=answer)
        thread.start()
        settings = Mqtt("127.0.0.1", server.getsockname()[1], "p", "none")
        other = MqttLink(settings, None, bell, client_id="x", will=WILL, clock=time.monotonic, answer_s=1.0)
        with pytest.raises(MqttDown):
            other.connect()
        other.close()
        thread.join(LIMIT_S)


def test_the_bell_ends_a_wait(tmp_path: Path, bell: Bell) -> None:
    with MqttBroker(tmp_path) as broker:
        up = link(broker, bell)
        up.connect()
        bell.ring()
        assert up.wait(LIMIT_S) is True
        up.close(("p/link", "bye"))


def test_without_the_package_the_extra_is_named(bell: Bell, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "paho.mqtt.client", None)  # Python's own way to say "not installed"
    with pytest.raises(ConfigError, match=r"halfmark\[mqtt\]"):
        MqttLink(Mqtt("b", 1, "p"), None, bell, client_id="x", will=WILL, clock=time.monotonic)
