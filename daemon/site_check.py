"""`halfmark check`: is this site file right, and what was it understood to say."""

import importlib.util
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from daemon.configuration import load_maps, load_site
from daemon.errors import ConfigError, Mistake, SecretAbsent, SecretOutOfReach
from daemon.map_doubts import map_doubts
from daemon.secret_files import read_secret
from daemon.site_summary import COLUMNS, drivers_known, summary
from shared.site import Site

RIGHT, WRONG = 0, 2  # exit codes


def run_check(path: Path, *, secrets_folder: Path, out: TextIO) -> int:
    """Check one site file and write what it says, or every mistake in it.

    Args:
        path: the site file.
        secrets_folder: where the secrets lie that it names.
        out: where to write.
    Returns: the exit code, 0 right or 2 with mistakes.
    """
    try:
        site = load_site(path)
    except ConfigError as why:
        out.write(mistakes_text(why))
        return WRONG
    told, wrong = _secrets(site, secrets_folder)
    if wrong:
        out.write(mistakes_text(ConfigError(wrong)))
        return WRONG
    out.write(check_text(site, told, tuple(map_doubts(site, load_maps(site)))))
    return RIGHT


def check_text(site: Site, told: tuple[str, ...] = (), doubts: tuple[str, ...] = ()) -> str:
    """Write what a right site file says.

    Args:
        site: the site.
        told: more to say about the world around the file, such as a secret that is not there yet.
        doubts: what its maps leave open.
    """
    head = _wrapped(f"{site.source}: right.")
    text = "\n".join(head) + "\n\n" + summary(site, doubts)
    notes = [*told, *_ports(site), *_packages(site)]
    if notes:
        text += "\nOn this computer, now\n" + "\n".join(row for note in notes for row in _wrapped(note, "- ")) + "\n"
    return text


def mistakes_text(error: ConfigError) -> str:
    """Write every mistake, numbered, each with file, key, value and what is allowed."""
    count = len(error.mistakes)
    head = f"{count} mistake{'s' if count != 1 else ''}; all are told at once, nothing was started or changed."
    rows = _wrapped(head)
    file = None
    for number, mistake in enumerate(error.mistakes, 1):
        if mistake.file != file:
            file = mistake.file
            rows += ["", *_wrapped(f"in {file}")]
        rows += _mistake(number, mistake)
    if any(mistake.key.endswith(".driver") for mistake in error.mistakes):
        rows += ["", *_wrapped(f"Drivers there are: {drivers_known()}.")]
    return "\n".join(rows) + "\n"


def _mistake(number: int, mistake: Mistake) -> Iterator[str]:
    """The file is said once above; here are key, value and what is allowed."""
    bare = Mistake("", mistake.key, mistake.value, mistake.allowed)
    text = str(bare).removeprefix(": ")
    yield from textwrap.wrap(
        text,
        COLUMNS,
        initial_indent=f"{number:3d}. ",
        subsequent_indent="     ",
        break_on_hyphens=False,
    )


def _secrets(site: Site, folder: Path) -> tuple[tuple[str, ...], list[Mistake]]:
    """Try each secret the site names: what to tell of it, and what is wrong."""
    told: list[str] = []
    wrong: list[Mistake] = []
    for name in _secret_names(site):
        try:
            read_secret(folder, name)
            told.append(f"Secret {name}: there, and closed to others.")
        except SecretAbsent:
            told.append(f"Secret {name}: not there yet; put it into {folder / name}, on one line, mode 0600.")
        except SecretOutOfReach:
            told.append(f"Secret {name}: can't be judged by this user; run the check as the service's user.")
        except ConfigError as why:
            wrong += why.mistakes
    return tuple(told), wrong


def _secret_names(site: Site) -> tuple[str, ...]:
    names = [way.secret for way in site.ways_out.values()]
    if site.central is not None:
        names.append(site.central.secret)
    if site.mqtt is not None:
        names.append(site.mqtt.secret)
    return tuple(dict.fromkeys(name for name in names if name is not None))


def _ports(site: Site) -> Iterator[str]:
    for line in site.lines.values():
        if line.port is not None and not Path(line.port).exists():
            yield f"Line {line.name}: nothing is plugged in as {line.port}."


def _packages(site: Site) -> Iterator[str]:
    if site.mqtt is not None and importlib.util.find_spec("paho") is None:
        yield "MQTT: needs paho-mqtt, which is not installed here: pip install 'halfmark[mqtt]'."


def _wrapped(text: str, first: str = "") -> list[str]:
    printable = "".join(c if c.isprintable() else "?" for c in text)
    return textwrap.wrap(
        printable, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False
    )
