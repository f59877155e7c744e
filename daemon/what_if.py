"""`halfmark status --if-traffic 4x --until 22:00`: how long the reserve lasts under other traffic."""

import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TextIO
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import ConfigError, ServiceError
from daemon.folders import Folders
from daemon.screens.lettering import clean
from daemon.screens.outlook import Lookahead, read_lookahead

TRAFFIC_MOST = 100.0
HOURS_MOST = 72.0
AT_HOURS = (6, 12, 24, 48, 72)


def run_what_if(folders: Folders, traffic: str, until: str | None, out: TextIO) -> int:
    """Ask the service, and print usual and supposed side by side.

    Args:
        folders: where the service's socket is.
        traffic: times the usual, as "4x" or "0.5".
        until: "22:00" in the site's own time, or a length as "6h"; None: as long as the lookahead reaches.
        out: where it goes.
    Returns: 0.
    Raises: ConfigError: a word can't be read; ServiceError: the service is not there, or has no lookahead yet.
    """
    times = _times(traffic)
    status = _asked(folders, {"ask": "status"})
    picture = status.get("picture")
    if not isinstance(picture, Mapping):
        raise ServiceError("service gives no picture")
    for_h = HOURS_MOST if until is None else _hours(until, picture)
    answer = _asked(folders, {"ask": "suppose", "traffic": times, "for_h": for_h})
    usual, supposed = (read_lookahead({"lookahead": answer.get(key)}) for key in ("usual", "supposed"))
    if usual is None or supposed is None:
        raise ServiceError("the service has no lookahead yet: ask again when it knows the charge")
    out.write(_table(clean(str(picture.get("site", ""))), times, for_h, usual, supposed))
    return 0


def _asked(folders: Folders, message: Mapping[str, object]) -> Mapping[str, object]:
    answer = ask(folders.runtime / SOCKET_NAME, message)
    if answer.get("ok") is not True:
        raise ServiceError(f"refused: {answer.get('why') or 'the service does not say why'}")
    return answer


def _times(word: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*[xX]?", word)
    if found is None or float(found[1]) > TRAFFIC_MOST:
        raise ConfigError.of("--if-traffic", f"times the usual traffic, 0 to {TRAFFIC_MOST:g}, such as 4x", value=word)
    return float(found[1])


def _hours(word: str, picture: Mapping[str, object]) -> float:
    """How long from now on, h: a length, or a time of day at the site."""
    length = re.fullmatch(r"(\d+(?:\.\d+)?)\s*h", word)
    if length is not None and 0.0 < float(length[1]) <= HOURS_MOST:
        return float(length[1])
    clock = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", word)
    if clock is None:
        raise ConfigError.of("--until", "a time of day such as 22:00, or a length of up to 72h", value=word)
    utc = picture.get("utc")
    if not isinstance(utc, str):
        raise ConfigError.of("--until", "a length such as 6h: the site's clock is not trusted", value=word)
    try:
        zone = ZoneInfo(str(picture.get("timezone", "UTC")))
    except (ZoneInfoNotFoundError, ValueError):
        zone = ZoneInfo("UTC")
    now = datetime.fromisoformat(utc).astimezone(zone)
    then = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
    if then <= now:
        then += timedelta(days=1)
    return (then - now).total_seconds() / 3600.0


def _table(site: str, times: float, for_h: float, usual: Lookahead, supposed: Lookahead) -> str:
    rows = [
        f"{site}: traffic as usual, and {times:g} times as much for {for_h:.1f} h",
        f"{'':26}{'as usual':>18}{f'{times:g} times':>18}",
        f"{'half mark, likely':26}{_when(usual.likely_h):>18}{_when(supposed.likely_h):>18}",
        f"{'half mark, cautious':26}{_when(usual.cautious_h):>18}{_when(supposed.cautious_h):>18}",
    ]
    for key in ("12", "24", "48", "72"):
        shares = [look.crossing.get(key) for look in (usual, supposed)]
        told = ["-" if share is None else f"{100.0 * share:.0f} %" for share in shares]
        rows.append(f"{f'chance of it within {key} h':26}{told[0]:>18}{told[1]:>18}")
    for hours in AT_HOURS:
        rows.append(f"{f'charge in {hours} h, %':26}{_band(usual, hours):>18}{_band(supposed, hours):>18}")
    rows.append("low / likely / high: one time in ten it is below low, one in ten above high")
    return "".join(f"{row}\n" for row in rows)


def _when(hours: float | None) -> str:
    return "not in 3 days" if hours is None else f"in {hours:.0f} h"


def _band(look: Lookahead, hours: int) -> str:
    for at_h, band in look.bands:
        if at_h >= hours:
            return f"{100.0 * band.low:.0f} / {100.0 * band.likely:.0f} / {100.0 * band.high:.0f}"
    return "-"
