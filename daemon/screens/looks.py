"""Where a screen gets its picture: from the running service, else its last words from the record."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from time import time
from typing import TYPE_CHECKING

from daemon.clock import boot_id, elapsed_s
from daemon.control_client import ask
from daemon.control_messages import SOCKET_NAME
from daemon.errors import ServiceError, StoreError
from daemon.folders import Folders
from daemon.picture import STATE_NAME, Picture, read_picture
from daemon.screens.verdict import Told

if TYPE_CHECKING:  # a look at the running service does without the record
    from daemon.record import RecordReader


@dataclass(frozen=True, slots=True)
class Look:
    """A picture as it came, the same made complete for screens, and who told it."""

    raw: Mapping[str, object]
    picture: Picture
    told: Told


def take_look(folders: Folders, store: Path | None = None, *, limit_s: float = 5.0) -> Look:
    """Get the picture of the site.

    Args:
        folders: where socket and record are.
        store: read this record, a file or a folder, and ask nobody.
        limit_s: how long the service may take to answer, s.
    Raises: ServiceError: neither the service nor the record can tell anything; StoreError: `store` can't.
    """
    if store is not None:
        return _from_record(store, "a copy of the record, not the service", str(store))
    try:
        return _from_service(folders.runtime / SOCKET_NAME, limit_s)
    except ServiceError as no_service:
        state, _, detail = str(no_service).partition(": ")
        try:
            return _from_record(folders.state, state, detail)
        except StoreError as no_record:
            raise ServiceError(f"{no_service}\nand no last words of it: {no_record}") from no_record


def _from_service(path: Path, limit_s: float) -> Look:
    answer = ask(path, {"ask": "status"}, limit_s)
    if answer.get("ok") is not True:
        raise ServiceError(f"service gives no picture: {answer.get('why') or 'it does not say why'}")
    raw = answer.get("picture")
    try:
        picture = read_picture(raw)
    except ValueError as why:
        raise ServiceError(f"service can't be understood: {why} at {path}") from why
    assert isinstance(raw, Mapping)
    return Look(raw, picture, Told(live=True))


def _from_record(path: Path, state: str, detail: str) -> Look:
    from daemon.record import RecordReader

    with RecordReader(path) as reader:
        try:
            saved = reader.saved(STATE_NAME)
            newest = reader.newest_s()
            if saved is None:
                words = _words(reader, newest)
                raise StoreError(f"{reader.file} holds no picture of the site yet; newest reading: {words}")
            picture = read_picture(saved.body)
        except ValueError as why:
            raise StoreError(f"the last words in {reader.file} can't be read: {why}") from why
        told = Told(
            live=False,
            why=state,
            detail=detail,
            utc=_utc(reader, saved.boot, picture["at_s"]),
            age_s=_age_s(reader, saved.boot, picture["at_s"]),
            later_s=newest[1] - picture["at_s"] if newest is not None and newest[0] == saved.boot else None,
        )
    return Look(saved.body, picture, told)


def _words(reader: "RecordReader", newest: tuple[int, float] | None) -> str:
    if newest is None:
        return "none"
    return Told(live=False, utc=_utc(reader, *newest), age_s=_age_s(reader, *newest)).when()


def _utc(reader: "RecordReader", boot: int, at_s: float) -> datetime | None:
    utc_s = reader.utc_of(boot, at_s)
    return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC)


def _age_s(reader: "RecordReader", boot: int, at_s: float) -> float | None:
    """How long ago that was: by this boot's own seconds, else by this machine's wall clock as it stands."""
    this_boot = _this_boot()
    if any(entry.number == boot and entry.boot_id == this_boot for entry in reader.boots()):
        ago_s = elapsed_s() - at_s
    else:
        utc_s = reader.utc_of(boot, at_s)
        ago_s = -1.0 if utc_s is None else time() - utc_s
    return ago_s if ago_s >= 0.0 else None


def _this_boot() -> str | None:
    try:
        return boot_id()
    except ServiceError:
        return None  # on a laptop without such an id no boot of the record is this one
