"""Options of the commands by which people tell the service something, and the call that each of them makes."""

import argparse
import sys
from pathlib import Path

from daemon.commands_past import store_of
from daemon.folders import SITE_FILE, Folders

MEASURED = ("soc", "rest-voltage", "gravity", "capacity")  # the rows of shared.field_measurements, not loaded for it


def folders_of(options: argparse.Namespace) -> Folders:
    """The folders that are meant."""
    return Folders.find(state=options.state, runtime=options.runtime, secrets=getattr(options, "secrets", None))


def add_ack(parser: argparse.ArgumentParser) -> None:
    """Options of `ack`."""
    parser.add_argument("alert", metavar="ALERT", help="as `status` or `alerts` names it")
    parser.add_argument("--note", metavar="TEXT", help="what you are going to do about it")
    add_who(parser)


def ack(options: argparse.Namespace) -> int:
    """Run `ack`."""
    from daemon.operator_entries import run_ack

    return run_ack(folders_of(options), options.alert, options.note, options.who, sys.stdout)


def add_who(parser: argparse.ArgumentParser) -> None:
    """Options of every one of these commands."""
    parser.add_argument("--who", metavar="NAME", help="who says so; your login name if not given")
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--runtime", type=Path, metavar="DIR", help="folder of the sockets")


def add_note(parser: argparse.ArgumentParser) -> None:
    """Options of `note`."""
    parser.add_argument("text", nargs="*", metavar="TEXT", help="what is to be kept")
    parser.add_argument("--list", action="store_true", help="show everything people wrote into the record")
    parser.add_argument("--store", type=Path, metavar="FILE", help="with --list: read this record")
    add_who(parser)


def note(options: argparse.Namespace) -> int:
    """Run `note`."""
    from daemon.operator_entries import run_note, run_note_list

    if options.list:
        return run_note_list(store_of(options), sys.stdout)
    return run_note(folders_of(options), options.text, options.who, sys.stdout)


def add_measured(parser: argparse.ArgumentParser) -> None:
    """Options of `measured`."""
    parser.add_argument("what", choices=MEASURED, help="what was measured")
    parser.add_argument("value", metavar="VALUE", help="80%%, 12.63 (V), 1.245, 21.5 (Ah)")
    parser.add_argument("--error", metavar="E", help="its standard error, in the same unit")
    parser.add_argument("--temperature", type=float, metavar="C", help="of the bank or its acid, in C")
    parser.add_argument("--note", metavar="TEXT", help="how it was measured")
    add_who(parser)
    parser.epilog = (
        "rest-voltage: at the bank's own posts, after 4 h or more with nothing connected. gravity: open banks only; "
        "goggles and gloves, sparks and flames away. capacity: from full down to the end voltage, at the 20 h rate."
    )


def measured(options: argparse.Namespace) -> int:
    """Run `measured`."""
    from daemon.operator_entries import run_measured

    return run_measured(
        folders_of(options),
        options.what,
        options.value,
        error=options.error,
        temperature_c=options.temperature,
        text=options.note,
        who=options.who,
        out=sys.stdout,
    )


def add_changed(parser: argparse.ArgumentParser) -> None:
    """Options of `changed`."""
    parser.add_argument("part", choices=("bank", "panel", "shunt"), help="what was replaced")
    parser.add_argument("--note", metavar="TEXT", help="by what, and why")
    add_who(parser)


def changed(options: argparse.Namespace) -> int:
    """Run `changed`."""
    from daemon.operator_entries import run_changed

    return run_changed(folders_of(options), options.part, options.note, options.who, sys.stdout)


def add_clock(parser: argparse.ArgumentParser) -> None:
    """Options of `clock`."""
    parser.add_argument("time", nargs="?", metavar="TIME", help='2026-11-25T10:00Z, or "now": this machine is right')
    parser.add_argument("--error", type=float, metavar="S", help="how far off that may be, s")
    add_who(parser)


def clock(options: argparse.Namespace) -> int:
    """Run `clock`."""
    from daemon.operator_entries import run_clock

    return run_clock(folders_of(options), options.time, options.error, options.who, sys.stdout)


def reload(options: argparse.Namespace) -> int:
    """Run `reload`."""
    from daemon.operator_entries import run_reload

    return run_reload(folders_of(options), options.who, sys.stdout)


def add_commission(parser: argparse.ArgumentParser) -> None:
    """Options of `commission`."""
    parser.add_argument("site", nargs="?", type=Path, default=SITE_FILE, metavar="SITE", help="the site file")
    parser.add_argument("--sheet", action="store_true", help="print the sheet of the last one, and do nothing else")
    parser.add_argument("--again", action="store_true", help="begin a new one")
    parser.add_argument("--store", type=Path, metavar="FILE", help="with --sheet: read this record")
    parser.add_argument("--secrets", type=Path, metavar="DIR", help="folder of the secrets, one file each")
    add_who(parser)


def commission(options: argparse.Namespace) -> int:
    """Run `commission`."""
    from daemon.commissioning.conversation import is_interactive, run_commission, run_sheet

    if options.sheet:
        return run_sheet(options.site, store_of(options), sys.stdout)
    if not is_interactive():
        print("halfmark commission: needs somebody who types; its sheet does not: --sheet", file=sys.stderr)
        return 2
    return run_commission(options.site, folders_of(options), who=options.who, again=options.again, out=sys.stdout)
