"""The command line: `halfmark COMMAND`. Start every tour of the code here, at `main`.

Each command imports what it needs when it is chosen, so that a quick look stays quick.
"""

import argparse
import logging
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import commands_bank as bank
from daemon import commands_looks as looks
from daemon import commands_past as past
from daemon import commands_people as people
from daemon import commands_record as record
from daemon.errors import ConfigError, HalfmarkError
from daemon.folders import SITE_FILE, Folders

if TYPE_CHECKING:  # a quick look does without it
    from shared.site import Site

DONE, ANSWER_IS_NO, USAGE, UNREACHABLE = 0, 1, 2, 3

CAUTION = (
    "halfmark watches and warns. It never replaces a fuse, a low-voltage disconnect or a protection "
    "circuit; local codes, makers' sheets and licensed practice come first."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 1 the answer is no, 2 usage, 3 out of reach."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except ConfigError as why:
        print(f"halfmark: {why}", file=sys.stderr)
        return USAGE
    except HalfmarkError as why:
        print(f"halfmark: {why}", file=sys.stderr)
        return UNREACHABLE
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output has gone; nothing is left to tell
        return DONE
    except KeyboardInterrupt:
        return ANSWER_IS_NO


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="halfmark", description=f"Watches a remote solar repeater site. {CAUTION}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for name, words, add, command in _COMMANDS:
        sub = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        add(sub)
        sub.set_defaults(command=command)
    return parser


# -- options that several commands share -------------------------------------------------------


def _add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", nargs="?", type=Path, default=SITE_FILE, metavar="SITE", help="the site file")


def _add_folders(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, metavar="DIR", help="folder of the record")
    parser.add_argument("--runtime", type=Path, metavar="DIR", help="folder of the sockets")


def _add_secrets(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--secrets", type=Path, metavar="DIR", help="folder of the secrets, one file each")


def _folders(options: argparse.Namespace) -> Folders:
    return Folders.find(
        state=getattr(options, "state", None),
        runtime=getattr(options, "runtime", None),
        secrets=getattr(options, "secrets", None),
        sending=getattr(options, "sending", None),
    )


def _add_parent(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--end-with", type=int, metavar="PID", help="end when this process, which started it, has gone")


def _end_with_parent(options: argparse.Namespace) -> None:
    if options.end_with is not None:
        from daemon.parent_watch import end_with

        end_with(options.end_with)


def _log_to_stderr(level: int = logging.INFO) -> None:
    logging.basicConfig(level=level, stream=sys.stderr, format="%(levelname).1s %(name)s: %(message)s")


# -- the commands ------------------------------------------------------------------------------


def _add_run(parser: argparse.ArgumentParser) -> None:
    _add_site(parser)
    _add_folders(parser)
    _add_secrets(parser)
    parser.add_argument("--no-send", action="store_true", help="another unit runs `send`; start no child for it")
    parser.add_argument("--group", metavar="NAME", help="group that may read the record and reach the socket")
    _add_parent(parser)


def _run(options: argparse.Namespace) -> int:
    from daemon.no_tls import leave_tls_out

    leave_tls_out()
    from daemon.configuration import load_maps, load_site
    from daemon.service import ServiceOptions, run_service

    _log_to_stderr()
    _end_with_parent(options)
    site = load_site(options.site)
    how = ServiceOptions(options.site, _folders(options), send_child=not options.no_send, group=options.group)
    return run_service(site, load_maps(site), how)


def _add_send(parser: argparse.ArgumentParser) -> None:
    _add_site(parser)
    _add_folders(parser)
    _add_secrets(parser)
    parser.add_argument("--sending", type=Path, metavar="DIR", help="folder of the receipts")
    parser.add_argument("--once", action="store_true", help="try everything that waits once, then end")
    _add_parent(parser)


def _send(options: argparse.Namespace) -> int:
    from daemon.configuration import load_site
    from daemon.sending import run_send
    from daemon.sending.hang_up import send_and_reload

    _log_to_stderr()
    _end_with_parent(options)
    folders = _folders(options)

    def run(site: "Site") -> int:
        return run_send(
            site,
            state_folder=folders.state,
            send_folder=folders.sending,
            runtime_folder=folders.runtime,
            secrets_folder=folders.secrets,
            once=options.once,
        )

    return send_and_reload(lambda: load_site(options.site), run)


def _add_check(parser: argparse.ArgumentParser) -> None:
    _add_site(parser)
    _add_secrets(parser)
    _add_folders(parser)
    parser.add_argument(
        "--live", action="store_true", help="look at the site now: does all answer, do the currents close"
    )
    parser.add_argument(
        "--drop-in", type=Path, metavar="DIR", help="write what the installed units need for this site's devices"
    )


def _check(options: argparse.Namespace) -> int:
    from daemon.site_check import run_check

    if options.live:
        from daemon.live_check import person_at_terminal, run_live_check

        runtime = _folders(options).runtime
        return run_live_check(options.site, runtime=runtime, out=sys.stdout, ask_person=person_at_terminal())
    code = run_check(options.site, secrets_folder=_folders(options).secrets, out=sys.stdout)
    if code == DONE and options.drop_in is not None:
        from daemon.configuration import load_site
        from daemon.unit_dropins import write_drop_ins

        write_drop_ins(load_site(options.site), options.drop_in)
    return code


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seconds", type=float, metavar="N", help="end after N seconds of the live part")
    parser.add_argument("--state", type=Path, metavar="DIR", help="the demo's own folder, made anew each time")
    parser.add_argument("--seed", type=int, help="another number, another invented month")
    parser.add_argument("--days", type=int, help="days of the invented past (30)")


def _demo(options: argparse.Namespace) -> int:
    from daemon.demo import run_demo

    chosen = {name: getattr(options, name) for name in ("seed", "days") if getattr(options, name) is not None}
    return run_demo(seconds=options.seconds, folder=options.state, **chosen)


def _add_try_way_out(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("names", nargs="*", metavar="NAME", help="the NAME of a [way-out.NAME]")
    parser.add_argument("--all", action="store_true", help="every way out of the site")
    parser.add_argument("--site", type=Path, default=SITE_FILE, metavar="SITE", help="the site file")
    _add_secrets(parser)


def _try_way_out(options: argparse.Namespace) -> int:
    from daemon.configuration import load_site
    from daemon.secret_files import read_secret
    from daemon.sending.try_ways import run_try

    _log_to_stderr()
    secrets = _folders(options).secrets
    site = load_site(options.site)
    return run_try(
        site, options.names, every=options.all, secret=lambda name: read_secret(secrets, name), out=sys.stdout
    )


def _add_sites(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "site", nargs="?", type=Path, default=SITE_FILE, metavar="FILE", help="a site file, or one with [central] alone"
    )
    _add_secrets(parser)
    parser.add_argument("--secret", metavar="NAME", help="secret with a token that may read; else the one in [central]")
    parser.add_argument(
        "--via", choices=("flux", "metrics"), default="flux", help="how to ask: metrics for a server without Flux"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="for programs")
    form.add_argument("--plain", action="store_true", help="ASCII only")


def _sites(options: argparse.Namespace) -> int:
    from daemon.screens.sites_table import run_sites

    form = next((name for name in ("json", "plain") if getattr(options, name)), "full")
    secrets = _folders(options).secrets
    return run_sites(options.site, secrets=secrets, secret=options.secret, via=options.via, form=form, out=sys.stdout)


_COMMANDS: tuple[
    tuple[str, str, Callable[[argparse.ArgumentParser], None], Callable[[argparse.Namespace], int]], ...
] = (
    ("run", "the service: poll, estimate, record, warn", _add_run, _run),
    ("send", "carry notices off the hill", _add_send, _send),
    ("check", "is this site file right, and what does it say", _add_check, _check),
    ("status", "one look at the site", looks.add_status, looks.status),
    ("watch", "the site on this terminal until you leave", looks.add_watch, looks.watch),
    ("history", "quantities over time, as curve and table", past.add_history, past.history),
    ("daybook", "one row a day: charge in and out, heat, time blind and why", record.add_daybook, record.daybook),
    ("alerts", "alerts that stand or stood, how long, and who took them on", past.add_alerts, past.alerts),
    ("bank", "how much of the bank is left, what wears it, when it was last full", bank.add_bank, bank.bank),
    ("airtime", "what the transmitter did, by the hour and by the day", bank.add_airtime, bank.airtime),
    ("ack", "take a standing alert on, so that the others know", people.add_ack, people.ack),
    ("export", "readings as CSV or line protocol, going on where a file ends", past.add_export, past.export),
    ("backup", "the record and the site file in one file, the service may run", record.add_backup, record.backup),
    ("restore", "put the record of a backup in place, and nothing else", record.add_restore, record.restore),
    ("verify", "is everything in the record as it was written", record.add_verify, record.verify),
    ("replay", "a file of readings through the same estimate and rules", past.add_replay, past.replay),
    ("sites", "all sites of the group, from its central store", _add_sites, _sites),
    ("try-way-out", "send a test notice by a way out, now", _add_try_way_out, _try_way_out),
    ("note", "write a sentence into the record, or list them", people.add_note, people.note),
    ("measured", "give the estimate what you measured at the bank", people.add_measured, people.measured),
    ("changed", "a part was replaced: forget what was learned about it", people.add_changed, people.changed),
    ("clock", "how far the time is trusted; vouch for one", people.add_clock, people.clock),
    ("reload", "let the service take its site file again", people.add_who, people.reload),
    ("commission", "first setting-up, guided, step by step", people.add_commission, people.commission),
    ("demo", "an invented site: thirty days of its past, then live", _add_demo, _demo),
)


if __name__ == "__main__":
    sys.exit(main())
