"""`halfmark verify`: is everything in the record as it was written; with --wear: what is its disk really written.

Reads only, in short questions, beside the running service or without it; with --set-aside damaged rows are moved
out of the way afterwards, see setting_aside.py. Also told: records that were
set aside, rows that were, and a log that grew because somebody holds it.
"""

import sys
import time
from pathlib import Path
from typing import TextIO

from attrs import frozen

from daemon.clock import elapsed_s
from daemon.damage_words import FILE_WAY_OUT, stretch_words, stretches
from daemon.errors import StoreError
from daemon.progress import Progress
from daemon.record import RecordReader, Swept
from daemon.record.files import RECORD_NAME
from daemon.record.room import LOG_MUCH_BYTES
from daemon.record.wear import Wear, count, wear
from daemon.screens.lettering import span
from daemon.setting_aside import Mover, set_aside
from daemon.timeline import zone_of

WEAR_S = 60.0
WEAR_LEAST_S = 0.2
SHOWN_MOST = 20
THOUSAND = 1000


@frozen
class AskedVerify:
    """What is to be looked at; `wear_s` None leaves the disk's counters alone, `mover` None every row in its place."""

    wear_s: float | None = None
    mover: Mover | None = None


def run_verify(
    store: Path, asked: AskedVerify | None = None, *, out: TextIO | None = None, err: TextIO | None = None
) -> int:
    """Look a record over.

    Args:
        store: the record, a file or its folder.
        asked: what else to look at.
        out, err: where words and progress go; None is standard output and error.
    Returns: 0 whole, 1 damaged.
    Raises: StoreError: it can't be read at all, or its disk counts nothing; with a mover as `set_aside` does.
    """
    asked, out, err = asked or AskedVerify(), out or sys.stdout, err or sys.stderr
    with RecordReader(store) as reader:
        pages = reader.check_pages()
        swept = _sweep(reader, err)
        size = reader.size()
        log = f", log {size.log_bytes / 1e6:.1f} MB" if size.log_bytes else ""
        out.write(f"{reader.file}: layout {reader.layout}, {size.file_bytes / 1e6:.1f} MB{log}, {swept.rows} rows\n")
        for line in [*_findings(reader, swept, pages), *_remarks(reader, swept, size.log_bytes)]:
            out.write(line + "\n")
        whole = swept.is_whole and not pages
        if swept.bad and asked.mover is not None:
            whole = _set_aside(reader, asked.mover, swept, out, err) and not pages
            if pages:
                out.write(f"{FILE_WAY_OUT}\n")
        elif whole:
            out.write("every row is as it was written\n")
        else:
            out.write("DAMAGED; nothing was changed, a backup may be whole\n")
            out.write("".join(f"{words}\n" for words in _ways_out(swept, pages)))
        file = reader.file
    if asked.wear_s is not None:
        out.write(wear_words(_wear(file, asked.wear_s, err)) + "\n")
    return 0 if whole else 1


def _sweep(reader: RecordReader, err: TextIO) -> Swept:
    with Progress("verify", THOUSAND, err) as progress:
        swept = reader.sweep(lambda done, of: progress.at(THOUSAND * done // max(1, of)))
        progress.at(THOUSAND)
    return swept


def _set_aside(reader: RecordReader, mover: Mover, swept: Swept, out: TextIO, err: TextIO) -> bool:
    """Have the damaged rows moved away and say what was; whether nothing damaged is left."""
    with Progress("set aside", len(swept.bad), err) as progress:
        moved = set_aside(mover, swept.bad, progress.at)
    zone = zone_of(reader)
    for one in stretches(moved)[:SHOWN_MOST]:
        out.write(f"set aside: {stretch_words(one, reader, zone)}\n")
    left = reader.sweep()
    out.write(f"{len(moved)} rows set aside: they are kept in the record, and left out of everything\n")
    if not left.is_whole:
        out.write(f"DAMAGED still, {len(left.bad)} rows: run it again; new damage means a card that is failing\n")
    return left.is_whole


def _ways_out(swept: Swept, pages: list[str]) -> list[str]:
    found = ["`halfmark verify --set-aside` moves the rows away, and ends the alert"] if swept.bad else []
    if pages or swept.unread:
        found.append(FILE_WAY_OUT)
    return found


def _findings(reader: RecordReader, swept: Swept, pages: list[str]) -> list[str]:
    """What is wrong, in sentences."""
    zone = zone_of(reader)

    def words(table: str, key: int) -> str:
        (one,) = stretches([reader.damage_at(table, key)])
        return stretch_words(one, reader, zone)

    rows = [
        f"damaged: {words(table, key)}: row {key} of {table} does not fit its checksum"
        for table, key in swept.damaged[: SHOWN_MOST + 1]
    ]
    rows += [
        f"lost: {words(table, key.packed())}: row {key.packed()} of {table}, which its instrument's polls tell of"
        for table, key in swept.lost[: SHOWN_MOST + 1]
    ]
    rows += [
        f"left alone: {words(table, key.packed())}: row {key.packed()} of {table}, without the polls it is of"
        for table, key in swept.orphans[: SHOWN_MOST + 1]
    ]
    rows += [f"pages: {words}" for words in pages]
    rows += [f"unread: rows of {table} from key {key} on, the file can't be read there" for table, key in swept.unread]
    count = len(swept.bad) + len(swept.unread) + len(pages)
    if count > SHOWN_MOST:
        rows = [*rows[:SHOWN_MOST], f"and {count - SHOWN_MOST} more"]
    return rows


def _remarks(reader: RecordReader, swept: Swept, log_bytes: int) -> list[str]:
    """What is no damage of this record but should be known."""
    zone = zone_of(reader)
    told = stretches(reader.set_aside())
    rows = [f"set aside earlier, damaged: {stretch_words(one, reader, zone)}" for one in told[-SHOWN_MOST:]]
    if swept.aside:
        rows.append(f"{swept.aside} damaged rows were set aside earlier: they are kept, and left out of everything")
    aside = sorted(path.name for path in reader.file.parent.glob(f"{RECORD_NAME}.*-*") if _is_whole_name(path))
    if aside:
        rows.append(f"set aside beside it: {', '.join(aside[:SHOWN_MOST])}; read one with --store")
    if reader.log_left_out:
        rows.append("its log could not be read: the newest readings were not looked at")
    if log_bytes > LOG_MUCH_BYTES:
        rows.append("its log has grown much: some program keeps a look at the record open (the service's log says who)")
    return rows


def _is_whole_name(path: Path) -> bool:
    return path.is_file() and not path.name.endswith(("-wal", "-shm", "-journal"))


# -- wear --------------------------------------------------------------------------------------


def _wear(file: Path, over_s: float, err: TextIO) -> Wear:
    """Compare the disk's counters now and a while later."""
    over_s = max(WEAR_LEAST_S, over_s)
    began = count(file, elapsed_s())
    with Progress(f"counting for {span(over_s)}", THOUSAND, err) as progress:
        until_s = began.at_s + over_s
        while (left_s := until_s - elapsed_s()) > 0.0:
            progress.at(round(THOUSAND * (1.0 - left_s / over_s)))
            time.sleep(min(left_s, 1.0))
        progress.at(THOUSAND)
    try:
        return wear(began, count(file, elapsed_s()))
    except ValueError as why:
        raise StoreError(f"the disk under {file} is another one now: {why}") from why


def wear_words(found: Wear) -> str:
    """Say what was written, and what that is in a day."""
    flushes = "flushes not counted by the kernel"
    if found.flushes is not None and found.flushes_a_day is not None:
        flushes = f"{found.flushes} flushes (at this rate {found.flushes_a_day:,.0f} a day)"
    return (
        f"disk {found.device}, all that writes there, over {span(found.span_s)}: {found.written_bytes / 1e6:.2f} MB "
        f"(at this rate {found.written_a_day_bytes / 1e6:,.0f} MB a day), {flushes}"
    )
