"""What is published over MQTT: for each topic the text that is to stand there, as the site is now.

    PREFIX/link              online, or offline: whether the sender is connected; the broker's last will says so too
    PREFIX/service           running, or silent: whether the service on the hill has told of itself of late
    PREFIX/state             all of it, as one JSON object
    PREFIX/quantity/bank_v   a number, in the unit at the end of the name; empty when it is not known
    PREFIX/alert/bank-hot    a JSON object while the alert stands; empty when it does not

Everything is retained, so that who comes later sees it at once; an empty text takes a topic away.
"""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal

from daemon.sending.site_now import AlertNow, SiteNow
from shared.quantities import ESTIMATED, QUANTITIES
from shared.rules import RULES
from shared.topics import topic_level

VERSION = 1
ONLINE, OFFLINE = "online", "offline"
RUNNING, SILENT = "running", "silent"
LINK, SERVICE, STATE, QUANTITY, ALERT = "link", "service", "state", "quantity", "alert"
GONE = ""  # the text that takes a retained message away
SINCE_MOVES_S = 90.0  # a time told anew that is as near as this to the one told is the same
_SITE_NUMBERS = ("half_mark", "capacity_ah", "share_below_half", "reserve_points", "reserve_ah")


def messages(prefix: str, site: str, now: SiteNow) -> dict[str, str]:
    """Give the text of each topic that is to stand, but the link's own.

    Args:
        prefix: what all topics begin with.
        site: the site's name.
        now: how it stands.
    """
    found = {f"{prefix}/{SERVICE}": RUNNING if now.running else SILENT, f"{prefix}/{STATE}": _state(site, now)}
    for name, value in _numbers(now).items():
        found[f"{prefix}/{QUANTITY}/{topic_level(name)}"] = value
    for name, alert in now.alerts.items():
        found[f"{prefix}/{ALERT}/{topic_level(name)}"] = _alert(alert)
    return found


def is_same_alert(told: str, new: str) -> bool:
    """Tell whether two texts of an alert differ in no more than a little in its time, which is then not told anew."""
    before, after = json.loads(told), json.loads(new)
    times = [row.pop("since_utc", None) for row in (before, after)]
    if before != after or None in times:
        return bool(before == after and times[0] == times[1])
    first, second = (datetime.fromisoformat(text) for text in times)
    return abs((first - second).total_seconds()) <= SINCE_MOVES_S


def written(quantity: str, value: float) -> str:
    """Write a value with as many digits as it is recorded with."""
    step = QUANTITIES[quantity].step if quantity in QUANTITIES else 0.001
    exponent = Decimal(repr(step)).normalize().as_tuple().exponent
    digits = -exponent if isinstance(exponent, int) and exponent < 0 else 0
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def _numbers(now: SiteNow) -> dict[str, str]:
    found = {name: written(name, row["value"]) for name, row in now.quantities.items()}
    found |= {name: written(name, now.estimate[name]) for name in ESTIMATED if name in now.estimate}
    if now.running and now.picture is not None and now.picture["reserve_ah"] is not None:
        found["reserve_ah"] = f"{now.picture['reserve_ah']:.2f}"
    return found


def _state(site: str, now: SiteNow) -> str:
    picture = now.picture if now.running else None
    body: dict[str, object] = {
        "v": VERSION,
        "site": site,
        "utc": _utc(now.utc_s),
        "service": RUNNING if now.running else SILENT,
        "silent_s": None if now.running or now.age_s is None else round(now.age_s),
        **{name: now.estimate.get(name) for name in ESTIMATED},
        **{name: None if picture is None else picture[name] for name in _SITE_NUMBERS},  # type: ignore[literal-required]
        "quantities": {name: _quantity(name, row) for name, row in now.quantities.items()},
        "alerts": {name: alert.severity for name, alert in now.alerts.items()},
    }
    return _json(body)


def _quantity(name: str, row: Mapping[str, object]) -> dict[str, object]:
    value, age_s = row["value"], row["age_s"]
    assert isinstance(value, float) and isinstance(age_s, float)
    return {
        "value": float(written(name, value)),
        "unit": row["unit"],
        "age_s": round(age_s, 1),
        "instrument": row["instrument"],
    }


def _alert(alert: AlertNow) -> str:
    rule = RULES.get(alert.rule)
    return _json(
        {
            "alert": alert.alert,
            "rule": alert.rule,
            "title": rule.title if rule else "",
            "severity": alert.severity,
            "since_utc": _utc(alert.since_utc_s),
            "limit": alert.limit,
            "unit": rule.unit if rule else "",
            "acked": alert.acked,
            "covered_by": alert.covered_by,
            "held": alert.held,
            "to_do": rule.to_do if rule else "",
        }
    )


def _utc(utc_s: float | None) -> str | None:
    try:
        return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError):  # a time no calendar holds
        return None


def _json(body: Mapping[str, object]) -> str:
    return json.dumps(body, separators=(",", ":"))
