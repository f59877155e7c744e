"""A real time-series server that takes line protocol, for tests: Debian's victoria-metrics on a free loopback port.

    with LineProtocolServer(tmp_path) as server:
        ... post to server.url ...
        series = server.export("halfmark")

It knows no token, no bucket and no Flux, and answers 204 also to lines it can't read: so what has
arrived is always read back. It is installed by apt if it is missing and this user may do so.
"""

import json
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Sequence
from pathlib import Path

from servers.debian_server import UP_S, DebianServer, program
from servers.mail_sink import free_port

PACKAGE = "victoria-metrics"
ARGUMENTS = (
    "-retentionPeriod=100y",  # else points older than a month are dropped, with a 204
    "-search.latencyOffset=0s",  # else the newest 30 s are hidden
    "-search.disableCache",  # else points that come late don't show
    "-search.maxStalenessInterval=1s",
    "-memory.allowedBytes=64MiB",
)
# Without this flag a point that was sent twice reads back twice: a test can tell doubled ones from others.
DEDUPLICATE = "-dedup.minScrapeInterval=1ms"

Series = dict[tuple[str, tuple[tuple[str, str], ...]], list[tuple[int, float]]]


class LineProtocolServer(DebianServer):
    """One server with a folder of its own; may be stopped, killed, held and started again."""

    def __init__(self, folder: Path, *, deduplicates: bool = True) -> None:
        """Start nothing yet.

        Args:
            folder: for its data and its log.
            deduplicates: whether it keeps one of several points that are the same, as an InfluxDB-v2 server does.
        """
        super().__init__(folder)
        self.port = free_port()
        self._arguments = (*ARGUMENTS, *((DEDUPLICATE,) if deduplicates else ()))

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> Sequence[str]:
        places = (f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}/data")
        return (program(PACKAGE), *places, *self._arguments)

    def answers(self) -> bool:
        return self._get("/health").startswith(b"OK")

    def export(self, measurement: str, field: str = ".+") -> Series:
        """Read back what it has: by measurement_field and tags, each point as (ms, value), oldest first."""
        self._get("/internal/force_flush")
        query = urllib.parse.urlencode(
            {"match[]": f'{{__name__=~"{measurement}_{field}"}}', "start": "0", "end": str(int(time.time()) + 86_400)}
        )
        found: Series = {}
        for line in self._get(f"/api/v1/export?{query}").splitlines():
            row = json.loads(line)
            name = row["metric"].pop("__name__")
            key = (name, tuple(sorted(row["metric"].items())))
            found.setdefault(key, []).extend(zip(row["timestamps"], row["values"], strict=True))
        return {key: sorted(points) for key, points in found.items()}

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"{self.url}{path}", timeout=UP_S) as answer:
            body: bytes = answer.read()
            return body
