"""The metrics of a site, read back by the strict parser of prometheus_client, and the server that gives them out."""

import http.client
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics import parser

from daemon.errors import StoreError
from daemon.sending.bell import Bell
from daemon.sending.metrics import families, family_name
from daemon.sending.metrics_server import CLIENTS_MOST, HEAD_MOST, MetricsServer, is_here
from servers.door_rig import SITE, DoorHill, a_standing
from servers.mail_sink import free_port
from shared.open_metrics import CONTENT_TYPE, exposition
from shared.quantities import QUANTITIES

LIMIT_S = 10.0


def read(text: str) -> dict[str, Any]:
    parse: Any = parser.text_string_to_metric_families
    return {family.name: family for family in parse(text)}


@pytest.fixture
def hill(tmp_path: Path) -> Iterator[DoorHill]:
    hill = DoorHill(tmp_path)
    yield hill
    hill.close()


def values(family: Any) -> dict[tuple[str, ...], float]:
    """Values by labels, the site's own left out."""
    assert all(sample.labels["site"] == SITE for sample in family.samples)
    return {
        tuple(text for name, text in sample.labels.items() if name != "site"): sample.value
        for sample in family.samples
    }  # fmt: skip


def test_a_good_day_as_a_strict_reader_has_it(hill: DoorHill) -> None:
    hill.good_day()
    hill.raise_alerts(a_standing("bank-hot"), a_standing('x"\n\\', "urgent", acked_by="N0CALL"))
    found = read(exposition(families(SITE, hill.look())))
    assert values(found["halfmark_bank_volts"]) == {("controller",): 13.1, ("shunt",): 13.204}
    assert found["halfmark_bank_volts"].unit == "volts"
    assert values(found["halfmark_bank_amperes"]) == {("shunt",): -0.512}
    assert values(found["halfmark_bank_counter_ampere_hours"]) == {("shunt",): -3.25}
    assert values(found["halfmark_enclosure_humidity_ratio"]) == {("shunt",): pytest.approx(0.41)}
    assert values(found["halfmark_door_open"]) == {("shunt",): 0.0}
    assert values(found["halfmark_state_of_charge_ratio"]) == {(): 0.624}
    assert values(found["halfmark_reserve_ampere_hours"]) == {(): 2.976}
    assert values(found["halfmark_running"]) == {(): 1.0}
    assert values(found["halfmark_alerts"]) == {("advice",): 0.0, ("act",): 1.0, ("urgent",): 1.0}
    assert values(found["halfmark_alert_standing"]) == {
        ("bank-hot", "act", "no"): 1.0, ('x"\n\\', "urgent", "yes"): 1.0,
    }  # fmt: skip
    asked = found["halfmark_instrument_questions"]
    assert (asked.type, [sample.name for sample in asked.samples]) == (
        "counter",
        ["halfmark_instrument_questions_total"],
    )
    assert values(found["halfmark_instrument_failures"])[("shunt", "garbled")] == 3.0
    assert values(found["halfmark_reading_age_seconds"])[("controller",)] == 3.0


def test_what_is_not_known_is_not_there(hill: DoorHill) -> None:
    assert set(read(exposition(families(SITE, hill.look())))) == {"halfmark_running", "halfmark_alerts"}
    hill.good_day()
    hill.raise_alerts(a_standing("bank-hot"))
    hill.now_s += 1000.0
    found = read(exposition(families(SITE, hill.look())))
    assert set(found) == {"halfmark_running", "halfmark_alerts", "halfmark_alert_standing"}
    assert values(found["halfmark_running"]) == {(): 0.0}


def test_every_quantity_has_a_family_of_its_own_in_a_base_unit() -> None:
    made = {name: family_name(quantity) for name, quantity in QUANTITIES.items()}
    assert len({name for name, _ in made.values()}) == len(made)
    # Base units as the format's own list has them: seconds, celsius, volts, amperes, ratio; the others by their names.
    known = {"volts", "amperes", "watts", "ampere_hours", "watt_hours", "celsius", "ratio", "ohms", "seconds", ""}
    assert {unit for _, unit in made.values()} <= known
    assert all(QUANTITIES[name].unit == "" or unit for name, (_, unit) in made.items()), "none without its unit"


# -- the server --------------------------------------------------------------------------------


class Served:
    """A server at work on a thread of its own."""

    def __init__(self, text: Callable[[], str] = lambda: "# EOF\n", *, port: int = 0, client_s: float = 5.0) -> None:
        self.made = 0
        self.told: list[str | None] = []
        self._text = text
        self._bell = Bell()
        self._stop = False
        self.server = MetricsServer(
            ("127.0.0.1", port), self._count, self._bell, client_s=client_s, told=self.told.append
        )
        self.server.turn()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _count(self) -> str:
        self.made += 1
        return self._text()

    def _work(self) -> None:
        while not self._stop:
            self.server.wait(self.server.turn())

    def __enter__(self) -> "Served":
        return self

    def __exit__(self, *told: object) -> None:
        self._stop = True
        self._bell.ring()
        self._thread.join(LIMIT_S)
        assert not self._thread.is_alive()
        self.server.close()
        self._bell.close()

    def ask(
        self, path: str = "/metrics", method: str = "GET", **headers: str
    ) -> tuple[http.client.HTTPResponse, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=LIMIT_S)
        try:
            connection.request(method, path, headers=headers)
            answer = connection.getresponse()
            return answer, answer.read()
        finally:
            connection.close()

    def connect(self) -> socket.socket:
        assert self.server.port is not None
        return socket.create_connection(("127.0.0.1", self.server.port), LIMIT_S)

    def raw(self, asked: bytes) -> bytes:
        """Send bytes and read all that comes back."""
        with self.connect() as channel:
            channel.sendall(asked)
            return b"".join(iter(lambda: channel.recv(65_536), b""))


def test_what_it_gives_out_and_as_what() -> None:
    with Served(lambda: '# TYPE a gauge\n# HELP a ä\na{site="ü"} 1\n# EOF\n') as served:
        answer, body = served.ask()
        assert (answer.status, answer.headers["Content-Type"]) == (200, CONTENT_TYPE)
        # OpenMetrics 1.0: the content type, word for word.
        assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        assert int(answer.headers["Content-Length"]) == len(body)
        assert body.decode().endswith("# EOF\n") and 'site="ü"' in body.decode()
        head, nothing = served.ask(method="HEAD")
        assert (head.status, nothing) == (200, b"")
        assert served.ask("/metrics?name=a")[0].status == 200
        assert served.made == 1, "a text a second old at the most is given out again"


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        (b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", 404),
        (b"GET /metricsx HTTP/1.1\r\n\r\n", 404),
        (b"POST /metrics HTTP/1.1\r\nHost: 127.0.0.1:1\r\nContent-Length: 0\r\n\r\n", 405),
        (b"GET /metrics HTTP/1.1\r\nHost: evil.example.org\r\n\r\n", 403),
        (b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1.example.org:80\r\n\r\n", 403),
        (b"GET /metrics HTTP/1.1\r\nHost: localhost\r\nhost: evil.example.org\r\n\r\n", 403),
        (b"GET /metrics HTTP/1.1\r\nHost: localhost:7412\r\n\r\n", 200),
        (b"GET /metrics HTTP/1.0\r\n\r\n", 200),
        (b"GET /metrics\r\n\r\n", 400),
        (b"\x16\x03\x01\x00\xff\x00\r\n\r\n", 400),
        (b"GET /metrics HTTP/1.1\r\nX: " + b"x" * HEAD_MOST, 431),
    ],
)
def test_what_is_refused(asked: bytes, status: int) -> None:
    with Served() as served:
        assert served.raw(asked).startswith(f"HTTP/1.1 {status} ".encode())
        assert served.ask()[0].status == 200, "and the next one is served"


def test_who_asks_slowly_is_cut_off_and_nobody_waits_for_him() -> None:
    with Served(client_s=0.3) as served, served.connect() as slow:
        slow.sendall(b"GET /metrics HTTP/1.1\r\n")
        assert served.ask()[0].status == 200
        assert slow.recv(10) == b"", "hung up on, without an answer"


def test_more_clients_than_it_bears_push_out_the_oldest() -> None:
    with Served(client_s=60.0) as served:
        many = [served.connect() for _ in range(CLIENTS_MOST + 3)]
        try:
            assert served.ask()[0].status == 200
            assert many[0].recv(10) == b""
        finally:
            for channel in many:
                channel.close()


def test_a_long_answer_to_one_who_reads_late_arrives_whole() -> None:
    long = "# EOF\n" * 700_000
    with Served(lambda: long) as served, served.connect() as late:
        late.sendall(b"GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert served.ask()[0].status == 200
        came = b"".join(iter(lambda: late.recv(65_536), b""))
        assert came.endswith(b"\r\n\r\n" + long.encode())


def test_a_record_that_can_t_be_read_is_told_and_comes_back() -> None:
    answers: list[str | StoreError] = [StoreError("disk gone"), "# EOF\n"]

    def text() -> str:
        found = answers.pop(0)
        if isinstance(found, StoreError):
            raise found
        return found

    with Served(text) as served:
        assert served.ask()[0].status == 503
        assert served.ask()[0].status == 200


def test_a_port_that_is_taken_is_told_and_tried_again() -> None:
    now_s, told = [0.0], list[str | None]()
    bell = Bell()
    with socket.create_server(("127.0.0.1", free_port())) as taken:
        place = ("127.0.0.1", taken.getsockname()[1])
        server = MetricsServer(place, str, bell, clock=lambda: now_s[0], told=told.append)
        waits = []
        for _ in range(8):
            waits.append(server.turn() - now_s[0])
            now_s[0] += waits[-1]
        assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0, 300.0]
        assert told[0] is not None and "in use" in told[0]
    server.turn()
    assert (server.port, told[-1]) == (place[1], None)
    server.close()
    bell.close()


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:80", "127.0.0.1", "127.9.9.9:7412", "[::1]", "[::1]:7412"])
def test_names_of_this_computer(host: str) -> None:
    assert is_here(host)


@pytest.mark.parametrize(
    "host", ["", "example.org", "localhost.example.org", "127.0.0.1.example.org", "[::2]:1", "::1"]
)
def test_names_of_others(host: str) -> None:
    assert not is_here(host)
