"""The connection to the central store: posts lines with influxdb-client and says what the server made of them.

This module is imported only when a site has a central store; the client itself at the first post.
"""

import importlib
import importlib.abc
import importlib.machinery
import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any

from daemon.sending.central_lines import joined
from daemon.sending.retry_after import wait_of
from shared.notices import plain
from shared.site import Central

log = logging.getLogger("halfmark.send")

CONNECT_S = 10.0
ANSWER_S = 30.0
REASON_MOST = 300


class CentralDown(Exception):
    """Nobody answers, or not in time.

    Attributes:
        hung: whether the server was there but did not answer in time.
        reached: whether the lines may have arrived all the same.
    """

    def __init__(self, why: str, *, hung: bool = False, reached: bool = False) -> None:
        super().__init__(why)
        self.hung = hung
        self.reached = reached or hung


class CentralRefused(Exception):
    """The server answered, and did not take the lines.

    Attributes:
        status: of its answer.
        wait_s: how long it asks to be left alone, s; None when it does not say.
    """

    def __init__(self, status: int, why: str, wait_s: float | None = None) -> None:
        super().__init__(why)
        self.status = status
        self.wait_s = wait_s


class CentralLink:
    """One client with one connection, kept alive; for one thread."""

    def __init__(self, central: Central, token: str, *, answer_s: float = ANSWER_S) -> None:
        """Load the client and take the settings; nothing is connected before the first post.

        Args:
            central: where to.
            token: of the account that may write there.
            answer_s: how long the server may take to answer, s.
        """
        package = load_client()
        self.token = token
        self._central = central
        self._refused: type[Exception] = importlib.import_module("influxdb_client.rest").ApiException
        self._failed: type[Exception] = importlib.import_module("urllib3.exceptions").HTTPError
        self._client: Any = package.InfluxDBClient(
            url=central.url,
            token=token,
            org=central.org,
            enable_gzip=True,
            timeout=(round(CONNECT_S * 1000.0), round(answer_s * 1000.0)),
        )
        options = importlib.import_module("influxdb_client.client.write_api").SYNCHRONOUS
        self._write = self._client.write_api(write_options=options).write

    def post(self, lines: Sequence[str]) -> None:
        """Send lines in one request and wait for the answer.

        Raises: CentralRefused, CentralDown.
        """
        try:
            self._write(self._central.bucket, self._central.org, joined(lines), write_precision="ms")
        except (self._failed, OSError) as why:
            raise _down(why, self._central.url) from None
        except self._refused as why:
            raise _refusal(why, self._central.url) from None

    def close(self) -> None:
        """Hang up."""
        with suppress(Exception):  # whatever it says at the end, nothing is left to be done about it
            self._client.close()


def _down(why: Exception, url: str) -> CentralDown:
    kind = type(why).__name__  # a refused connection is counted among the time-outs by the client's own tree
    if kind in ("ReadTimeoutError", "ConnectTimeoutError"):
        return CentralDown(f"{url} did not answer in time", hung=kind == "ReadTimeoutError")
    never = kind in ("NewConnectionError", "NameResolutionError", "SSLError", "MaxRetryError", "LocationParseError")
    return CentralDown(plain(f"{url}: {_cause(why)}", REASON_MOST), reached=not never)


def _cause(why: BaseException) -> str:
    """The plain words inside what the client wraps around them."""
    inner = getattr(why, "reason", None)
    text = str(inner if isinstance(inner, BaseException) else why) or type(why).__name__
    return text.rpartition("): ")[2]


def _refusal(why: Any, url: str) -> CentralRefused | CentralDown:
    status = int(why.status or 0)
    if status == 0:  # the client's own word for a TLS handshake that failed
        return CentralDown(plain(f"{url}: {why.reason}", REASON_MOST))
    headers = why.headers or {}
    said = why.body.decode("utf-8", "replace") if isinstance(why.body, bytes) else str(why.body or "")
    if 300 <= status < 400:
        said = f"the server points to {headers.get('Location', 'elsewhere')}; redirects are not followed"
    text = plain(f"{status} {why.reason or ''} {said}", REASON_MOST)
    return CentralRefused(status, text, wait_of(headers.get("Retry-After")))


# -- the client, without what is never used ----------------------------------------------------

# The client brings some 370 modules of generated classes for a server's whole management, of which a
# writer uses three, and a library of streams for its batching mode, which we do not use. They cost 14 MiB and
# most of the time to load, on a computer that has to last on what a panel gives; numpy, if it happens to be
# installed, another 11 MiB.
_HOLLOW = ("influxdb_client.domain.", "influxdb_client.service.", "reactivex")
_WHOLE = (
    "influxdb_client.domain.dialect",
    "influxdb_client.domain.write_precision",
    "influxdb_client.service._base_service",
    "influxdb_client.service.write_service",
)


class _Nothing:
    """What stands in for every class of a hollow module; takes any argument and does nothing with it."""

    def __init__(self, *args: object, **named: object) -> None:
        """Forget everything: such an object is at most the default of an argument nobody gives."""


class _HollowModule(ModuleType):
    """Stands in for a module nobody uses: any class asked of it is the same empty one."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return _Nothing


class _HollowFinder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds hollow modules in the place of those a writer does not need."""

    def find_spec(self, fullname: str, path: object, target: object = None) -> importlib.machinery.ModuleSpec | None:
        """Take over the generated classes; leave everything else to Python's own finders."""
        if fullname.startswith(_HOLLOW) and fullname not in _WHOLE:
            return importlib.machinery.ModuleSpec(fullname, self, is_package=fullname.startswith("reactivex"))
        return None

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> ModuleType:
        """Make the stand-in."""
        return _HollowModule(spec.name)

    def exec_module(self, module: ModuleType) -> None:
        """Nothing runs in it."""


def load_client() -> ModuleType:
    """Import influxdb_client without the parts a writer never uses; whole, if another release needs them."""
    present = sys.modules.get("influxdb_client")
    if present is not None:
        return present
    try:
        with _slim():
            return importlib.import_module("influxdb_client")
    except Exception as why:  # another release may be built another way: then it costs more, and works
        log.info("influxdb-client can't be loaded in part (%s): loading all of it", why)
        for name in [name for name in sys.modules if name.split(".")[0] in ("influxdb_client", "reactivex")]:
            del sys.modules[name]
        return importlib.import_module("influxdb_client")


@contextmanager
def _slim() -> Iterator[None]:
    finder = _HollowFinder()
    sys.meta_path.insert(0, finder)
    without_numpy = "numpy" not in sys.modules
    if without_numpy:
        sys.modules["numpy"] = None  # type: ignore[assignment]  # Python's own way to say "not installed"
    try:
        yield
    finally:
        sys.meta_path.remove(finder)
        if without_numpy:
            del sys.modules["numpy"]
