"""Options of the commands that show the site as it is now, and the call that each of them makes."""

import argparse
import sys
from pathlib import Path

from daemon.commands_past import named_store
from daemon.commands_people import folders_of


def _add_places(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--runtime", type=Path, metavar="DIR", help="folder of the sockets")
    parser.add_argument("--store", type=Path, metavar="FILE", help="answer from this record, not from the service")


def add_status(parser: argparse.ArgumentParser) -> None:
    """Options of `status`."""
    _add_places(parser)
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="the whole picture, for programs")
    form.add_argument("--plain", action="store_true", help="no colour, ASCII only")
    form.add_argument("--line", action="store_true", help="one line that fits one SMS")
    parser.add_argument("--exit-code", action="store_true", help="end with 1 when an alert stands")
    parser.add_argument("--if-traffic", metavar="4x", help="how long would it last with so much of the usual traffic")
    parser.add_argument("--until", metavar="22:00", help="with --if-traffic: until then, or for a length such as 6h")


def status(options: argparse.Namespace) -> int:
    """Run `status`."""
    if options.if_traffic is not None:
        from daemon.what_if import run_what_if

        return run_what_if(folders_of(options), options.if_traffic, options.until, sys.stdout)
    from daemon.screens.status import run_status

    form = next((name for name in ("json", "plain", "line") if getattr(options, name)), "full")
    return run_status(folders_of(options), form=form, store=named_store(options), exit_code=options.exit_code)


def add_watch(parser: argparse.ArgumentParser) -> None:
    """Options of `watch`."""
    _add_places(parser)
    parser.add_argument("--every", type=float, default=2.0, metavar="S", help="seconds between two looks (2)")
    parser.add_argument("--plain", action="store_true", help="no colour, ASCII only")


def watch(options: argparse.Namespace) -> int:
    """Run `watch`."""
    from daemon.screens.watch import run_watch

    return run_watch(folders_of(options), store=named_store(options), every_s=options.every, plain=options.plain)
