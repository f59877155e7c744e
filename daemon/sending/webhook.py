"""Hands a letter to a web address: one JSON POST, verified TLS, no redirect followed.

http.client and ssl are imported with this module, and this module only when a site has a webhook.
"""

import hashlib
import http.client
import json
import socket
import ssl
from collections.abc import Callable, Sequence
from contextlib import suppress
from urllib.parse import SplitResult, urlsplit

from daemon.errors import ConfigError
from daemon.sending.retry_after import wait_of
from daemon.sending.ways import Letter, Outcome, letter_fields
from shared.notices import plain
from shared.site import WayOut

ANSWER_S = 30.0  # for the connection and for each piece of the answer
ANSWER_MOST = 2048  # bytes of an answer that are read
REASON_MOST = 160
# It is the way that does not work, not the letter: no such place, no right to it, too much at once.
WAY_BROKEN = (401, 403, 404, 407, 429, 502, 503, 504)
AGAIN = (408, 425)  # this try came at a bad moment


class WebhookWay:
    """One [way-out.NAME] of kind webhook."""

    def __init__(
        self,
        way: WayOut,
        *,
        secret: Callable[[str], str],
        answer_s: float = ANSWER_S,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        """Take the way's settings; nothing is opened before the first letter.

        Args:
            way: of kind webhook, with its address.
            secret: gives the content of a named secret, or raises ConfigError; asked at each try.
            answer_s: how long the connection and each piece of the answer may take, s.
            tls: whom to trust; None for the system's authorities.
        """
        self.name = way.name
        self.least = way.least
        self._way = way
        self._secret = secret
        self._answer_s = answer_s
        self._tls = tls
        self._open: http.client.HTTPConnection | None = None
        self.recipients: tuple[str, ...] = (_host(way.url) or "webhook",)

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        """Post the letter, and judge the answer by its status."""
        try:
            parts = urlsplit(self._way.url or "")
            connection = self._connection(parts)
            self._open = connection
            target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
            connection.request("POST", target, body=_body(letter), headers=self._headers(letter))
            answer = connection.getresponse()
            text = answer.read(ANSWER_MOST).decode("utf-8", "replace")
            return _judged(answer, text, to)
        except (OSError, ValueError, http.client.HTTPException, ConfigError) as why:
            return Outcome(broken=_reason(why))
        finally:
            if self._open is not None:
                self._open.close()
                self._open = None

    def abort(self) -> None:
        """Shut the connection of a hanging `send`; its next read or write fails."""
        connection = self._open
        channel = connection.sock if connection is not None else None
        if channel is not None:
            with suppress(OSError):
                channel.shutdown(socket.SHUT_RDWR)

    def _connection(self, parts: SplitResult) -> http.client.HTTPConnection:
        if parts.hostname is None or parts.scheme not in ("http", "https"):
            raise ValueError(f"way-out.{self.name} names no web address: add url = ...")
        if parts.scheme == "http":
            return http.client.HTTPConnection(parts.hostname, parts.port, timeout=self._answer_s)
        tls = self._tls or ssl.create_default_context()
        return http.client.HTTPSConnection(parts.hostname, parts.port, timeout=self._answer_s, context=tls)

    def _headers(self, letter: Letter) -> dict[str, str]:
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "halfmark",
            # The same for every try of one letter: a server that keeps them takes no letter twice.
            "Idempotency-Key": hashlib.sha256("\n".join((letter.site, letter.key)).encode()).hexdigest()[:32],
        }
        if self._way.secret is not None:
            token = self._secret(self._way.secret)
            if not token.isascii() or not token.isprintable():
                raise ValueError(f"secret {self._way.secret} holds what no header can carry: ASCII without controls")
            headers["Authorization"] = f"Bearer {token}"
        return headers


def _body(letter: Letter) -> bytes:
    return json.dumps(letter_fields(letter)).encode("ascii")


def _host(url: str | None) -> str | None:
    with suppress(ValueError):
        return urlsplit(url or "").hostname
    return None


def _judged(answer: http.client.HTTPResponse, text: str, to: Sequence[str]) -> Outcome:
    """Tell taken, refused for good, later, and a way that does not work apart."""
    status = answer.status
    said = plain(f"{status} {answer.reason} {text}", REASON_MOST)
    wait_s = wait_of(answer.headers.get("Retry-After"))
    if 200 <= status < 300:
        return Outcome(taken=tuple(to))
    if 300 <= status < 400:
        place = plain(answer.headers.get("Location", "elsewhere"), REASON_MOST)
        return Outcome(broken=f"{status}: the server points to {place}; redirects are not followed, correct the url")
    if status in WAY_BROKEN:
        return Outcome(broken=said, wait_s=wait_s)
    if status in AGAIN or status >= 500:
        return Outcome(later=dict.fromkeys(to, said), wait_s=wait_s)
    return Outcome(refused=dict.fromkeys(to, said))


def _reason(why: Exception) -> str:
    if isinstance(why, TimeoutError):
        return "the server did not answer in time"
    return plain(str(why) or type(why).__name__, REASON_MOST)
