"""Faults of the record's disk: full, mounted read-only, the file gone bad."""

import signal
from contextlib import suppress

from campaign.runner import FaultRow, all_well
from campaign.scene import Scene
from servers.apart import mount_read_only, mount_writable
from servers.site_rig import wait_for

FILLER = "filler"
COMMITS_ON_FULL = 3
PIECE = b"\0" * (1 << 20)


def _record_why(scene: Scene) -> str | None:
    why = scene.picture["record"]["why"] if scene.picture else None
    return str(why) if why else None


class _Full:
    """The disk fills up, and whatever the record gives up to go on, such as its ballast, is filled as well."""

    def __init__(self) -> None:
        self._commits = 0

    def begin(self, scene: Scene) -> None:
        self._commits = scene.picture["record"]["commits"] if scene.picture else 0
        self._fill(scene)

    def _fill(self, scene: Scene) -> None:
        """Write until nothing more goes: first in big pieces, then byte by byte."""
        with (scene.disk / FILLER).open("ab", buffering=0) as filler:
            for piece in (PIECE, PIECE[:4096], PIECE[:1]):
                with suppress(OSError):
                    while filler.write(piece) == len(piece):
                        pass

    def seen(self, scene: Scene) -> str | None:
        """Either it is told, or commits go on in the room that the record's own files have."""
        self._fill(scene)
        why = _record_why(scene)
        if why is not None:
            return why if "make room" in why else None
        commits = scene.picture["record"]["commits"] if scene.picture else 0
        over = commits - self._commits >= COMMITS_ON_FULL
        return "nothing yet: commits go on in the room that the record's own files have" if over else None


def _make_room(scene: Scene) -> None:
    (scene.disk / FILLER).unlink()


def _committed(scene: Scene, since_s: float) -> bool:
    picture = scene.picture
    if picture is None or picture["record"]["last_commit_age_s"] is None:
        return False
    return all_well(scene, since_s) and picture["at_s"] - picture["record"]["last_commit_age_s"] > since_s


def _lock_disk(scene: Scene) -> None:
    scene.end_service(signal.SIGTERM)
    wait_for(lambda: _could_lock(scene), about="the disk read-only")
    scene.start_service()


def _could_lock(scene: Scene) -> bool:
    """A disk can't be made read-only while a reader makes its index beside the record."""
    try:
        mount_read_only(scene.disk)
    except OSError:
        return False
    return True


def _unlock_disk(scene: Scene) -> None:
    mount_writable(scene.disk)


def _unlock_and_restart(scene: Scene) -> None:
    """What was read in the meantime must be stored at the end of the service that could not store it."""
    mount_writable(scene.disk)
    scene.end_service(signal.SIGTERM)
    scene.start_service()


def _read_only_seen(scene: Scene) -> str | None:
    why = _record_why(scene)
    return why if why and "read-only" in why and scene.instrument("shunt").get("answered", 0) > 1 else None


_full = _Full()

RECORD_FAULTS: tuple[FaultRow, ...] = (
    FaultRow(
        "disk full", "record", "the record's disk fills up to the last byte, then room is made",
        "nothing while commits go on in its own room, else: make room; what was not stored is kept",
        _full.begin, _full.seen, _make_room, _committed, seen_within_s=60.0,
    ),
    FaultRow(
        "disk read-only", "record", "the service starts with the record's disk mounted read-only; later it is writable",
        "record: mounted read-only", _lock_disk, _read_only_seen, _unlock_disk, _committed,
        stops_polling=True, mutes=True, well_within_s=50.0, quick=False,
    ),
    FaultRow(
        "read-only, restarted", "record", "the same, and the service is restarted once the disk is writable",
        "record: mounted read-only", _lock_disk, _read_only_seen, _unlock_and_restart, _committed,
        stops_polling=True, mutes=True,
    ),
)  # fmt: skip
