"""All sites of a group as the central store has them: asked over HTTP, folded into one row a site.

The store is asked for the newest value of every series, in the query language of InfluxDB v2 (Flux, the
answer is annotated CSV) or, for servers that take line protocol but know no Flux, at the query address
they have instead (`/api/v1/query`, JSON).
"""

import csv
import http.client
import io
import json
import ssl
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from urllib.parse import quote, urlencode, urlsplit

from attrs import frozen

from daemon.configuration_grammar import CentralTable
from daemon.configuration_structure import Findings, structure
from daemon.configuration_text import parse, read_text
from daemon.errors import ConfigError, ServiceError
from daemon.sending.central_lines import ALERTS, READINGS, SITE
from shared.notices import plain
from shared.site import SEVERITIES, Central

LOOK_BACK = "30d"
ANSWER_S = 20.0
ANSWER_MOST = 32 << 20  # bytes; a site has some forty series, each a line
VIAS = ("flux", "metrics")


@frozen
class Point:
    """The newest value of one series."""

    measurement: str
    field: str
    tags: Mapping[str, str]
    utc_s: float
    value: float


@frozen
class SiteLook:
    """One site at a glance.

    Attributes:
        name: as the site's file has it.
        soc_frac, soc_sigma: charge and its standard deviation, 0 to 1; None when not there.
        half_mark: of the bank, 0 to 1; None when not there.
        alerts: those that stand, the gravest first, with the severity's word.
        newest_utc_s: time of the newest value of any instrument, s since 1970; None without any.
    """

    name: str
    soc_frac: float | None
    soc_sigma: float | None
    half_mark: float | None
    alerts: tuple[tuple[str, str], ...]
    newest_utc_s: float | None

    @property
    def gravest(self) -> int:
        """The rank of the gravest alert that stands, 0 when none does."""
        return 1 + SEVERITIES.index(self.alerts[0][1]) if self.alerts else 0


def load_central(path: Path) -> Central:
    """Read [central] out of a site file, or out of a file that holds nothing else.

    Raises: ConfigError: it is not there, or wrong.
    """
    file = str(path)
    raw = parse(read_text(path, file), file)
    findings = Findings(file)
    table = structure(findings, raw["central"], CentralTable, ("central",)) if "central" in raw else None
    if "central" not in raw:
        findings.add(("central",), "must be given: a table [central] with url, org and bucket")
    if table is None or findings.mistakes:
        raise ConfigError(findings.mistakes)
    return Central(table.url, table.org, table.bucket, table.secret, table.every_s)


def look(central: Central, token: str, *, via: str = "flux", tls: ssl.SSLContext | None = None) -> list[SiteLook]:
    """Ask the central store how every site stands, the one that needs somebody most in front.

    Args:
        central: where to ask.
        token: of an account that may read there.
        via: flux, or metrics for a server without it.
        tls: whom to trust; None for the system's authorities.
    Raises: ServiceError: it can't be reached, refuses, or answers something else.
    """
    ask = {"flux": _flux_points, "metrics": _metrics_points}[via]
    try:
        return fold(ask(central, token, tls))
    except (OSError, http.client.HTTPException) as why:
        words = "it did not answer in time" if isinstance(why, TimeoutError) else plain(str(why), 200)
        raise ServiceError(f"central store {central.url} can't be asked: {words}") from why
    except (ValueError, KeyError, TypeError, AttributeError) as why:
        told = f"{type(why).__name__}: {plain(str(why), 120)}"
        hint = "; a server without Flux is asked with --via metrics" if via == "flux" else ""
        raise ServiceError(f"central store {central.url} answers what can't be read ({told}){hint}") from why


def fold(points: Iterable[Point]) -> list[SiteLook]:
    """Make one row a site out of the newest value of every series."""
    by_site: dict[str, list[Point]] = {}
    for point in points:
        by_site.setdefault(point.tags.get("site", "?"), []).append(point)
    looks = [_site(name, mine) for name, mine in by_site.items()]
    return sorted(looks, key=lambda one: (-one.gravest, _points_above(one), one.name))


def _points_above(one: SiteLook) -> float:
    if one.soc_frac is None or one.half_mark is None:
        return float("inf")
    return one.soc_frac - one.half_mark


def _site(name: str, points: Sequence[Point]) -> SiteLook:
    own = {p.field: p for p in points if p.measurement == READINGS and p.tags.get("instrument") == "halfmark"}
    told = {p.field: p for p in points if p.measurement == SITE}
    times = [p.utc_s for p in points if p.measurement == READINGS]
    told_utc_s = max((p.utc_s for p in told.values()), default=0.0)
    return SiteLook(
        name=plain(name, 60) or "?",
        soc_frac=own["soc_frac"].value if "soc_frac" in own else None,
        soc_sigma=own["soc_sigma"].value if "soc_sigma" in own else None,
        half_mark=told["half_mark"].value if "half_mark" in told else None,
        alerts=_standing(points, told_utc_s),
        newest_utc_s=max(times, default=None),
    )


def _standing(points: Iterable[Point], told_utc_s: float) -> tuple[tuple[str, str], ...]:
    """The alerts that stand: raised since the site told of itself last, or told again then."""
    fields: dict[str, dict[str, Point]] = {}
    for point in points:
        if point.measurement == ALERTS:
            fields.setdefault(point.tags.get("alert", "?"), {})[point.field] = point
    found = []
    for alert, of in fields.items():
        standing, severity = of.get("standing"), of.get("severity")
        if standing is not None and standing.value > 0.5 and standing.utc_s >= told_utc_s:
            number = len(SEVERITIES) if severity is None else min(len(SEVERITIES), max(1, round(severity.value)))
            found.append((number, plain(alert, 80) or "?"))
    return tuple((alert, SEVERITIES[number - 1]) for number, alert in sorted(found, key=lambda one: (-one[0], one[1])))


# -- asking ------------------------------------------------------------------------------------


def flux_query(bucket: str) -> str:
    """Write the question for an InfluxDB-v2 server."""
    text = bucket.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    wanted = " or ".join(f'r._measurement == "{name}"' for name in (READINGS, ALERTS, SITE))
    return f'from(bucket: "{text}") |> range(start: -{LOOK_BACK}) |> filter(fn: (r) => {wanted}) |> last()\n'


def _flux_points(central: Central, token: str, tls: ssl.SSLContext | None) -> Iterator[Point]:
    headers = {"Content-Type": "application/vnd.flux", "Accept": "application/csv"}
    path = f"/api/v2/query?{urlencode({'org': central.org}, quote_via=quote)}"
    answer = _ask(central.url, path, token, headers, flux_query(central.bucket).encode(), tls)
    return read_annotated_csv(answer)


def read_annotated_csv(text: str) -> Iterator[Point]:
    """Read annotated CSV as an InfluxDB-v2 server gives it: tables parted by empty lines, each with its own header.

    Raises: ValueError: it is none, or tells an error.
    """
    header: list[str] | None = None
    for row in csv.reader(io.StringIO(text)):
        if not any(row):
            header = None
        elif row[0].startswith("#"):
            header = None  # annotations come before a header
        elif header is None:
            header = row
            if "error" in row:
                continue
            if not {"_time", "_value", "_field", "_measurement"} <= set(row):
                raise ValueError(f"no header of a table: {','.join(row)[:80]}")
        else:
            yield _csv_point(dict(zip(header, row, strict=False)))


def _csv_point(row: Mapping[str, str]) -> Point:
    if "error" in row:
        raise ValueError(row["error"])
    known = ("", "result", "table", "_start", "_stop", "_time", "_value", "_field", "_measurement")
    tags = {name: value for name, value in row.items() if name not in known}
    utc_s = datetime.fromisoformat(row["_time"]).timestamp()
    return Point(row["_measurement"], row["_field"], tags, utc_s, float(row["_value"]))


def _metrics_points(central: Central, token: str, tls: ssl.SSLContext | None) -> Iterator[Point]:
    series = f'{{__name__=~"{READINGS}_.+"}}[{LOOK_BACK}]'
    values = _metrics(central, token, tls, f"last_over_time({series}) keep_metric_names")
    times = _metrics(central, token, tls, f"tlast_over_time({series}) keep_metric_names")
    for key, value in values.items():
        measurement, field = _parted(dict(key)["__name__"])
        tags = {name: text for name, text in key if name != "__name__"}
        if key in times:
            yield Point(measurement, field, tags, times[key], value)


def _metrics(
    central: Central, token: str, tls: ssl.SSLContext | None, query: str
) -> dict[tuple[tuple[str, str], ...], float]:
    answer = _ask(central.url, f"/api/v1/query?{urlencode({'query': query})}", token, {}, None, tls)
    rows = json.loads(answer)["data"]["result"]
    return {tuple(sorted(row["metric"].items())): float(row["value"][1]) for row in rows}


def _parted(name: str) -> tuple[str, str]:
    """Part a series' name into measurement and field; the longer measurements first."""
    measurement = next(known for known in (ALERTS, SITE, READINGS) if name.startswith(f"{known}_"))
    return measurement, name.removeprefix(f"{measurement}_")


def _ask(
    url: str, path: str, token: str, headers: Mapping[str, str], body: bytes | None, tls: ssl.SSLContext | None
) -> str:
    """Ask once and give the text of a good answer; redirects are not followed."""
    parts = urlsplit(url)
    host = parts.hostname or ""
    connection = (
        http.client.HTTPSConnection(host, parts.port, timeout=ANSWER_S, context=tls or ssl.create_default_context())
        if parts.scheme == "https"
        else http.client.HTTPConnection(host, parts.port, timeout=ANSWER_S)
    )
    allowed = {"Authorization": f"Token {token}"} if token else {}
    try:
        target = parts.path.rstrip("/") + path
        connection.request("GET" if body is None else "POST", target, body=body, headers={**headers, **allowed})
        answer = connection.getresponse()
        data = answer.read(ANSWER_MOST)
    finally:
        connection.close()
    text = data.decode("utf-8", "replace")
    if answer.status != 200:
        said = plain(f"{answer.status} {answer.reason} {text}", 200)
        hint = "the token may not read there" if answer.status in (401, 403) else "look at url, org and bucket"
        raise ServiceError(f"central store {url} refuses: {said}: {hint}, or ask with the other --via")
    return text
