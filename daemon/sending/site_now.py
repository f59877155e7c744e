"""How the site stands now, out of the record: what MQTT and the metrics tell, never older than they may be.

The service's last picture of itself gives what holds for the site, the newest readings make its values fresh.
What is too old, or of a boot that is over, is not there; the alerts stay as they were told last, because a
service that fell silent has cleared none of them.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.picture import STATE_NAME, Picture, QuantityPicture, read_picture
from daemon.record import Placed, RecordReader
from shared.quantities import QUANTITIES
from shared.site import Site

SILENT_AFTER_S = 300.0  # the picture is renewed each minute and comes with the next commit, 120 s at the longest
OLD_LEAST_S = 120.0  # a value may be this old whatever its instrument's period, because commits come in such steps
OLD_TURNS = 3.0  # and as old as so many turns of its instrument
ESTIMATE = "halfmark"  # the instrument that stands for the estimate in the record
ALERTS_NAME = "alerts"  # the state with the book of alerts, saved with each change of them
_JOINED = " + "  # between the names of several instruments in a picture


@dataclass(frozen=True, slots=True)
class FreshReading:
    """Good values of one instrument, none of them too old."""

    instrument: str
    age_s: float
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AlertNow:
    """One alert that stands.

    Attributes:
        alert, rule, severity: as the rules have them.
        since_utc_s: since when, s since 1970; None when that is not known.
        limit: the one that decided, in the rule's unit.
        acked: whether a person took it on.
        covered_by: the alert that explains it.
        held: it stands only because it came and went too often.
    """

    alert: str
    rule: str
    severity: str
    since_utc_s: float | None
    limit: float | None
    acked: bool
    covered_by: str | None
    held: bool


@dataclass(frozen=True, slots=True)
class SiteNow:
    """What is known of the site.

    Attributes:
        picture: the service's last words; None before the first.
        age_s: how old they are; None when they are of a boot that is over.
        utc_s: the time now, s since 1970; None when nobody vouches for a clock.
        readings: the newest of each instrument and of the estimate, by name.
        quantities: values for the site as a whole.
        estimate: soc_frac and soc_sigma.
        alerts: those that stand, or stood when the service fell silent, by name.
    """

    picture: Picture | None = None
    age_s: float | None = None
    utc_s: float | None = None
    readings: Mapping[str, FreshReading] = field(default_factory=dict)
    quantities: Mapping[str, QuantityPicture] = field(default_factory=dict)
    estimate: Mapping[str, float] = field(default_factory=dict)
    alerts: Mapping[str, AlertNow] = field(default_factory=dict)

    @property
    def running(self) -> bool:
        """Whether the service has told of itself of late."""
        return self.age_s is not None and self.age_s <= SILENT_AFTER_S


def site_now(reader: RecordReader, site: Site, *, boot_id: str, now_s: float) -> SiteNow:
    """Look at the site through its record.

    Args:
        reader: of the record.
        site: as configured; tells how old a value of each instrument may be.
        boot_id: which boot `now_s` belongs to.
        now_s: seconds since boot.
    Raises: StoreError: the record can't be read.
    """
    boot = reader.boot_number(boot_id)
    readings = _fresh(reader.latest(), site, boot, now_s)
    picture, age_s = None, None
    saved = reader.saved(STATE_NAME)
    if saved is not None:
        try:
            picture = read_picture(saved.body)
        except ValueError:  # of a newer release: its readings are told all the same
            picture = None
        else:
            age_s = max(0.0, now_s - picture["at_s"]) if saved.boot == boot else None
    return SiteNow(
        picture=picture,
        age_s=age_s,
        utc_s=None if boot is None else reader.utc_of(boot, now_s),
        readings=readings,
        quantities=_quantities(picture, age_s, readings, site),
        estimate=readings[ESTIMATE].values if ESTIMATE in readings else {},
        alerts=_alerts(reader),
    )


def old_after_s(site: Site, instrument: str) -> float:
    """Tell after how long a value of an instrument is too old to be told, s."""
    known = site.instruments.get(instrument)
    return max(OLD_LEAST_S, (known.every_s * OLD_TURNS if known else 0.0) + site.commit_s)


def _fresh(latest: Mapping[str, Placed], site: Site, boot: int | None, now_s: float) -> dict[str, FreshReading]:
    found: dict[str, FreshReading] = {}
    for name, placed in sorted(latest.items()):
        age_s = max(0.0, now_s - placed.reading.at_s)
        if placed.boot != boot or age_s > old_after_s(site, name):
            continue
        values = {q: v for q, v in placed.reading.values.items() if math.isfinite(v)}
        if values:
            found[name] = FreshReading(name, age_s, values)
    return found


def _quantities(
    picture: Picture | None, age_s: float | None, readings: Mapping[str, FreshReading], site: Site
) -> dict[str, QuantityPicture]:
    """The picture's values, each as new as the record has it; those that are too old are left out."""
    found: dict[str, QuantityPicture] = {}
    known = picture["quantities"] if picture is not None and age_s is not None else {}
    for name, row in known.items():
        if name not in QUANTITIES:
            continue
        of = row["instrument"].split(_JOINED)
        now = [readings[one] for one in of if one in readings and name in readings[one].values]
        old_s = max(old_after_s(site, one) for one in of)
        is_plain = len(of) == 1 or QUANTITIES[name].join == "sum"  # else it was formed in a way of its own
        if is_plain and len(now) == len(of):
            value = sum(one.values[name] for one in now)
            found[name] = {**row, "value": value, "age_s": max(one.age_s for one in now)}
        elif age_s is not None and row["age_s"] + age_s <= old_s:
            found[name] = {**row, "age_s": row["age_s"] + age_s}
    return found


def _alerts(reader: RecordReader) -> dict[str, AlertNow]:
    """The alerts of the service's book; what another release wrote is taken as far as it can be understood."""
    saved = reader.saved(ALERTS_NAME)
    rows = saved.body.get("standing") if saved is not None else None
    found: dict[str, AlertNow] = {}
    for row in rows if isinstance(rows, list) else []:
        if saved is None or not isinstance(row, dict) or not isinstance(row.get("alert"), str):
            continue
        since_s, limit, covered_by = row.get("since_s"), row.get("limit"), row.get("covered_by")
        is_dated = row.get("since_exact") is True and isinstance(since_s, int | float)
        found[row["alert"]] = AlertNow(
            alert=row["alert"],
            rule=str(row.get("rule", "")),
            severity=str(row.get("severity", "")),
            since_utc_s=reader.utc_of(saved.boot, float(since_s or 0.0)) if is_dated else None,
            limit=float(limit) if isinstance(limit, int | float) and math.isfinite(limit) else None,
            acked=row.get("acked_by") is not None,
            covered_by=covered_by if isinstance(covered_by, str) else None,
            held=row.get("held") is True,
        )
    return found
