"""A mail server for tests, on a free loopback port: takes mail, refuses it, stalls, asks for a login, speaks TLS.

It runs on a thread of its own. What it does next can be changed at any time:

    with MailSink() as sink:
        sink.answers = ["451 try later"]        # the first letter is put off, the next ones are taken
        ...
        first = sink.wait(1)[0]
"""

import asyncio
import email
import email.policy
import socket
import ssl
import threading
import warnings
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from types import TracebackType
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

CERTIFICATE = Path(__file__).parent / "mail_sink_localhost.pem"
WAIT_S = 10.0


@dataclass(frozen=True)
class SunkLetter:
    sender: str
    to: tuple[str, ...]
    content: bytes
    tls: bool
    user: str | None

    @property
    def mail(self) -> EmailMessage:
        parsed = email.message_from_bytes(self.content, policy=email.policy.default)
        assert isinstance(parsed, EmailMessage)
        return parsed

    @property
    def text(self) -> str:
        """What a person reads, with plain line ends."""
        text = self.mail.get_content()
        assert isinstance(text, str)
        return text.replace("\r\n", "\n")


@dataclass
class MailSink:
    """Settings may be changed while it runs.

    Attributes:
        login: user and password that are asked for; None takes mail from anybody.
        security: none, starttls (offered and required) or tls.
        answers: what the next letters are answered with, one each; "250 OK" when there is none left.
        recipient_answers: what RCPT of an address is answered with.
        stalls: let each letter's answer wait until `release`; the letter has been taken (or refused) by then.
        port: 0 picks a free one.
        host: the loopback address it listens on.
    """

    login: tuple[str, str] | None = None
    security: str = "none"
    answers: list[str] = field(default_factory=list)
    recipient_answers: dict[str, str] = field(default_factory=dict)
    stalls: bool = False
    port: int = 0
    host: str = "127.0.0.1"

    def __post_init__(self) -> None:
        self.letters: list[SunkLetter] = []  # everything whose text has come in, also what was then refused
        self.taken: list[SunkLetter] = []
        self.logins: list[tuple[str, str]] = []  # tried, right or wrong
        self._changed = threading.Condition()
        self._loop = asyncio.new_event_loop()
        self._released = asyncio.Event()
        self._thread = threading.Thread(target=self._loop.run_forever, name="mail sink", daemon=True)
        self._server: asyncio.Server | None = None
        self._sessions: set[SMTP] = set()

    def __enter__(self) -> "MailSink":
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(WAIT_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, why: BaseException | None, at: TracebackType | None) -> None:
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(WAIT_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WAIT_S)
        self._loop.close()

    def wait(self, count: int, *, taken: bool = True) -> list[SunkLetter]:
        """Wait until `count` letters have been taken (or have come in), and give them all."""
        letters = self.taken if taken else self.letters
        with self._changed:
            assert self._changed.wait_for(lambda: len(letters) >= count, WAIT_S), f"{len(letters)} of {count} letters"
            return list(letters)

    def release(self) -> None:
        """Answer what has been stalled."""
        self.stalls = False
        self._loop.call_soon_threadsafe(self._released.set)

    # -- aiosmtpd calls these -------------------------------------------------------------------

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = self.recipient_answers.get(address, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        content = envelope.content
        assert isinstance(content, bytes)
        user = session.auth_data.login.decode() if isinstance(session.auth_data, LoginPassword) else None
        letter = SunkLetter(
            str(envelope.mail_from), tuple(envelope.rcpt_tos), content, session.ssl is not None or self._tls(), user
        )
        answer = self.answers.pop(0) if self.answers else "250 OK"
        with self._changed:
            self.letters.append(letter)
            if answer.startswith("250"):
                self.taken.append(letter)
            self._changed.notify_all()
        if self.stalls:
            await self._released.wait()
        return answer

    def _check(self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
        tried = (data.login.decode(), data.password.decode())
        self.logins.append(tried)
        return AuthResult(success=tried == self.login, handled=tried == self.login, auth_data=data)

    # -- on its own loop ------------------------------------------------------------------------

    def _tls(self) -> bool:
        return self.security == "tls"

    def _context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(CERTIFICATE)
        return context

    def _session(self) -> SMTP:
        settings: dict[str, Any] = {"hostname": "localhost", "enable_SMTPUTF8": True, "loop": self._loop}
        if self.security == "starttls":
            settings |= {"tls_context": self._context(), "require_starttls": True}
        if self.login is not None:
            settings |= {"authenticator": self._check, "auth_required": True}
            settings |= {"auth_require_tls": self.security == "starttls"}
        with warnings.catch_warnings():  # it warns of a login without TLS, which a test on loopback may ask for
            warnings.simplefilter("ignore")
            session = SMTP(self, **settings)
        self._sessions.add(session)
        return session

    async def _open(self) -> None:
        context = self._context() if self._tls() else None
        self._server = await self._loop.create_server(self._session, self.host, self.port, ssl=context)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _close(self) -> None:
        assert self._server is not None
        self._server.close()
        self._released.set()
        for session in self._sessions:
            if isinstance(session.transport, asyncio.WriteTransport):
                session.transport.abort()
            handler = session._handler_coroutine
            if handler is not None:
                handler.cancel()
        pending = [task for task in asyncio.all_tasks(self._loop) if task is not asyncio.current_task()]
        await asyncio.gather(*pending, return_exceptions=True)


def free_port() -> int:
    """A port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
