"""`halfmark verify --set-aside`: moves damaged rows of the record out of the way, never away.

The running service does it, between two commits; with the service down this command takes the record's lock and
does it itself. Either judges each row once more, and leaves an entry with who and what.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

from attrs import frozen

from daemon.clock import boot_id, elapsed_s, wall_utc_s
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import ServiceError, StoreBusy, StoreError, StoreReadOnly
from daemon.record import Batch, Damage, Entry, Record, files
from daemon.record.damage import names_of
from daemon.recorder import ROWS_AT_ONCE

ROWS_A_REQUEST = 40
ANSWER_S = 12.0

Places = Sequence[tuple[str, int]]


@frozen
class Mover:
    """Where the record is, where its service answers, and who asks."""

    state: Path
    runtime: Path
    who: str


def set_aside(mover: Mover, places: Places, progress: Callable[[int], None]) -> list[Damage]:
    """Move rows away that a sweep has found damaged.

    Args:
        mover: whose record.
        places: table and key of each.
        progress: told how many have been dealt with.
    Returns: what was moved; what is whole by now stays.
    Raises: StoreError, ServiceError: they can't be moved, or not all.
    """
    file = mover.state / files.RECORD_NAME
    try:
        lock = files.RecordLock(mover.state / files.LOCK_NAME, None)
    except StoreBusy as why:
        return _by_service(mover, places, progress, str(why))
    except StoreReadOnly:
        own = "this user may not write the record: start the service, or run this as the user it runs as"
        return _by_service(mover, places, progress, own)
    lock.release()
    if files.is_damaged(file):
        raise StoreError(f"{file} is damaged as a whole: the next start of the service sets all of it aside")
    return _by_hand(mover, places, progress)


def _by_service(mover: Mover, places: Places, progress: Callable[[int], None], why: str) -> list[Damage]:
    path = mover.runtime / SOCKET_NAME
    moved: list[Damage] = []
    for begin in range(0, len(places), ROWS_A_REQUEST):
        rows = [list(place) for place in places[begin : begin + ROWS_A_REQUEST]]
        message = {"ask": "set-aside", "who": mover.who, "folder": str(mover.state.absolute()), "rows": rows}
        try:
            answer = ask(path, message, ANSWER_S)
        except ServiceError as no_service:
            raise ServiceError(f"{no_service}\nnothing more was moved: {why}") from no_service
        if answer.get("ok") is not True:
            raise ServiceError(str(answer.get("why") or "the service says no, and not why"))
        found = answer.get("moved")
        moved += [Damage(*row) for row in found if isinstance(row, list)] if isinstance(found, list) else []
        progress(min(len(places), begin + ROWS_A_REQUEST))
    return moved


def _by_hand(mover: Mover, places: Places, progress: Callable[[int], None]) -> list[Damage]:
    now_s = elapsed_s()
    record = Record.open(mover.state, boot_id=boot_id(), elapsed_s=now_s, wall_utc_s=wall_utc_s())
    try:
        moved: list[Damage] = []
        for begin in range(0, len(places), ROWS_AT_ONCE):
            moved += record.set_aside_damaged(places[begin : begin + ROWS_AT_ONCE])
            progress(min(len(places), begin + ROWS_AT_ONCE))
        if moved:
            text = f"{len(moved)} damaged rows of the record: {names_of(moved)}"
            record.commit(Batch(entries=[Entry(now_s, mover.who, "set-aside", text)], until_s=now_s))
    finally:
        record.close()
    return moved
