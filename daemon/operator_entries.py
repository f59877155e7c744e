"""`note`, `ack`, `measured`, `changed`, `clock`, `reload`: what a person tells the running service, and its answer.

Only the service writes the record, so all of them need it running; `note --list` reads the record.
"""

import getpass
import os
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from daemon.commissioning.findings import KIND, read_finding
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import ConfigError, Mistake, ServiceError
from daemon.folders import Folders
from daemon.record import RecordReader, StoredEntry
from daemon.screens.lettering import clean, span
from shared.field_measurements import MEASUREMENTS

DONE, ANSWER_IS_NO, USAGE = 0, 1, 2
ANSWER_S = 15.0  # a commit on a slow card, a reload with many lines
ENTRIES_AT_ONCE = 200
MACHINE_ERROR_S = 5.0  # of this machine's clock when a person vouches for it


def own_name() -> str:
    """Who is asking: who became root, else the login name."""
    try:
        name = os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):  # no such user here, as in some containers
        name = f"user {os.getuid()}"
    return clean(name)[:40] or "somebody"


def tell_service(folders: Folders, message: Mapping[str, object]) -> dict[str, object]:
    """Ask the service; raises ServiceError with what to do when it is not there."""
    try:
        return ask(folders.runtime / SOCKET_NAME, message, ANSWER_S)
    except ServiceError as why:
        raise ServiceError(f"{why}\nnothing was written down or changed: only the running service writes") from why


def run_note(folders: Folders, text: Sequence[str], who: str | None, out: TextIO) -> int:
    """Write a sentence into the record."""
    words = " ".join(text)
    if not words.strip():
        print("halfmark note: say what is to be noted, or --list", file=sys.stderr)
        return USAGE
    answer = tell_service(folders, {"ask": "note", "who": who or own_name(), "text": words})
    return _told(answer, f"noted: {_text(answer, 'text')}", out)


def run_note_list(store: Path, out: TextIO) -> int:
    """Print what people wrote into a record, oldest first."""
    count = 0
    with RecordReader(store) as reader:
        after = 0
        while rows := reader.entries(after, ENTRIES_AT_ONCE):
            for row in rows:
                out.write(entry_line(row, reader.utc_of(row.boot, row.at_s)) + "\n")
            count += len(rows)
            after = rows[-1].id
    if not count:
        out.write("nobody wrote anything into this record yet\n")
    return DONE


def entry_line(row: StoredEntry, utc_s: float | None) -> str:
    """One entry as a line: when, who, which kind, what."""
    when = f"boot {row.boot} +{span(row.at_s)}" if utc_s is None else f"{datetime.fromtimestamp(utc_s, UTC):%F %H:%MZ}"
    finding = read_finding(row.text) if row.kind == KIND else None
    text = row.text if finding is None else f"{finding.step} {finding.outcome}: {finding.words}"
    return f"{when}  {clean(row.who)}  {clean(row.kind)}: {clean(text)}"


def run_measured(
    folders: Folders,
    what: str,
    value: str,
    *,
    error: str | None,
    temperature_c: float | None,
    text: str | None,
    who: str | None,
    out: TextIO,
) -> int:
    """Give the estimate what a person measured."""
    message = {
        "ask": "measured",
        "what": what,
        "value": amount(what, value, "the value"),
        "error": None if error is None else amount(what, error, "--error"),
        "bank_c": temperature_c,
        "text": text,
        "who": who or own_name(),
    }
    answer = tell_service(folders, message)
    return _told(answer, f"measured: {_text(answer, 'text')}\n{_estimates(answer)}", out)


def amount(what: str, text: str, name: str) -> float:
    """Read a value as a person writes it; a charge is in percent, with or without the sign.

    Raises: ConfigError: it is no number.
    """
    unit = MEASUREMENTS[what].unit
    bare = text.strip().removesuffix("%" if what == "soc" else unit).strip()
    try:
        number = float(bare)
    except ValueError:
        raise ConfigError.of("halfmark measured", f"{name} of {what} must be a number", value=text) from None
    return number / 100.0 if what == "soc" else number


def run_ack(folders: Folders, alert: str, text: str | None, who: str | None, out: TextIO) -> int:
    """Take a standing alert on, so that the others know that somebody does something about it."""
    answer = tell_service(folders, {"ask": "ack", "alert": alert, "text": text, "who": who or own_name()})
    words = f"{_text(answer, 'alert')} is acknowledged by {_text(answer, 'who')}; it stands until its cause is gone"
    return _told(answer, clean(words), out)


def run_changed(folders: Folders, part: str, text: str | None, who: str | None, out: TextIO) -> int:
    """Tell that a part was replaced, so that what was learned about it is forgotten."""
    answer = tell_service(folders, {"ask": "changed", "part": part, "text": text, "who": who or own_name()})
    learned = {
        "bank": "its charge, capacity and rest line are unknown again, and learned anew",
        "shunt": "its offset is unknown again, and learned anew",
        "panel": "nothing is learned about a panel, so nothing was forgotten; the change is in the record",
    }
    return _told(answer, f"changed: {_text(answer, 'text')}; {learned[part]}\n{_estimates(answer)}", out)


def run_clock(folders: Folders, time: str | None, error_s: float | None, who: str | None, out: TextIO) -> int:
    """Show how far the clock is trusted, or vouch for a time. The machine's own clock is never set."""
    message: dict[str, object] = {"ask": "clock"}
    if time is not None:
        utc_s = "now" if time == "now" else utc_of(time)
        error_s = MACHINE_ERROR_S if error_s is None and time == "now" else error_s
        message |= {"utc_s": utc_s, "error_s": error_s, "who": who or own_name()}
    answer = tell_service(folders, message)
    head = "" if time is None else f"taken: {_text(answer, 'text')}\n"
    return _told(answer, head + _clock(answer), out)


def utc_of(text: str) -> float:
    """Read a time with its zone, such as 2026-11-25T10:00Z, as seconds since 1970.

    Raises: ConfigError: it is no time, or says no zone.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        allowed = 'must be a time such as 2026-11-25T10:00Z, or "now"'
        raise ConfigError.of("halfmark clock", allowed, key="TIME", value=text) from None
    if moment.tzinfo is None:
        allowed = "must say its zone: Z for UTC, or such as +01:00"
        raise ConfigError.of("halfmark clock", allowed, key="TIME", value=text)
    return moment.timestamp()


def run_reload(folders: Folders, who: str | None, out: TextIO) -> int:
    """Let the service take its site file again."""
    answer = tell_service(folders, {"ask": "reload", "who": who or own_name()})
    mistakes = answer.get("mistakes")
    if isinstance(mistakes, list):
        from daemon.site_check import mistakes_text

        out.write(f"{clean(_text(answer, 'why'))}\n" + mistakes_text(ConfigError(_mistakes(mistakes))))
        return USAGE
    changes = answer.get("changes")
    rows = [clean(row) for row in changes if isinstance(row, str)] if isinstance(changes, list) else []
    return _told(answer, "\n".join(["the site file was taken", *(rows or ["nothing in it had changed"])]), out)


def _mistakes(rows: Sequence[object]) -> list[Mistake]:
    found = []
    for row in rows:
        if isinstance(row, Mapping):
            value = row.get("value")
            shown = value if isinstance(value, str) else None
            found.append(Mistake(_text(row, "file"), _text(row, "key"), shown, _text(row, "allowed")))
    return found


# -- words -------------------------------------------------------------------------------------


def _told(answer: Mapping[str, object], words: str, out: TextIO) -> int:
    if answer.get("ok") is not True:
        print(f"halfmark: refused: {clean(_text(answer, 'why'))}", file=sys.stderr)
        return ANSWER_IS_NO
    out.write(words.rstrip() + "\n")
    if answer.get("stored") is False:
        why = clean(_text(answer, "why_not_stored")) or "the disk is slow"
        out.write(f"NOT ON THE DISK YET ({why}): it is kept in memory and stored as soon as that is over\n")
    return DONE


def _estimates(answer: Mapping[str, object]) -> str:
    before, after = (part if isinstance(part, Mapping) else {} for part in (answer.get("before"), answer.get("after")))
    rows = []
    for label, key, sigma, factor, unit in (
        ("charge", "soc_frac", "soc_sigma", 100.0, "%"),
        ("capacity", "capacity_ah", "capacity_sigma_ah", 1.0, "Ah"),
        ("offset", "shunt_offset_a", "shunt_offset_sigma_a", 1000.0, "mA"),
    ):
        cells = []
        for part in (before, after):
            value, error = part.get(key), part.get(sigma)
            if isinstance(value, int | float) and isinstance(error, int | float):
                cells.append(f"{factor * value:.1f} +-{factor * error:.1f} {unit}")
        if len(cells) == 2 and cells[0] != cells[1]:
            rows.append(f"{label}: {cells[0]} before, {cells[1]} now")
    return "\n".join(rows)


def _clock(answer: Mapping[str, object]) -> str:
    utc_s, wall_s, error_s = (_number(answer, key) for key in ("utc_s", "wall_utc_s", "error_s"))
    rows = []
    if utc_s is None or error_s is None:
        rows.append("no clock is trusted: readings are kept in order, and dated once somebody vouches for a time")
    else:
        rows.append(f"trusted: {_utc(utc_s)} +-{span(error_s)}, by the {clean(_text(answer, 'source'))}")
    if wall_s is not None:
        apart = "" if utc_s is None else f", {span(abs(wall_s - utc_s))} {'ahead' if wall_s > utc_s else 'behind'}"
        rows.append(f"this machine's clock shows {_utc(wall_s)}{apart}")
    if utc_s is None:
        rows.append("if it is right: halfmark clock now; else: halfmark clock 2026-11-25T10:00Z")
    return "\n".join(rows)


def _utc(utc_s: float) -> str:
    try:
        return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (ValueError, OverflowError, OSError):
        return f"{utc_s:g} s since 1970"


def _text(row: Mapping[str, object], key: str) -> str:
    value = row.get(key)
    return value if isinstance(value, str) else ""


def _number(row: Mapping[str, object], key: str) -> float | None:
    value = row.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
