"""`halfmark bank` and `halfmark airtime`: what the service has learned, out of the record."""

import json
import sys
from pathlib import Path
from typing import TextIO

from attrs import frozen

from daemon.kept_station import KeptStation, kept_station
from daemon.screens.airtime_screen import airtime_screen
from daemon.screens.bank_screen import bank_screen
from daemon.screens.terminal import Terminal
from shared.airtime_hours import as_row, by_day, total

NO_AIRTIME = (
    "no keying can be seen at this site: that needs a load current, or the current in the bank's own lead, read each "
    "two seconds or more often (every_s in the site file)"
)


@frozen
class AskedBank:
    """How somebody wants to see it; `since` is for airtime alone."""

    since: str | None = None
    timezone: str | None = None
    form: str = "screen"
    plain: bool = False
    width: int | None = None


def run_bank(store: Path, asked: AskedBank, *, out: TextIO | None = None) -> int:
    """Show how the bank is.

    Args:
        store: the record, a file or its folder.
        asked: how.
        out: where to; None is the standard output.
    Returns: 0.
    Raises: StoreError: the record can't be read, or holds nothing of it yet.
    """
    out = out or sys.stdout
    kept = kept_station(store, timezone=asked.timezone)
    if asked.form == "json":
        _write_json({**_when(kept), **kept.health.report(kept.at_s)}, out)
        return 0
    terminal = Terminal.of(out, plain=asked.plain, width=asked.width)
    out.write("".join(f"{line}\n" for line in bank_screen(kept, terminal)))
    return 0


def run_airtime(store: Path, asked: AskedBank, *, out: TextIO | None = None, err: TextIO | None = None) -> int:
    """Show what the transmitter did.

    Args:
        store: the record, a file or its folder.
        asked: since when, and how.
        out, err: where to; None is standard output and error.
    Returns: 0 shown, 1 no keying can be seen at this site.
    Raises: StoreError: the record can't be read, or holds nothing of it yet; ConfigError: no such time.
    """
    out, err = out or sys.stdout, err or sys.stderr
    kept = kept_station(store, since=asked.since, timezone=asked.timezone)
    if kept.airtime is None:
        err.write(f"halfmark: {NO_AIRTIME}\n")
        return 1
    if asked.form == "json":
        _write_json({**_when(kept), **_airtime_rows(kept)}, out)
        return 0
    terminal = Terminal.of(out, plain=asked.plain, width=asked.width)
    out.write("".join(f"{line}\n" for line in airtime_screen(kept, kept.airtime, terminal)))
    return 0


def _when(kept: KeptStation) -> dict[str, object]:
    return {"site": kept.site, "at_s": kept.at_s, "utc_s": kept.utc_s}


def _airtime_rows(kept: KeptStation) -> dict[str, object]:
    """Hours and days as they are: seconds since boot, and since 1970 where that is known."""
    airtime = kept.airtime
    assert airtime is not None
    rows = [row for row in airtime.hours.rows if row.begin_s >= kept.since_s - 3600.0]
    midnight_s = kept.midnight_s if kept.midnight_s is not None else kept.at_s
    whole = total(rows)

    def dated(row: dict[str, float | None]) -> dict[str, float | None]:
        begin_s = row["begin_s"]
        utc_s = None if kept.utc_s is None or begin_s is None else kept.utc_s + begin_s - kept.at_s
        return {**row, "begin_utc_s": utc_s}

    return {
        "total": None if whole is None else dated(as_row(whole)),
        "days": [dated(as_row(row)) for row in by_day(rows, midnight_s)],
        "hours": [dated(as_row(row)) for row in rows],
        "learned": airtime.learned(),
    }


def _write_json(body: dict[str, object], out: TextIO) -> None:
    out.write(json.dumps(body, indent=1) + "\n")
