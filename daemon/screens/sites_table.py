"""`halfmark sites`: every site of a group in one table, the one that needs somebody most in front."""

import json
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from time import time
from typing import TextIO

from daemon.central_sites import SiteLook, load_central, look
from daemon.screens.lettering import clean, cut, pad, span, span_short, to_ascii
from daemon.secret_files import read_secret

DONE = 0
NARROW_BELOW = 70  # columns; below it a site takes three lines
COLUMNS_MOST = 110
LATE_S = 3600.0  # no data for this long is said in words
WIDTHS = (20, 20, 8)  # of site, reserve and age; the alert has the rest


def run_sites(
    path: Path, *, secrets: Path, secret: str | None, via: str, form: str, out: TextIO, columns: int | None = None
) -> int:
    """Ask the central store and print the table.

    Args:
        path: a site file, or one with [central] alone.
        secrets: folder of the secrets.
        secret: the name of a token that may read; None for the one in [central].
        via: how to ask, flux or metrics.
        form: full, plain (ASCII) or json.
        out: where to write.
        columns: how wide; None for the terminal's width.
    Returns: 0.
    Raises: ConfigError, ServiceError.
    """
    central = load_central(path)
    name = secret or central.secret
    looks = look(central, "" if name is None else read_secret(secrets, name), via=via)
    now_utc_s = time()
    if form == "json":
        json.dump([_as_json(one, now_utc_s) for one in looks], out, indent=1)
        out.write("\n")
        return DONE
    width = columns or shutil.get_terminal_size((80, 24)).columns
    encoding = getattr(out, "encoding", None) or "ascii"
    is_ascii = form == "plain" or not encoding.lower().startswith("utf")
    for line in table(looks, now_utc_s, width):
        out.write((to_ascii(line) if is_ascii else line) + "\n")
    return DONE


def table(looks: Sequence[SiteLook], now_utc_s: float, columns: int) -> Iterator[str]:
    """Set the table.

    Args:
        looks: the sites, in the order to print.
        now_utc_s: s since 1970, for the ages.
        columns: how wide it may be.
    """
    columns = min(columns, COLUMNS_MOST)
    if not looks:
        yield cut("The central store has no site of the last 30 days.", columns)
        return
    if columns < NARROW_BELOW:
        for one in looks:
            yield from _narrow(one, now_utc_s, columns)
        return
    alert_width = columns - sum(WIDTHS) - 3
    yield _row(("site", "reserve", "worst alert", "data"), alert_width)
    for one in looks:
        yield _row((clean(one.name), reserve_words(one), alert_words(one), age_words(one, now_utc_s)), alert_width)


def reserve_words(one: SiteLook) -> str:
    """Write the charge with two standard deviations, and how far the half mark is."""
    if one.soc_frac is None:
        return "not known"
    error = "" if one.soc_sigma is None else f" +-{200.0 * one.soc_sigma:.0f}"
    text = f"{100.0 * one.soc_frac:.0f}{error} %"
    if one.half_mark is None:
        return text
    points = 100.0 * (one.soc_frac - one.half_mark)
    return f"{text}, {abs(points):.0f} {'above' if points >= 0.0 else 'BELOW'}"


def alert_words(one: SiteLook) -> str:
    """Write the gravest alert and how many more there are; the severity in capitals where somebody must act."""
    if not one.alerts:
        return "none"
    alert, severity = one.alerts[0]
    more = f" (+{len(one.alerts) - 1})" if len(one.alerts) > 1 else ""
    return f"{severity if severity == 'advice' else severity.upper()} {clean(alert)}{more}"


def age_words(one: SiteLook, now_utc_s: float) -> str:
    """Write how old the newest data is; capitals where it is too old to rely on."""
    if one.newest_utc_s is None:
        return "NONE"
    age_s = max(0.0, now_utc_s - one.newest_utc_s)
    return span(age_s) if age_s < LATE_S else f"OLD {span_short(age_s)}"


def _row(cells: tuple[str, str, str, str], alert_width: int) -> str:
    site, reserve, alert, age = cells
    return f"{pad(site, WIDTHS[0])} {pad(reserve, WIDTHS[1])} {pad(alert, alert_width)} {cut(age, WIDTHS[2])}"


def _narrow(one: SiteLook, now_utc_s: float, columns: int) -> Iterator[str]:
    age = age_words(one, now_utc_s)
    yield f"{pad(clean(one.name), columns - len(age) - 1)} {age}"
    yield cut(f"  {reserve_words(one)}", columns)
    yield cut(f"  {alert_words(one)}", columns)


def _as_json(one: SiteLook, now_utc_s: float) -> dict[str, object]:
    return {
        "site": one.name,
        "soc_frac": one.soc_frac,
        "soc_sigma": one.soc_sigma,
        "half_mark": one.half_mark,
        "alerts": [{"alert": alert, "severity": severity} for alert, severity in one.alerts],
        "newest_age_s": None if one.newest_utc_s is None else max(0.0, now_utc_s - one.newest_utc_s),
    }
