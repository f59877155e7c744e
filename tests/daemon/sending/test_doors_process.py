"""`halfmark send` with open doors as it runs: a process of its own, a real broker, kills on both sides."""

import http.client
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics import parser

from daemon.sending import process
from daemon.sending.receipts import sending_state
from daemon.sending.wake import wake_send
from servers.door_rig import BOOT, DoorHill, a_standing
from servers.mail_sink import free_port
from servers.mqtt_broker import Listener, MqttBroker, retained
from servers.sites import write_secret, write_site

ROOT = Path(process.__file__).parents[2]
LIMIT_S = 30.0
PREFIX = "halfmark/test"
LOADED = """
import sys
from daemon.main import main
code = main(sys.argv[1:])
names = ("paho", "ssl", "http.client", "daemon.sending.mqtt", "daemon.sending.metrics", "daemon.sending.site_now",
         "http.server", "prometheus_client", "shared.open_metrics")
print("loaded", *(n for n in names if n in sys.modules))
sys.exit(code)
"""


class Sending:
    """The process, on the folder of a hill."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # As many seconds since boot as this machine has: the process reads the machine's own clock.
        self.hill = DoorHill(folder, now_s=time.clock_gettime(time.CLOCK_BOOTTIME))
        self.children: list[subprocess.Popen[str]] = []

    def configure(self, *, broker: MqttBroker | None = None, metrics: int | None = None) -> None:
        more = ""
        if broker is not None:
            more += f'\n[mqtt]\nserver = "127.0.0.1"\nport = {broker.port}\nsecurity = "none"\nprefix = "{PREFIX}"\n'
            if broker.login is not None:
                more += 'user = "hill"\nsecret = "mqtt-password"\n'
        if metrics is not None:
            more += f'\n[metrics]\nlisten = "127.0.0.1:{metrics}"\n'
        write_site(self.folder, more=more)

    def start(self, *more: str) -> subprocess.Popen[str]:
        (self.folder / "state" / "sockets").mkdir(exist_ok=True)
        arguments = ["send", str(self.folder / "site.toml"), "--state", str(self.folder / "state")]
        arguments += ["--secrets", str(self.folder / "secrets"), "--sending", str(self.folder / "sending"), *more]
        child = subprocess.Popen(
            [sys.executable, "-c", LOADED, *arguments], cwd=ROOT, env=os.environ | {"HALFMARK_BOOT_ID": BOOT},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.children.append(child)
        return child

    def end(self, child: subprocess.Popen[str], number: int | None = signal.SIGTERM) -> tuple[int, str, str]:
        if number is not None:
            child.send_signal(number)
        out, err = child.communicate(timeout=LIMIT_S)
        assert "Traceback" not in err
        return child.returncode, out, err

    def wake(self) -> None:
        assert wake_send(self.folder / "state" / "sockets")


@pytest.fixture
def sending(tmp_path: Path) -> Iterator[Sending]:
    sending = Sending(tmp_path)
    yield sending
    for child in sending.children:
        if child.poll() is None:
            child.kill()
        child.communicate()
    sending.hill.close()


def test_a_site_without_doors_loads_nothing_of_them(sending: Sending) -> None:
    sending.configure()
    code, out, _ = sending.end(sending.start("--once"), None)
    assert (code, out.split()) == (0, ["loaded"])
    state = sending_state(sending.folder / "sending")
    assert state is not None
    assert (state["mqtt"], state["metrics"]) == (None, None)


def test_once_leaves_everything_retained_and_says_offline(sending: Sending, tmp_path: Path) -> None:
    sending.hill.good_day()
    with MqttBroker(tmp_path / "broker") as broker:
        sending.configure(broker=broker)
        code, out, err = sending.end(sending.start("--once"), None)
        assert code == 0, err
        assert "paho" in out and "daemon.sending.metrics" not in out
        first = retained(broker)
        assert first[f"{PREFIX}/link"] == "offline"
        assert first[f"{PREFIX}/service"] == "running"
        assert first[f"{PREFIX}/quantity/bank_v"] == "13.204"
        assert json.loads(first[f"{PREFIX}/state"])["soc_frac"] == 0.624
        assert sending.end(sending.start("--once"), None)[0] == 0
        again = retained(broker)
        assert again.keys() == first.keys(), "told twice is told once"
    assert sending.end(sending.start("--once"), None)[0] == process.NOT_ALL, "with nobody there"


def test_killed_the_will_is_there_and_what_is_over_goes_with_the_next_one(sending: Sending, tmp_path: Path) -> None:
    sending.hill.good_day()
    sending.hill.raise_alerts(a_standing("bank-hot"))
    with MqttBroker(tmp_path / "broker") as broker, Listener(broker) as listener:
        sending.configure(broker=broker)
        child = sending.start()
        listener.until(lambda topics: f"{PREFIX}/alert/bank-hot" in topics and topics[f"{PREFIX}/link"] == "online")
        sending.hill.raise_alerts(a_standing("bank-hot"), a_standing("enclosure-hot", "urgent"))
        sending.wake()
        listener.until(lambda topics: f"{PREFIX}/alert/enclosure-hot" in topics)
        assert sending.end(child, signal.SIGKILL)[0] == -signal.SIGKILL
        listener.until(lambda topics: topics[f"{PREFIX}/link"] == "offline")
        sending.hill.raise_alerts(a_standing("enclosure-hot", "urgent"))
        child = sending.start()
        left = listener.until(lambda topics: f"{PREFIX}/alert/bank-hot" not in topics)
        assert f"{PREFIX}/alert/enclosure-hot" in left
        assert sending.end(child)[0] == 0
        assert listener.until(lambda topics: topics[f"{PREFIX}/link"] == "offline")
        state = sending_state(sending.folder / "sending")
        assert state is not None and isinstance(state["mqtt"], dict)
        assert state["mqtt"]["failing_since_s"] is None


def test_a_broker_that_comes_back_empty_is_filled_again(sending: Sending, tmp_path: Path) -> None:
    sending.hill.good_day()
    with MqttBroker(tmp_path / "broker", login=("hill", "right")) as broker:
        sending.configure(broker=broker)
        (sending.folder / "secrets").mkdir()
        write_secret(sending.folder, "mqtt-password", "right")
        child = sending.start()
        with Listener(broker) as listener:
            before = listener.until(lambda topics: f"{PREFIX}/quantity/soc_frac" in topics)
        broker.stop(signal.SIGKILL)
        broker.start()
        with Listener(broker) as listener:
            after = listener.until(lambda topics: before.keys() <= topics.keys())
            assert after[f"{PREFIX}/link"] == "online"
        assert sending.end(child)[0] == 0


def test_a_wrong_password_is_told_and_a_corrected_one_is_enough(sending: Sending, tmp_path: Path) -> None:
    sending.hill.good_day()
    with MqttBroker(tmp_path / "broker", login=("hill", "right")) as broker:
        sending.configure(broker=broker)
        (sending.folder / "secrets").mkdir()
        write_secret(sending.folder, "mqtt-password", "wrong")
        assert sending.end(sending.start("--once"), None)[0] == process.NOT_ALL
        state = sending_state(sending.folder / "sending")
        assert state is not None and isinstance(state["mqtt"], dict)
        assert "refuses the account" in state["mqtt"]["last_error"]
        assert "wrong" not in (sending.folder / "sending" / "sent.db").read_bytes().decode("latin-1")
        write_secret(sending.folder, "mqtt-password", "right")
        assert sending.end(sending.start("--once"), None)[0] == 0
        assert f"{PREFIX}/state" in retained(broker)


def test_metrics_of_the_running_process(sending: Sending) -> None:
    sending.hill.good_day()
    port = free_port()
    sending.configure(metrics=port)
    child = sending.start()
    text = _metrics(port)
    parse: Any = parser.text_string_to_metric_families
    found = {family.name: family for family in parse(text)}
    assert {sample.value for sample in found["halfmark_bank_volts"].samples} == {13.1, 13.204}
    state = sending_state(sending.folder / "sending")
    assert state is not None
    assert state["metrics"] == {"listen": f"127.0.0.1:{port}", "last_error": None}
    code, out, _ = sending.end(child)
    assert code == 0
    assert out.split() == ["loaded", "daemon.sending.metrics", "daemon.sending.site_now", "shared.open_metrics"]


def test_a_new_site_file_opens_and_shuts_doors(sending: Sending) -> None:
    port, other = free_port(), free_port()
    sending.configure(metrics=port)
    child = sending.start()
    _metrics(port)
    sending.configure(metrics=other)
    child.send_signal(signal.SIGHUP)
    _metrics(other)
    with pytest.raises(ConnectionRefusedError):
        http.client.HTTPConnection("127.0.0.1", port, timeout=LIMIT_S).connect()
    assert sending.end(child)[0] == 0


def _metrics(port: int) -> str:
    """Ask until somebody answers."""
    end_s = time.monotonic() + LIMIT_S
    while True:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LIMIT_S)
        try:
            connection.request("GET", "/metrics")
            answer = connection.getresponse()
            assert answer.status == 200
            return answer.read().decode()
        except ConnectionRefusedError:
            assert time.monotonic() < end_s
            os.sched_yield()
        finally:
            connection.close()
