"""Faults of what leaves the service: the central store, the disk of `sent.db`, screens; and a record that is none."""

import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from campaign.mixed_faults import MIXED_LINE_FAULTS, mixed
from campaign.mixed_scene import TOKEN
from campaign.runner import FaultRow, all_well, nothing
from campaign.scene import Scene
from daemon.record.files import COMPANIONS, RECORD_NAME
from servers.screen_rig import ScreenRig

FILLER = "filler"
PIECES = (b"\0" * 65_536, b"\0" * 4096, b"\0")
SITE_NAME = "Test Ridge"


def _central(scene: Scene) -> dict[str, Any]:
    sending = (scene.picture or {}).get("sending") or {}
    return sending.get("central") or {}


def _copies(scene: Scene, since_s: float) -> bool:
    """Whether the copy works: a failure stands until the store has taken all there was."""
    central = _central(scene)
    return bool(central) and central["failing_since_s"] is None


def _error(scene: Scene, *words: str) -> str | None:
    told = str(_central(scene).get("last_error") or "")
    return f"central store: {told}" if told and any(word in told for word in words) else None


class _Poison:
    """The store refuses one line for good; all others have to come through."""

    def begin(self, scene: Scene) -> None:
        self._before = _central(scene).get("set_aside", 0)
        self._refused = mixed(scene).store.refused
        mixed(scene).store.wants_poison = True

    def seen(self, scene: Scene) -> str | None:
        aside = _central(scene).get("set_aside", 0)
        return f"lines set aside: {aside}" if aside == self._before + 1 else None


class _SendingFull:
    """The disk of what was sent fills up: letters and copy go on, what they note is kept in memory."""

    def begin(self, scene: Scene) -> None:
        self._log = len(scene.send_log.read_bytes())
        self._fill(scene)

    def _fill(self, scene: Scene) -> None:
        with (scene.sending / FILLER).open("ab", buffering=0) as filler:
            for piece in PIECES:
                with suppress(OSError):
                    while filler.write(piece) == len(piece):
                        pass

    def seen(self, scene: Scene) -> str | None:
        self._fill(scene)
        rows = scene.send_log.read_bytes()[self._log :].decode().splitlines()
        return next((row for row in rows if "full" in row), None)

    def end(self, scene: Scene) -> None:
        (scene.sending / FILLER).unlink()

    def well(self, scene: Scene, since_s: float) -> bool:
        rows = scene.send_log.read_bytes()[self._log :].decode().splitlines()
        return _copies(scene, since_s) and sum("full" in row for row in rows) <= sum("again" in row for row in rows)


class _Watched:
    """A terminal of some size with `watch` on it beside the service."""

    def __init__(self, columns: int, rows: int) -> None:
        self._size = columns, rows
        self._screen: ScreenRig | None = None
        self._words = ""

    def begin(self, scene: Scene) -> None:
        folders = scene.rig.folders
        command = [sys.executable, "-m", "daemon.main", "watch", "--every", "0.5"]
        command += ["--state", str(folders.state), "--runtime", str(folders.runtime)]
        self._screen = ScreenRig(command, columns=self._size[0], rows=self._size[1])
        self._screen.__enter__()

    def shown(self) -> list[str]:
        """The lines on the screen that say something."""
        assert self._screen is not None
        self._screen.take()
        assert self._screen.child.poll() is None, f"watch ended: {self._screen.shown.text}"
        return [line.strip() for line in self._screen.shown.text.splitlines() if line.strip()]

    def close(self) -> None:
        """Take the terminal away."""
        assert self._screen is not None
        self._screen.__exit__()
        self._screen = None


class _WatchKilled(_Watched):
    """`watch` is killed while its terminal takes nothing more, half way through a screen."""

    def seen(self, scene: Scene) -> str | None:
        if not any(SITE_NAME in line for line in self.shown()):
            return None
        assert self._screen is not None
        self._screen.until_blocked("?")
        self._screen.signal(signal.SIGKILL)
        self._screen.child.wait()
        return "nothing: the service goes on"

    def end(self, scene: Scene) -> None:
        self.close()


class _SmallScreen(_Watched):
    """The smallest terminal anybody may have: it shows what fits, and lets go when it is told to."""

    def seen(self, scene: Scene) -> str | None:
        lines = self.shown()
        return " | ".join(lines) if any("%" in line for line in lines) else None

    def end(self, scene: Scene) -> None:
        assert self._screen is not None
        self._screen.type("q")
        code = self._screen.until_ended()
        assert code == 0 and self._screen.modes_now == self._screen.modes_before
        self.close()


class _NoDatabase:
    """What lies in the record's place at a start is no database: set aside whole, told, never deleted."""

    def __init__(self) -> None:
        self._junk = b""
        self._before: set[Path] = set()

    def begin(self, scene: Scene) -> None:
        scene.end_service(signal.SIGTERM)
        file = scene.rig.folders.state / RECORD_NAME
        kept = scene.sending.parent / f"kept-{len(scene.kept)}" / RECORD_NAME
        kept.parent.mkdir()
        for companion in ("", *COMPANIONS):
            with suppress(FileNotFoundError):
                source = file.with_name(file.name + companion)
                kept.with_name(kept.name + companion).write_bytes(source.read_bytes())
                source.unlink()
        scene.kept.append(kept)
        self._junk = scene.chance.choice(
            [b"this is a letter and no database\n" * 200, scene.chance.randbytes(9000), kept.read_bytes()[100:]]
        )
        file.write_bytes(self._junk)
        self._before = set(self._aside(scene))
        scene.start_service()

    def _aside(self, scene: Scene) -> list[Path]:
        return [p for p in scene.rig.folders.state.glob(f"{RECORD_NAME}.damaged-*") if p.suffix not in COMPANIONS]

    def seen(self, scene: Scene) -> str | None:
        picture = scene.picture
        if picture is None or picture["service"]["pid"] != scene.life.pid:
            return None
        fresh = [path for path in self._aside(scene) if path not in self._before]
        told = [row["title"] for row in picture["alerts"] if row["alert"] == "record-set-aside"]
        note = picture["service"]["note"]
        if len(fresh) != 1 or fresh[0].name not in note or not told or fresh[0].read_bytes() != self._junk:
            return None
        return f"{note}; alert: {told[0]}"

    def end(self, scene: Scene) -> None:
        mixed(scene).place_clock()


def _wrong_token(scene: Scene) -> None:
    mixed(scene).write_token("wrong-t0ken")


def _right_token(scene: Scene) -> None:
    mixed(scene).write_token(TOKEN)


_poison, _sent_full, _no_database = _Poison(), _SendingFull(), _NoDatabase()
_killed, _small = _WatchKilled(80, 24), _SmallScreen(20, 5)

OUTWARD_FAULTS: tuple[FaultRow, ...] = (
    FaultRow(
        "store down", "outward", "the central store is down for a time", "central store: nobody answers",
        lambda scene: mixed(scene).store.go_down(), lambda scene: _error(scene, "onnect", "refused", "answer"),
        lambda scene: mixed(scene).store.come_back(), _copies,
        hold_s=(1.0, 3.0), seen_within_s=60.0, well_within_s=120.0, lane="send",
    ),
    FaultRow(
        "store token wrong", "outward", "the token in the secrets is wrong, then right again",
        "central store: the token is refused",
        _wrong_token, lambda scene: _error(scene, "token is refused"), _right_token, _copies,
        seen_within_s=60.0, well_within_s=180.0, lane="send",
    ),
    FaultRow(
        "store poison line", "outward", "the central store refuses one line for good",
        "a line set aside; all others arrive", _poison.begin, _poison.seen, nothing, _copies,
        seen_within_s=60.0, well_within_s=60.0, lane="send",
    ),
    FaultRow(
        "sent.db disk full", "outward", "the disk of what was sent fills up, then room is made",
        "in the sender's log: full; kept in memory", _sent_full.begin, _sent_full.seen, _sent_full.end,
        _sent_full.well, seen_within_s=60.0, well_within_s=60.0, lane="send",
    ),
    FaultRow(
        "watch killed", "screens", "watch is killed in the middle of a screen", "nothing: the service goes on",
        _killed.begin, _killed.seen, _killed.end, lambda scene, since_s: scene.picture is not None, lane="life",
    ),
    FaultRow(
        "terminal 20x5", "screens", "watch on a terminal of 20 columns and 5 rows", "the reserve",
        _small.begin, _small.seen, _small.end, lambda scene, since_s: scene.picture is not None, lane="life",
    ),
    FaultRow(
        "record no database", "record", "what lies in the record's place at a start is no database",
        "the note and the alert that it was set aside, under which name", _no_database.begin, _no_database.seen,
        _no_database.end, all_well, stops_polling=True, mutes=True, well_within_s=40.0, lane="life",
    ),
)  # fmt: skip

MIXED_FAULTS: tuple[FaultRow, ...] = (*MIXED_LINE_FAULTS, *OUTWARD_FAULTS)
