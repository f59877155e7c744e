"""The real client against a web server that does what the test says, and against a real time-series server."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.record import Batch
from daemon.sending import process
from daemon.sending.central_link import CentralDown, CentralLink, CentralRefused
from servers.central_rig import START_UTC_S, Hill, times
from servers.http_post import Answer, Post, PostServer
from servers.line_protocol_server import LineProtocolServer
from servers.mail_sink import free_port
from shared.readings import Reading
from shared.site import Central

ROOT = Path(process.__file__).parents[2]
LINE = r"halfmark,instrument=shunt,site=Cold\ Fork bank_v=13.2 1780000000000"


def a_link(url: str, answer_s: float = 5.0) -> CentralLink:
    return CentralLink(Central(url, "the hill", "sites"), "t0ken", answer_s=answer_s)


def post(answer: Answer, answer_s: float = 5.0) -> Post:
    with PostServer([answer]) as server:
        link = a_link(server.url, answer_s)
        try:
            link.post([LINE] * 3)
        finally:
            link.close()
        return server.posts[0]


def test_what_a_post_looks_like() -> None:
    got = post(Answer(204))
    assert got.path == "/api/v2/write"
    assert got.query == {"org": ["the hill"], "bucket": ["sites"], "precision": ["ms"]}
    assert got.headers["authorization"] == "Token t0ken"
    assert got.headers["content-encoding"] == "gzip"
    assert got.lines == [LINE] * 3


@pytest.mark.parametrize("status", [301, 307, 400, 401, 403, 404, 413, 422, 429, 500, 503])
def test_a_refusal_carries_status_words_and_the_time_asked_for(status: int) -> None:
    headers = {"Retry-After": "70", "Location": "http://192.0.2.1/"} if status != 500 else {}
    with pytest.raises(CentralRefused) as told:
        post(Answer(status, headers, b'{"message":"no\r\nsuch\x1b[2J"}'))
    assert told.value.status == status
    assert told.value.wait_s == (70.0 if status != 500 else None)
    assert str(told.value).startswith(str(status))
    assert str(told.value).isprintable()


def test_no_redirect_is_followed_with_the_token() -> None:
    with PostServer() as other, PostServer([Answer(308, {"Location": f"{other.url}/x"})] * 2) as server:
        with pytest.raises(CentralRefused, match="redirects are not followed"):
            a_link(server.url).post([LINE])
        assert (len(server.posts), other.posts) == (1, [])


def test_silence_a_closed_connection_and_nobody_at_all_are_told_apart() -> None:
    with pytest.raises(CentralDown, match="in time") as told:
        post(Answer(does="hang"), answer_s=0.2)
    assert told.value.hung
    with pytest.raises(CentralDown) as told:
        post(Answer(does="close"))
    assert not told.value.hung
    with pytest.raises(CentralDown, match="refused") as told:
        a_link(f"http://127.0.0.1:{free_port()}").post([LINE])
    assert not told.value.hung
    assert "object at" not in str(told.value)
    with PostServer(tls=True) as server, pytest.raises(CentralDown, match="(?i)certificate"):
        a_link(server.url).post([LINE])


def test_the_client_is_loaded_without_what_a_writer_never_uses() -> None:
    code = (
        "import sys, resource\n"
        "from daemon.sending.central_link import load_client\n"
        "package = load_client()\n"
        "hollow = [n for n, m in sys.modules.items() if type(m).__name__ == '_HollowModule']\n"
        "print(len(hollow) > 300, 'numpy' in sys.modules, package.InfluxDBClient.__name__)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False", "InfluxDBClient"]
    assert "loading all of it" not in done.stderr


def test_another_make_of_the_client_is_loaded_whole() -> None:
    code = (
        "import sys\n"
        "from daemon.sending import central_link\n"
        "central_link._WHOLE = ()\n"  # as if it needed one of the classes left out while it is loaded
        "package = central_link.load_client()\n"
        "hollow = [n for n, m in sys.modules.items() if type(m).__name__ == '_HollowModule']\n"
        "print(len(hollow), package.InfluxDBClient.__name__, sys.meta_path[0].__class__.__name__ == '_HollowFinder')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "InfluxDBClient", "False"]


# -- the whole copy, over HTTP -----------------------------------------------------------------


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LineProtocolServer]:
    with LineProtocolServer(tmp_path_factory.mktemp("store"), deduplicates=False) as server:
        yield server


def copied(server: LineProtocolServer) -> list[tuple[int, float]]:
    """What the real server has of bank_v, as (seconds since the start, V)."""
    points = [point for series in server.export("halfmark", "bank_v").values() for point in series]
    return [(round(ms / 1000.0 - START_UTC_S), value) for ms, value in sorted(points)]


def expected(count: int) -> list[tuple[int, float]]:
    return [(s, round(12.0 + s / 1000.0, 3)) for s in range(count)]


def test_an_outage_with_a_restart_in_the_middle_is_complete_at_the_real_server(tmp_path: Path) -> None:
    server = LineProtocolServer(tmp_path / "server")
    hill = Hill(tmp_path, server.url)
    hill.grow(0, 3000, each=50)
    assert hill.turn() == 5.0, "nobody there yet"
    with server:
        hill.turn()
        hill.grow(3000, 3000, each=50)
        server.stop()
        assert hill.turn() == 5.0
        server.start()
        hill.turn()
        hill.grow(6000, 1000, each=50)
        server.hold()
        hill.answer_s = 0.3
        hill.kill()
        assert hill.turn() == 5.0
        server.go_on()
        hill.turn()
        assert copied(server) == expected(7000)
        (key,) = server.export("halfmark", "bank_v")
        assert key[1] == (("instrument", "shunt"), ("site", "Cold Fork Ridge"))
    hill.close()


def test_what_is_not_interrupted_is_never_sent_twice(tmp_path: Path, store: LineProtocolServer) -> None:
    """A server that keeps doubled points shows them."""
    hill = Hill(tmp_path, store.url)
    for start in range(0, 5000, 1000):
        hill.grow(start, 1000, each=50)
        hill.turn()
        hill.close()
        hill.record = hill.open_record("c0" * 16, start + 1000.0)
        hill.begin()
    assert copied(store) == expected(5000)
    hill.close()


def test_every_kind_of_answer_in_a_row_and_nothing_is_lost(tmp_path: Path) -> None:
    taken: list[str] = []
    answers = [
        Answer(503, {"Retry-After": "30"}),
        Answer(429),
        Answer(401),
        Answer(500),
        Answer(does="close"),
        Answer(413),
        Answer(404),
        Answer(does="hang"),
    ]

    def judge(got: Post) -> Answer:
        if any(line.endswith(" 1780000000777") for line in got.lines):
            return Answer(400, body=b'{"code":"invalid","message":"unable to parse"}')
        taken.extend(got.lines)
        return Answer(204)

    with PostServer(answers, judge) as server:
        hill = Hill(tmp_path, server.url)
        hill.answer_s = 0.3
        hill.begin()
        hill.grow(0, 1000, each=50)
        hill.record.commit(_poison())
        for at in range(12):
            hill.grow(1000 + 10 * at, 10)
            hill.turn(700.0)
        assert server.answers == []
        assert sorted(times(list(dict.fromkeys(taken)))) == list(range(1120))
        assert (hill.memory.aside_count, hill.state()["waiting_commits"]) == (1, 0)
        hill.close()


def _poison() -> Batch:
    return Batch(readings=[Reading("shunt", 0.777, {"bank_v": 1.0})], until_s=1000.0)
