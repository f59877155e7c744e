import json
import ssl
import threading
from collections.abc import Callable

import pytest

from daemon.errors import ConfigError
from daemon.sending.retry_after import RETRY_AFTER_MOST_S, wait_of
from daemon.sending.ways import Letter, Outcome
from daemon.sending.webhook import WebhookWay
from servers.http_post import CERTIFICATE, Answer, Post, PostServer
from servers.letters import HOSTILE, UTC_S, a_letter, hostile_letter
from servers.mail_sink import free_port
from shared.site import WayOut

TO = ("localhost",)


def a_way(url: str, *, tell: Callable[[str], str] = lambda name: "t0ken", trusted: bool = True, answer_s: float = 5.0,
          **parts: object) -> WebhookWay:  # fmt: skip
    way = WayOut("board", "webhook", url=url, **parts)  # type: ignore[arg-type]
    tls = ssl.create_default_context(cafile=str(CERTIFICATE)) if trusted else None
    return WebhookWay(way, secret=tell, tls=tls, answer_s=answer_s)


def sent(*answers: Answer, letter: Letter | None = None, **parts: object) -> tuple[Outcome, list[Post]]:
    with PostServer(list(answers)) as server:
        way = a_way(f"{server.url}/in?room=1", **parts)  # type: ignore[arg-type]
        outcome = way.send(letter or a_letter(), way.recipients)
        return outcome, server.posts


def test_the_letter_arrives_whole_as_json() -> None:
    outcome, (post,) = sent(Answer(200, body=b"ok"))
    assert (outcome.taken, outcome.refused, outcome.later, outcome.broken) == (TO, {}, {}, None)
    assert (post.path, post.query) == ("/in", {"room": ["1"]})
    assert post.headers["content-type"] == "application/json"
    assert "authorization" not in post.headers
    assert json.loads(post.body) == {
        "key": "0a1b-7-7200000",
        "site": "Cold Fork Ridge",
        "alert": "below-half-mark",
        "state": "raised",
        "severity": "urgent",
        "utc": "2026-01-12T17:40:00+00:00",
        "subject": "Cold Fork Ridge: URGENT: bank below its half mark, raised",
        "text": "Site:     Cold Fork Ridge\n\nlast line\n",
        "short": "Cold Fork Ridge URGENT",
    }
    assert UTC_S == 1_768_239_600.0


def test_without_a_trusted_clock_there_is_no_time() -> None:
    for utc_s in (None, float("inf"), 1e18):
        _, (post,) = sent(letter=a_letter(utc_s=utc_s))
        assert json.loads(post.body)["utc"] is None


def test_every_try_of_a_letter_carries_the_same_key_and_no_other_does() -> None:
    def key(letter: Letter) -> str:
        return sent(letter=letter)[1][0].headers["idempotency-key"]

    assert key(a_letter()) == key(a_letter(text="other words"))
    assert len({key(a_letter()), key(a_letter("k2")), key(a_letter(site="B"))}) == 3


def test_the_secret_is_a_bearer_header_and_nowhere_else() -> None:
    outcome, (post,) = sent(secret="board-token")
    assert outcome.taken == TO
    assert post.headers.pop("authorization") == "Bearer t0ken"
    assert "t0ken" not in f"{post.headers}{post.body!r}{post.path}{post.query}"


@pytest.mark.parametrize("secret", ["tökén", "a\r\nX-Evil: 1", "\u2603"])
def test_a_secret_no_header_can_carry_is_never_sent(secret: str) -> None:
    outcome, posts = sent(secret="board-token", tell=lambda name: secret)
    assert posts == []
    assert "board-token" in (outcome.broken or "")
    assert secret not in (outcome.broken or "")


def test_a_missing_secret_is_told() -> None:
    def tell(name: str) -> str:
        raise ConfigError.of(name, "does not exist")

    outcome, posts = sent(secret="board-token", tell=tell)
    assert (posts, outcome.broken) == ([], "board-token: does not exist")


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_two_hundreds_are_taken(status: int) -> None:
    assert sent(Answer(status))[0].taken == TO


@pytest.mark.parametrize("status", [400, 405, 409, 410, 413, 415, 422])
def test_what_speaks_against_the_letter_is_final(status: int) -> None:
    outcome, _ = sent(Answer(status, body=b"no\r\nsuch\x1b[2J field"))
    assert list(outcome.refused) == ["localhost"]
    assert outcome.refused["localhost"].startswith(str(status))
    assert outcome.refused["localhost"].isprintable()


@pytest.mark.parametrize("status", [408, 425, 500, 501])
def test_what_may_pass_is_tried_again(status: int) -> None:
    outcome, _ = sent(Answer(status))
    assert (outcome.taken, outcome.refused, outcome.broken) == ((), {}, None)
    assert outcome.later["localhost"].startswith(str(status))


@pytest.mark.parametrize("status", [401, 403, 404, 407, 429, 502, 503, 504])
def test_what_speaks_against_the_way_keeps_the_letter(status: int) -> None:
    outcome, _ = sent(Answer(status, {"Retry-After": "120"}))
    assert (outcome.refused, outcome.later, outcome.wait_s) == ({}, {}, 120.0)
    assert str(status) in (outcome.broken or "")


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_no_redirect_is_followed(status: int) -> None:
    with PostServer() as other:
        outcome, posts = sent(Answer(status, {"Location": f"{other.url}/trap"}), secret="board-token")
        assert other.posts == []
    assert len(posts) == 1
    assert f"{other.url}/trap" in (outcome.broken or "")


@pytest.mark.parametrize("does", ["hang", "close"])
def test_a_server_that_says_nothing_is_given_up(does: str) -> None:
    outcome, posts = sent(Answer(does=does), answer_s=0.2)
    assert len(posts) == 1
    assert outcome.broken
    assert outcome.taken == ()


def test_an_answer_cut_short_after_its_status_is_still_taken() -> None:
    assert sent(Answer(200, body=b"x", does="cut"))[0].taken == TO


def test_nobody_there_is_told() -> None:
    assert "refused" in (a_way(f"http://localhost:{free_port()}/").send(a_letter(), TO).broken or "")


def test_a_certificate_is_verified() -> None:
    with PostServer(tls=True) as server:
        assert a_way(server.url).send(a_letter(), TO).taken == TO
        stranger = a_way(server.url, trusted=False).send(a_letter(), TO)
        assert len(server.posts) == 1
    assert "certificate" in (stranger.broken or "").lower()


def test_abort_ends_a_post_that_hangs() -> None:
    with PostServer([Answer(does="hang")]) as server:
        way = a_way(server.url, answer_s=30.0)
        outcomes: list[Outcome] = []
        thread = threading.Thread(target=lambda: outcomes.append(way.send(a_letter(), TO)))
        thread.start()
        server.wait(1)
        way.abort()
        thread.join(10.0)
        assert outcomes[0].broken


@pytest.mark.parametrize("text", HOSTILE)
def test_no_name_reaches_the_headers_and_no_control_byte_the_fields(text: str) -> None:
    outcome, (post,) = sent(letter=hostile_letter(text))
    assert outcome.taken == TO
    assert set(post.headers) == {
        "accept-encoding", "content-length", "content-type", "host", "idempotency-key", "user-agent",
    }  # fmt: skip
    fields = json.loads(post.body)
    assert all(value is None or value.replace("\n", "").isprintable() for value in fields.values())
    assert all("\n" not in (value or "") for name, value in fields.items() if name != "text")


@pytest.mark.parametrize("url", ["", "ftp://a.example.org/", "http://", "http://[x/", "http://localhost:99999/"])
def test_an_address_that_is_none_is_told(url: str) -> None:
    assert a_way(url).send(a_letter(), TO).broken


def test_retry_after_in_both_its_forms() -> None:
    # RFC 9110, 10.2.3 gives "120" and "Fri, 31 Dec 1999 23:59:59 GMT" (946684799 s since 1970).
    assert wait_of("120") == 120.0
    assert wait_of("Fri, 31 Dec 1999 23:59:59 GMT", lambda: 946_684_789.0) == 10.0
    assert wait_of("Fri, 31 Dec 1999 23:59:59 GMT", lambda: 946_684_800.0) == 0.0
    assert wait_of("999999") == RETRY_AFTER_MOST_S
    for text in (None, "", "soon", "-5", "1e9", "Fri, 99 Dec 1999"):
        assert wait_of(text) is None
