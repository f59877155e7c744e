"""Options of the commands that read the record and ask nobody, and the call that each of them makes."""

import argparse
from pathlib import Path

from daemon.folders import Folders


def store_of(options: argparse.Namespace) -> Path:
    """The record that is meant: as named, a backup too, else the one of the folders."""
    return named_store(options) or Folders.find(state=options.state).state


def named_store(options: argparse.Namespace) -> Path | None:
    """The record named with --store, None when none is; one in a backup is unpacked as long as the command runs."""
    if options.store is None:
        return None
    from daemon.store_choice import readable

    return readable(options.store)


def add_past(parser: argparse.ArgumentParser, *, since: str | None = None) -> None:
    """Options of every one of these commands."""
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--store", type=Path, metavar="FILE", help="read this record: a copy or a backup")
    whole = "" if since is None else f" ({since})"
    parser.add_argument("--since", default=since, metavar="TIME", help=f"2d, 36h, or a local date and time{whole}")
    parser.add_argument("--until", metavar="TIME", help="the same; up to the newest reading if not given")
    parser.add_argument("--timezone", metavar="NAME", help="show and read times in this zone, not in the site's")


def add_history(parser: argparse.ArgumentParser) -> None:
    """Options of `history`."""
    parser.add_argument("quantities", nargs="+", metavar="QUANTITY", help="bank_v, soc_frac, ... or shunt:bank_v")
    add_past(parser, since="1d")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="the table as CSV")
    form.add_argument("--json", action="store_true", help="the table as JSON")
    form.add_argument("--plain", action="store_true", help="no colour, ASCII only")


def history(options: argparse.Namespace) -> int:
    """Run `history`."""
    from daemon.history import Asked, run_history

    form = "csv" if options.csv else "json" if options.json else "screen"
    times = (options.since, options.until, options.timezone)
    return run_history(store_of(options), Asked(tuple(options.quantities), *times, form, options.plain))


def add_alerts(parser: argparse.ArgumentParser) -> None:
    """Options of `alerts`."""
    add_past(parser)
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="for programs")
    form.add_argument("--plain", action="store_true", help="no colour, ASCII only")


def alerts(options: argparse.Namespace) -> int:
    """Run `alerts`."""
    from daemon.alert_log import AskedAlerts, run_alerts

    form = "json" if options.json else "screen"
    times = (options.since, options.until, options.timezone)
    return run_alerts(store_of(options), AskedAlerts(*times, form, options.plain))


def add_export(parser: argparse.ArgumentParser) -> None:
    """Options of `export`."""
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="continued where it ends, if it is there"
    )
    parser.add_argument("--format", choices=("csv", "lines"), default="csv", help="one value a line, or line protocol")
    add_past(parser)


def export(options: argparse.Namespace) -> int:
    """Run `export`."""
    from daemon.export import AskedExport, run_export

    times = (options.since, options.until, options.timezone)
    return run_export(store_of(options), AskedExport(options.out, options.format, *times))


def add_replay(parser: argparse.ArgumentParser) -> None:
    """Options of `replay`."""
    parser.add_argument("--site", type=Path, required=True, metavar="SITE.toml", help="[site] and [bank] are enough")
    parser.add_argument("--readings", type=Path, required=True, metavar="FILE.csv[.gz]", help="one line a time")
    parser.add_argument("--estimates", type=Path, required=True, metavar="OUT.csv", help="charge at each line")
    parser.add_argument("--events", type=Path, required=True, metavar="OUT.jsonl", help="alerts raised and cleared")
    parser.add_argument("--ahead", type=Path, metavar="OUT.csv", help="the reserve to come, each hour for 72 h")
    parser.add_argument("--rules", type=Path, metavar="RULES.toml", help="[alert.RULE] tables to try on these readings")
    parser.add_argument("--compare", action="store_true", help="print what they change, alert by alert; with --rules")
    parser.add_argument("--start-soc", type=float, metavar="X", help="charge at the first line, 0 to 1, if known")


def replay(options: argparse.Namespace) -> int:
    """Run `replay`."""
    from daemon.replay import ReplayFiles, run_replay

    written = (options.estimates, options.events, options.ahead)
    files = ReplayFiles(options.site, options.readings, *written, options.rules)
    return run_replay(files, start_soc=options.start_soc, compare=options.compare)
