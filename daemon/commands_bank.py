"""Options of the commands about the bank and the transmitter, and the call that each of them makes."""

import argparse
from pathlib import Path

from daemon.commands_past import store_of


def _add_place(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--store", type=Path, metavar="FILE", help="read this record, such as a copy of one")
    parser.add_argument("--timezone", metavar="NAME", help="show times in this zone, not in the site's")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="for programs")
    form.add_argument("--plain", action="store_true", help="no colour, ASCII only")


def add_bank(parser: argparse.ArgumentParser) -> None:
    """Options of `bank`."""
    _add_place(parser)


def bank(options: argparse.Namespace) -> int:
    """Run `bank`."""
    from daemon.bank_answers import AskedBank, run_bank

    return run_bank(store_of(options), AskedBank(None, options.timezone, _form(options), options.plain))


def add_airtime(parser: argparse.ArgumentParser) -> None:
    """Options of `airtime`."""
    parser.add_argument("--since", metavar="TIME", help="2d, 36h, or a local date and time (eight days are kept)")
    _add_place(parser)


def airtime(options: argparse.Namespace) -> int:
    """Run `airtime`."""
    from daemon.bank_answers import AskedBank, run_airtime

    return run_airtime(store_of(options), AskedBank(options.since, options.timezone, _form(options), options.plain))


def _form(options: argparse.Namespace) -> str:
    return "json" if options.json else "screen"
