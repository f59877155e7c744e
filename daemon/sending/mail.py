"""Hands a letter to a mail server: SMTP (RFC 5321), STARTTLS or TLS, with or without an account.

A refusal of the letter (5yz to a recipient or to the text) is final and told apart from a way that
does not work (no connection, a wrong password, 4yz), which is tried again. smtplib and ssl are imported
with this module, and this module only when a site has a way out by mail.
"""

import hashlib
import smtplib
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime

from daemon.errors import ConfigError
from daemon.sending.ways import Letter, Outcome
from shared.notices import plain
from shared.site import WayOut

PORTS = {"starttls": 587, "tls": 465, "none": 25}
ANSWER_S = 30.0  # for the connection and for each answer
REPLY_MOST = 160  # characters of a server's answer that are kept
GREETING_NAME = "[127.0.0.1]"  # an address literal; asking for our own name can hang without a name server
# A system clock before this is not set; a mail without a date gets one from the server that takes it.
CLOCK_LEAST_UTC_S = datetime(2025, 1, 1, tzinfo=UTC).timestamp()


class MailWay:
    """One [way-out.NAME] of kind mail."""

    def __init__(
        self,
        way: WayOut,
        *,
        secret: Callable[[str], str],
        answer_s: float = ANSWER_S,
        tls: ssl.SSLContext | None = None,
        wall_utc_s: Callable[[], float] = time.time,
    ) -> None:
        """Take the way's settings; nothing is opened before the first letter.

        Args:
            way: of kind mail, with server and recipients.
            secret: gives the content of a named secret, or raises ConfigError; asked at each try, so that a
                corrected password needs no restart.
            answer_s: how long the connection and each answer may take, s.
            tls: whom to trust; None for the system's authorities.
            wall_utc_s: the wall clock, for the Date of a letter that has none.
        """
        self.name = way.name
        self.least = way.least
        self.recipients = way.to
        self._way = way
        self._secret = secret
        self._answer_s = answer_s
        self._tls = tls
        self._wall_utc_s = wall_utc_s
        self._sender = _sender(way)
        self._open: smtplib.SMTP | None = None

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        """Hand the letter over to those in `to`, in one connection."""
        bad = {who: "not a mail address: one name, one @, ASCII, no blank" for who in to if not _is_address(who)}
        good = [who for who in to if who not in bad]
        if not good:
            return Outcome(refused=bad)
        try:
            server = self._connect()
        except (OSError, ValueError, ConfigError) as why:
            return Outcome(refused=bad, broken=_reason(why))
        try:
            outcome = self._hand_over(server, letter, good)
            return Outcome(outcome.taken, {**bad, **outcome.refused}, outcome.later, outcome.broken)
        except (OSError, ValueError) as why:
            return Outcome(refused=bad, broken=_reason(why))
        finally:
            self._hang_up(server)

    def abort(self) -> None:
        """Shut the connection of a hanging `send`; its next read or write fails."""
        server = self._open
        channel = server.sock if server is not None else None
        if channel is not None:
            with suppress(OSError):
                channel.shutdown(socket.SHUT_RDWR)

    def _connect(self) -> smtplib.SMTP:
        way = self._way
        if way.server is None:
            raise ValueError(f"way-out.{way.name} names no server: add server = ...")
        password = self._secret(way.secret) if way.secret is not None else None
        port = way.port or PORTS[way.security]
        server = self._make(port)
        self._open = server
        try:
            code, reply = server.connect(way.server, port)
            if code != 220:
                raise smtplib.SMTPConnectError(code, reply)
            server.ehlo_or_helo_if_needed()
            if way.security == "starttls":
                server.starttls(context=self._context())
                server.ehlo_or_helo_if_needed()
            if password is not None:
                server.login(way.user or self._sender, password)
        except BaseException:
            self._hang_up(server)
            raise
        return server

    def _make(self, port: int) -> smtplib.SMTP:
        if self._way.security == "tls":
            made: smtplib.SMTP = smtplib.SMTP_SSL(
                local_hostname=GREETING_NAME, timeout=self._answer_s, context=self._context()
            )
        else:
            made = smtplib.SMTP(local_hostname=GREETING_NAME, timeout=self._answer_s)
        # Not given a host, smtplib does not connect yet; but it checks certificates against this name.
        made._host = self._way.server  # type: ignore[attr-defined]
        return made

    def _context(self) -> ssl.SSLContext:
        if self._tls is None:
            self._tls = ssl.create_default_context()
        return self._tls

    def _hand_over(self, server: smtplib.SMTP, letter: Letter, to: Sequence[str]) -> Outcome:
        code, reply = server.mail(self._sender)
        if code != 250:  # about the account, not about this letter
            return Outcome(broken=_answer("sender", code, reply))
        ready: list[str] = []
        refused: dict[str, str] = {}
        later: dict[str, str] = {}
        for who in to:
            code, reply = server.rcpt(who)
            if code in (250, 251, 252):
                ready.append(who)
            elif code == 421:
                return Outcome(refused=refused, later=later, broken=_answer("recipient", code, reply))
            else:
                (refused if code >= 500 else later)[who] = _answer("recipient", code, reply)
        if not ready:
            return Outcome(refused=refused, later=later)
        code, reply = self._data(server, letter)
        if code == 250:
            return Outcome(tuple(ready), refused, later)
        why = _answer("letter", code, reply)
        if code >= 500:
            return Outcome(refused={**refused, **dict.fromkeys(ready, why)}, later=later)
        return Outcome(refused=refused, later={**later, **dict.fromkeys(ready, why)})

    def _data(self, server: smtplib.SMTP, letter: Letter) -> tuple[int, bytes]:
        try:
            return server.data(self.message(letter).as_bytes(policy=SMTP_POLICY))
        except smtplib.SMTPDataError as why:  # the answer to the command itself was not "go ahead"
            reply = why.smtp_error
            return why.smtp_code, reply if isinstance(reply, bytes) else reply.encode()

    def message(self, letter: Letter) -> EmailMessage:
        """Write the letter as a mail; its Message-ID is the same at each try and for each duplicate."""
        mail = EmailMessage(policy=SMTP_POLICY)
        user, _, domain = self._sender.rpartition("@")
        mail["From"] = Address(_header_text(letter.site, 60), user, domain)
        mail["To"] = ", ".join(who for who in self.recipients if _is_address(who))
        mail["Subject"] = _header_text(letter.subject, 160)
        utc_s = letter.utc_s if letter.utc_s is not None else self._wall_utc_s()
        if utc_s >= CLOCK_LEAST_UTC_S:
            mail["Date"] = format_datetime(datetime.fromtimestamp(utc_s, UTC).replace(microsecond=0))
        mail["Message-ID"] = self._message_id(letter, domain)
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday answers, please
        if letter.severity == "urgent":
            mail["Importance"] = "high"
        mail.set_content(letter.text, cte="7bit" if letter.text.isascii() else "quoted-printable")
        return mail

    def _message_id(self, letter: Letter, domain: str) -> str:
        name = hashlib.sha256("\n".join((letter.site, letter.key, self.name)).encode()).hexdigest()[:32]
        return f"<halfmark.{name}@{domain}>"

    def _hang_up(self, server: smtplib.SMTP) -> None:
        """Take leave if the server still listens; close in any case."""
        with suppress(OSError):
            if server.sock is not None:
                server.sock.settimeout(min(2.0, self._answer_s))
            server.quit()
        server.close()
        self._open = None


def _sender(way: WayOut) -> str:
    for candidate in (way.sender, way.user, f"halfmark@{way.server}"):
        if candidate is not None and _is_address(candidate):
            return candidate
    return "halfmark@localhost"


def _header_text(text: str, most: int) -> str:
    """Make text fit for a header.

    The mail library decodes an encoded word (RFC 2047) in what it is given and writes the line ends
    that were hidden in it, seen with Python 3.11: so none is left whole.
    """
    return plain(text, most).replace("=?", "= ?")


def _is_address(text: str) -> bool:
    """Tell whether it can stand in an SMTP command and in a header as it is."""
    user, at, domain = text.rpartition("@")
    visible = all("!" <= c <= "~" and c not in '<>()[],;:\\"' for c in text)
    return bool(at and user and domain) and "@" not in user and visible and len(text) <= 254


def _answer(about: str, code: int, reply: bytes) -> str:
    return plain(f"{about} refused: {code} {reply.decode('utf-8', 'replace')}", REPLY_MOST)


def _reason(why: Exception) -> str:
    if isinstance(why, smtplib.SMTPAuthenticationError):
        return _answer("login", why.smtp_code, why.smtp_error if isinstance(why.smtp_error, bytes) else b"")
    if isinstance(why, smtplib.SMTPResponseException):
        reply = why.smtp_error
        return _answer("connection", why.smtp_code, reply if isinstance(reply, bytes) else reply.encode())
    if isinstance(why, TimeoutError):
        return "the server did not answer in time"
    return plain(str(why) or type(why).__name__, REPLY_MOST)
