"""Options of the commands about the record as a whole, and the call that each of them makes."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.commands_past import add_past, store_of
from daemon.errors import ConfigError
from daemon.folders import Folders

if TYPE_CHECKING:
    from daemon.setting_aside import Mover


def _add_store(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--store", type=Path, metavar="FILE", help="this record, such as a copy or a backup of one")


def add_daybook(parser: argparse.ArgumentParser) -> None:
    """Options of `daybook`."""
    add_past(parser)
    parser.add_argument("--anew", action="store_true", help="work every day out again, also those that are stored")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="every column, as CSV")
    form.add_argument("--plain", action="store_true", help="no colour, ASCII only")


def daybook(options: argparse.Namespace) -> int:
    """Run `daybook`."""
    from daemon.daybook_table import AskedDaybook, run_daybook

    form = "csv" if options.csv else "screen"
    times = (options.since, options.until, options.timezone)
    return run_daybook(store_of(options), AskedDaybook(*times, form, options.plain, options.anew))


def add_backup(parser: argparse.ArgumentParser) -> None:
    """Options of `backup`."""
    parser.add_argument("out", type=Path, metavar="OUT", help="the file to make, or a folder to make one in")
    _add_store(parser)
    parser.add_argument("--site", type=Path, metavar="SITE", help="the site file; else the one the service runs with")


def backup(options: argparse.Namespace) -> int:
    """Run `backup`."""
    from daemon.backup import run_backup

    return run_backup(store_of(options), options.out, options.site)


def add_restore(parser: argparse.ArgumentParser) -> None:
    """Options of `restore`."""
    parser.add_argument("backup", type=Path, metavar="BACKUP", help="a file made by `halfmark backup`")
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--replace", action="store_true", help="move a record that is there aside")
    parser.add_argument(
        "--site", type=Path, metavar="OUT", help="write the site file there too, and its maps beside it"
    )


def restore(options: argparse.Namespace) -> int:
    """Run `restore`."""
    from daemon.restore import run_restore

    folder = Folders.find(state=options.state).state
    return run_restore(options.backup, folder, replace=options.replace, site_out=options.site)


def add_verify(parser: argparse.ArgumentParser) -> None:
    """Options of `verify`."""
    _add_store(parser)
    parser.add_argument("--wear", action="store_true", help="count what the record's disk is written meanwhile")
    parser.add_argument("--seconds", type=float, default=60.0, metavar="N", help="for how long (60)")
    parser.add_argument("--set-aside", action="store_true", help="move damaged rows out of the way; they are kept")
    parser.add_argument("--who", metavar="NAME", help="who has them moved; your login name if not given")
    parser.add_argument("--runtime", type=Path, metavar="DIR", help="folder of the sockets")


def verify(options: argparse.Namespace) -> int:
    """Run `verify`."""
    from daemon.verify import AskedVerify, run_verify

    mover = _mover(options) if options.set_aside else None
    return run_verify(store_of(options), AskedVerify(options.seconds if options.wear else None, mover))


def _mover(options: argparse.Namespace) -> "Mover":
    from daemon.operator_entries import own_name
    from daemon.setting_aside import Mover

    if options.store is not None:
        allowed = "is for the record the service keeps, so it goes with --state; a copy stays as it is"
        raise ConfigError.of("--set-aside", allowed, value=str(options.store))
    folders = Folders.find(state=options.state, runtime=options.runtime)
    return Mover(folders.state, folders.runtime, options.who or own_name())
