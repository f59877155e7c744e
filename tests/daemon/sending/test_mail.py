import ssl
import threading
from collections.abc import Callable
from email.utils import parsedate_to_datetime

import pytest

from daemon.errors import ConfigError
from daemon.sending.mail import MailWay
from daemon.sending.ways import Letter
from servers.mail_sink import CERTIFICATE, MailSink, free_port
from shared.site import WayOut

UTC_S = 1_768_239_600.0  # 2026-01-12 17:40 UTC
TO = ("trustees@example.org", "oncall@example.org")


def a_letter(key: str = "0a1b-7-7200000", **parts: object) -> Letter:
    row: dict[str, object] = {
        "key": key,
        "alert": "below-half-mark",
        "state": "raised",
        "severity": "urgent",
        "utc_s": UTC_S,
        "site": "Cold Fork Ridge",
        "subject": "Cold Fork Ridge: URGENT: bank below its half mark, raised",
        "text": "First line\n.\n.. a line with dots\nlast line\n",
        "short": "Cold Fork Ridge URGENT",
    }
    return Letter(**(row | parts))  # type: ignore[arg-type]


def no_secret(name: str) -> str:
    raise AssertionError(f"asked for {name}")


def a_way(
    port: int,
    *,
    tell: Callable[[str], str] = no_secret,
    answer_s: float = 5.0,
    trusted: bool = True,
    wall_utc_s: float = UTC_S,
    **parts: object,
) -> MailWay:
    row: dict[str, object] = {"name": "group", "kind": "mail", "server": "localhost", "port": port, "to": TO}
    row |= {"security": "none", "sender": "halfmark@example.org"}
    tls = ssl.create_default_context(cafile=str(CERTIFICATE)) if trusted else None
    way = WayOut(**(row | parts))  # type: ignore[arg-type]
    return MailWay(way, secret=tell, answer_s=answer_s, tls=tls, wall_utc_s=lambda: wall_utc_s)


def test_a_letter_arrives_whole_with_the_headers_a_mail_needs() -> None:
    with MailSink() as sink:
        outcome = a_way(sink.port).send(a_letter(), TO)
        (letter,) = sink.wait(1)
    assert (outcome.taken, outcome.refused, outcome.later, outcome.broken) == (TO, {}, {}, None)
    assert (letter.sender, letter.to) == ("halfmark@example.org", TO)
    mail = letter.mail
    assert mail["From"] == "Cold Fork Ridge <halfmark@example.org>"
    assert mail["To"] == ", ".join(TO)
    assert mail["Subject"] == "Cold Fork Ridge: URGENT: bank below its half mark, raised"
    assert parsedate_to_datetime(mail["Date"]).timestamp() == UTC_S
    assert mail["Message-ID"].endswith("@example.org>")
    assert mail["Auto-Submitted"] == "auto-generated"
    assert letter.text == a_letter().text
    # RFC 5322 2.1.1: at most 998 octets a line, 78 wanted; RFC 5321 2.3.8: CR and LF only together.
    lines = letter.content.split(b"\r\n")
    assert max(map(len, lines)) <= 78
    assert not any(b"\r" in line or b"\n" in line for line in lines)


def test_the_message_id_tells_duplicates_from_others() -> None:
    def message_id(name: str, letter: Letter) -> str:
        return str(a_way(1, name=name).message(letter)["Message-ID"])

    one = message_id("group", a_letter())
    assert one == message_id("group", a_letter(utc_s=None, text="Other words\n"))
    others = {
        message_id("board", a_letter()),
        message_id("group", a_letter("k2")),
        message_id("group", a_letter(site="B")),
    }
    assert len({one, *others}) == 4


def test_text_beyond_ascii_arrives_as_written() -> None:
    letter = a_letter(site="Čerchov", subject="Čerchov: 45 °C", text="Teplota 45 °C\n" + "ž" * 300 + "\n")
    with MailSink() as sink:
        assert a_way(sink.port).send(letter, TO).taken == TO
        sunk = sink.wait(1)[0]
    assert sunk.content.isascii()
    assert sunk.text == letter.text
    assert sunk.mail["Subject"] == letter.subject
    assert max(map(len, sunk.content.split(b"\r\n"))) <= 78


def test_without_a_clock_the_date_is_left_to_the_server() -> None:
    assert a_way(1, wall_utc_s=86_400.0).message(a_letter(utc_s=None))["Date"] is None
    dated = a_way(1, wall_utc_s=UTC_S).message(a_letter(utc_s=None))
    assert parsedate_to_datetime(dated["Date"]).timestamp() == UTC_S


@pytest.mark.parametrize("hostile", [
    "Ridge\r\nBcc: all@example.com\r\n\r\nBody", "Ridge\nBcc: all@example.com", "\x1b[2J\x00\x07Ridge",
    'R" <all@example.com>, "', "=?utf-8?q?Ridge=0D=0ABcc:_all@example.com?=", "W" * 2000, "\u2028Bcc: x@example.com",
])  # fmt: skip
def test_no_name_reaches_the_headers(hostile: str) -> None:
    with MailSink() as sink:
        outcome = a_way(sink.port).send(a_letter(site=hostile, subject=hostile, key=hostile), TO)
        (letter,) = sink.wait(1)
    assert outcome.taken == TO
    assert letter.to == TO
    mail = letter.mail
    assert set(mail.keys()) == {
        "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Importance",
        "Content-Type", "Content-Transfer-Encoding", "MIME-Version",
    }  # fmt: skip
    (sender,) = mail["From"].addresses
    assert sender.addr_spec == "halfmark@example.org"
    head = letter.content.split(b"\r\n\r\n")[0]
    assert not any(byte < 32 for byte in head.replace(b"\r\n", b""))
    assert letter.text == a_letter().text


@pytest.mark.parametrize(
    "address", ["a@b\r\nRCPT TO:<c@d>", "no-at-sign", "a b@example.org", "<a@b>", "a@b@c", "ü@x.org"]
)
def test_what_is_no_address_never_reaches_the_server(address: str) -> None:
    with MailSink() as sink:
        outcome = a_way(sink.port, to=(address, TO[0])).send(a_letter(), (address, TO[0]))
        assert sink.wait(1)[0].to == (TO[0],)
        assert sink.wait(1)[0].mail["To"] == TO[0]
    assert outcome.taken == (TO[0],)
    assert set(outcome.refused) == {address}


def test_451_is_for_later_and_552_for_ever() -> None:
    with MailSink(answers=["451 try later", "552 too much mail", "250 OK"]) as sink:
        way = a_way(sink.port)
        put_off, refused, taken = (way.send(a_letter(), TO) for _ in range(3))
    assert (put_off.taken, put_off.refused, set(put_off.later), put_off.broken) == ((), {}, set(TO), None)
    assert "451 try later" in put_off.later[TO[0]]
    assert (refused.taken, set(refused.refused), refused.later, refused.broken) == ((), set(TO), {}, None)
    assert "552 too much mail" in refused.refused[TO[1]]
    assert taken.taken == TO


def test_each_recipient_has_its_own_fate() -> None:
    to = ("good@example.org", "later@example.org", "gone@example.org")
    answers = {"later@example.org": "450 busy", "gone@example.org": "550 nobody\x1b[2J here"}
    with MailSink(recipient_answers=answers) as sink:
        outcome = a_way(sink.port, to=to).send(a_letter(), to)
        assert sink.wait(1)[0].to == ("good@example.org",)
    assert outcome.taken == ("good@example.org",)
    assert set(outcome.later) == {"later@example.org"}
    assert outcome.refused == {"gone@example.org": "recipient refused: 550 nobody [2J here"}


def test_closing_in_the_middle_is_the_way_s_trouble() -> None:
    with MailSink(recipient_answers={TO[0]: "421 shutting down"}) as sink:
        outcome = a_way(sink.port).send(a_letter(), TO)
        assert sink.letters == []
    assert outcome.broken is not None and "421" in outcome.broken
    assert (outcome.taken, outcome.refused) == ((), {})


def test_a_wrong_password_is_the_way_s_trouble_and_a_corrected_one_needs_no_restart() -> None:
    passwords = ["wrong", "right"]
    with MailSink(login=("ridge", "right")) as sink:
        way = a_way(sink.port, user="ridge", secret="mail-password", tell=lambda name: passwords.pop(0))
        first, second = way.send(a_letter(), TO), way.send(a_letter(), TO)
        assert sink.logins[0] == ("ridge", "wrong")
        assert [letter.user for letter in sink.wait(1)] == ["ridge"]
    assert first.broken is not None and "535" in first.broken
    assert "wrong" not in first.broken, "no part of a secret in a message"
    assert (first.taken, first.refused) == ((), {})
    assert second.taken == TO


def test_a_secret_that_can_t_be_read_is_the_way_s_trouble() -> None:
    def tell(name: str) -> str:
        raise ConfigError.of(f"secrets/{name}", "does not exist")

    outcome = a_way(1, secret="mail-password", tell=tell).send(a_letter(), TO)
    assert outcome.broken is not None and "secrets/mail-password" in outcome.broken


def test_a_server_that_asks_for_a_login_gets_no_letter_without_one() -> None:
    with MailSink(login=("ridge", "right")) as sink:
        outcome = a_way(sink.port).send(a_letter(), TO)
        assert sink.letters == []
    assert outcome.broken is not None and "530" in outcome.broken


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_login_and_letter_go_over_tls(security: str) -> None:
    with MailSink(login=("ridge", "right"), security=security) as sink:
        way = a_way(sink.port, security=security, user="ridge", secret="p", tell=lambda name: "right")
        assert way.send(a_letter(), TO).taken == TO
        assert sink.wait(1)[0].tls


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_nobody_vouches_for_gets_neither_password_nor_letter(security: str) -> None:
    with MailSink(login=("ridge", "right"), security=security) as sink:
        way = a_way(sink.port, security=security, secret="p", tell=lambda name: "right", trusted=False)
        outcome = way.send(a_letter(), TO)
        assert (sink.logins, sink.letters) == ([], [])
    assert outcome.broken is not None and "certificate" in outcome.broken.lower()


def test_a_certificate_for_another_name_is_refused() -> None:
    # 127.0.0.2 is loopback as well, and not in the certificate.
    with MailSink(security="starttls", host="127.0.0.2") as sink:
        outcome = a_way(sink.port, server="127.0.0.2", security="starttls").send(a_letter(), TO)
        assert sink.letters == []
    assert outcome.broken is not None and "127.0.0.2" in outcome.broken


def test_a_server_without_starttls_gets_neither_password_nor_letter() -> None:
    with MailSink() as sink:
        way = a_way(sink.port, security="starttls", secret="p", tell=lambda name: "right")
        outcome = way.send(a_letter(), TO)
        assert (sink.logins, sink.letters) == ([], [])
    assert outcome.broken is not None and "STARTTLS" in outcome.broken


def test_a_server_that_stalls_is_given_up_after_its_time() -> None:
    with MailSink(stalls=True) as sink:
        outcome = a_way(sink.port, answer_s=0.2).send(a_letter(), TO)
        assert len(sink.wait(1, taken=False)) == 1
    assert outcome.broken is not None and "timed out" in outcome.broken
    assert (outcome.taken, outcome.refused) == ((), {})


def test_a_hand_over_that_hangs_can_be_cut_short() -> None:
    outcomes = []
    with MailSink(stalls=True) as sink:
        way = a_way(sink.port, answer_s=60.0)
        thread = threading.Thread(target=lambda: outcomes.append(way.send(a_letter(), TO)))
        thread.start()
        sink.wait(1, taken=False)
        way.abort()
        thread.join(10.0)
        assert not thread.is_alive()
    assert outcomes[0].broken is not None
    way.abort()  # with nothing under way it does nothing


def test_nobody_listening_is_the_way_s_trouble_until_somebody_does() -> None:
    port = free_port()
    way = a_way(port)
    refused = way.send(a_letter(), TO)
    assert refused.broken is not None and "refused" in refused.broken
    with MailSink(port=port) as sink:
        assert way.send(a_letter(), TO).taken == TO
        sink.wait(1)


def test_the_sender_is_always_an_address() -> None:
    def sender(**parts: str | None) -> str:
        row: dict[str, str | None] = {"name": "group", "kind": "mail", "server": "mail.example.org"}
        way = MailWay(WayOut(**(row | parts)), secret=no_secret)  # type: ignore[arg-type]
        (found,) = way.message(a_letter())["From"].addresses
        return str(found.addr_spec)

    assert sender(sender="halfmark@example.org") == "halfmark@example.org"
    assert sender(user="ridge@example.net") == "ridge@example.net"
    assert sender(user="ridge") == "halfmark@mail.example.org"
    assert sender(sender="x\r\ny", server="[::1]") == "halfmark@localhost"
