"""Faults of processes: killed, told to end, stalled, a second one; rude visitors at the socket; heat and mail."""

import signal
import socket
import subprocess
import sys
from contextlib import suppress

from campaign.runner import FaultRow, all_well
from campaign.scene import Scene
from daemon.control_messages import SOCKET_NAME
from drivers.virtual.faults import Fault
from servers.site_rig import RunningService, wait_for
from shared.alerts import FLAPS_MOST

STALL_S = (2.0, 3.0)
HOT_C = {"controller_c": 88.0, "enclosure_c": 75.0, "bank_c": 60.0}  # too hot, and still what the maps call possible
HEAT = {"controller_c": "controller-hot", "enclosure_c": "enclosure-hot", "bank_c": "bank-hot"}
WAY = "group-mail"
ALERT = "alert"
IDLE_AT_ONCE = 12


class _Ended:
    """The service ends; what `status` says is read before the manager starts it again."""

    def __init__(self, number: signal.Signals) -> None:
        self._number = number
        self._words = ""

    def begin(self, scene: Scene) -> None:
        code = scene.end_service(self._number)
        self._words = f"exit code {code}; status: {scene.words_of_status()}"

    def seen(self, scene: Scene) -> str | None:
        return self._words if "service is not running" in self._words else None

    def end(self, scene: Scene) -> None:
        scene.start_service()


class _Second:
    """Somebody starts a second service on the same record."""

    def __init__(self) -> None:
        self._service: RunningService | None = None

    def begin(self, scene: Scene) -> None:
        self._service = scene.rig.start()
        scene.others.append(self._service)

    def seen(self, scene: Scene) -> str | None:
        assert self._service is not None
        if self._service.child.poll() is None:
            return None
        words = self._service.log.read_text().strip()
        told = self._service.child.returncode == 3 and str(scene.life.pid) in words and "Traceback" not in words
        return f"exit code 3: {words}" if told else None


class _Stalled:
    """The board stands still for a few seconds, as one with a bad power supply or memory card does."""

    def begin(self, scene: Scene) -> None:
        """Stop it while a question is open: the answer comes in time, and is found much later."""
        known = len(scene.rig.line.log)
        scene.faults.strike(2, Fault("late", delay_s=0.6 * scene.pace.reply_s))
        with suppress(AssertionError):
            wait_for(lambda: _was_late(scene, known), 3.0 * scene.pace.shunt_s)
        scene.life.service.child.send_signal(signal.SIGSTOP)

    def seen(self, scene: Scene) -> str | None:
        words = scene.words_of_status()
        return words if "does not answer" in words else None

    def end(self, scene: Scene) -> None:
        scene.life.service.child.send_signal(signal.SIGCONT)


def _was_late(scene: Scene, known: int) -> bool:
    """Whether the slow answer has been ordered by its question."""
    return any(exchange.fault == "late" for exchange in list(scene.rig.line.log)[known:])


class _Rude:
    """Visitors at the control socket who babble, send without end, stop half way, and fill every place."""

    def __init__(self) -> None:
        self._visitors: list[socket.socket] = []

    def begin(self, scene: Scene) -> None:
        chance = scene.chance
        sayings = [
            b"\n",
            b"{}\n",
            b"[" * 5000 + b"\n",
            b"\x00\xff\xfe\n",
            b'{"v": 1, "ask": "status"',
            b'{"v": 9, "ask": 1}\n',
            b'{"v": 1, "ask": "no such thing"}\n',
            b'{"v":1,"ask":"status"}\n' * 50,
            b'{"v": 1, "ask": "\\ud800"}\n',
            b'{"v": 1e999, "ask": "status"}\n',
            b"x" * 200_000,
            chance.randbytes(3000),
        ]
        for saying in sayings:
            self._visit(scene, saying)

    def _visit(self, scene: Scene, saying: bytes) -> None:
        visitor = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        visitor.settimeout(0.2)
        with suppress(OSError):
            visitor.connect(str(scene.rig.folders.runtime / SOCKET_NAME))
            visitor.sendall(saying)
        self._visitors.append(visitor)

    def seen(self, scene: Scene) -> str | None:
        for _ in range(IDLE_AT_ONCE):
            self._visit(scene, b"")
        words = scene.words_of_status()
        return words if "clients already" in words or "no room" in words or "no picture" in words else None

    def end(self, scene: Scene) -> None:
        for visitor in self._visitors:
            visitor.close()
        self._visitors.clear()


class _Heat:
    """Something gets too hot, and cools down again: an alert that must come and go once."""

    def __init__(self) -> None:
        self._quantity = ""
        self._is_held = False

    def begin(self, scene: Scene) -> None:
        """Take one that has not come and gone so often that its alert is held, while there is any."""
        fresh = [quantity for quantity in HEAT if scene.strikes[quantity] < FLAPS_MOST]
        self._quantity = scene.chance.choice(fresh or tuple(HEAT))
        scene.strikes[self._quantity] += 1
        self._is_held = scene.strikes[self._quantity] > FLAPS_MOST
        scene.forced[self._quantity] = HOT_C[self._quantity]

    def seen(self, scene: Scene) -> str | None:
        found = [row for row in (scene.picture or {}).get("alerts", []) if row["alert"] == HEAT[self._quantity]]
        if not found or found[0]["value"] < HOT_C[self._quantity] - 1.0:
            return None
        return f"{'alert, held' if self._is_held else ALERT}: {found[0]['title']}, {found[0]['value']:.0f} C"

    def end(self, scene: Scene) -> None:
        del scene.forced[self._quantity]

    def well(self, scene: Scene, since_s: float) -> bool:
        if scene.picture is None:
            return False
        found = [row for row in scene.picture["alerts"] if row["alert"] == HEAT[self._quantity]]
        return not found or (self._is_held and found[0]["value"] < HOT_C[self._quantity] - 1.0)


class _MailRefused(_Heat):
    """The mail server puts letters off while an alert comes; then it takes them."""

    def begin(self, scene: Scene) -> None:
        scene.sink.answers[:] = ["451 4.3.2 try again later"] * 100
        super().begin(scene)

    def _way(self, scene: Scene) -> dict[str, object]:
        sending = (scene.picture or {}).get("sending") or {}
        way = sending.get("ways", {}).get(WAY, {})
        assert isinstance(way, dict)
        return way

    def seen(self, scene: Scene) -> str | None:
        error = self._way(scene).get("last_error")
        if super().seen(scene) and self._is_held:
            return "nothing: no letter about an alert that is held"
        return f"{ALERT}; sending fails: {error}" if super().seen(scene) and error and "451" in str(error) else None

    def end(self, scene: Scene) -> None:
        super().end(scene)
        scene.sink.answers.clear()

    def well(self, scene: Scene, since_s: float) -> bool:
        way = self._way(scene)
        return super().well(scene, since_s) and bool(way) and way["failing_since_s"] is None


class _SenderKilled:
    """The sender is killed; the manager starts it again. The logging must not notice."""

    def __init__(self) -> None:
        self._code = 0

    def begin(self, scene: Scene) -> None:
        self._code = scene.end_sender(signal.SIGKILL)

    def seen(self, scene: Scene) -> str | None:
        return f"send: exit code {self._code}; run goes on"

    def end(self, scene: Scene) -> None:
        scene.start_sender()

    def well(self, scene: Scene, since_s: float) -> bool:
        sending = (scene.picture or {}).get("sending") or {}
        return all_well(scene, since_s) and sending.get("written_s", 0.0) > since_s


class _StatusGone:
    """Somebody's `status` is killed half way, again and again."""

    def begin(self, scene: Scene) -> None:
        folders = scene.rig.folders
        command = [sys.executable, "-m", "daemon.main", "status"]
        command += ["--state", str(folders.state), "--runtime", str(folders.runtime)]
        for _ in range(2):
            with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as looking:
                assert looking.stdout is not None
                looking.stdout.close()
                with suppress(subprocess.TimeoutExpired):
                    looking.wait(scene.chance.uniform(0.05, 0.4))
                looking.kill()

    def seen(self, scene: Scene) -> str | None:
        return "nothing: the service goes on" if scene.picture is not None else None


_killed, _ended = _Ended(signal.SIGKILL), _Ended(signal.SIGTERM)
_second, _stalled, _rude = _Second(), _Stalled(), _Rude()
_heat, _mail, _sender, _status = _Heat(), _MailRefused(), _SenderKilled(), _StatusGone()

PROCESS_FAULTS: tuple[FaultRow, ...] = (
    FaultRow(
        "kill -9", "process", "the service is killed, and started again", "status: not running, last picture shown",
        _killed.begin, _killed.seen, _killed.end, stops_polling=True, loses_commit=True, mutes=True, hold_s=(0.0, 0.3),
    ),
    FaultRow(
        "SIGTERM", "process", "the service is told to end, and started again",
        "exit code 0; status: not running, last picture shown",
        _ended.begin, _ended.seen, _ended.end, stops_polling=True, mutes=True, hold_s=(0.0, 0.3),
    ),
    FaultRow(
        "second service", "process", "a second service is started on the same record",
        "the second one ends with 3 and names the first", _second.begin, _second.seen,
    ),
    FaultRow(
        "stalled board", "process", "the service is stopped for seconds and goes on",
        "status: does not answer", _stalled.begin, _stalled.seen, _stalled.end,
        stops_polling=True, mutes=True, hold_s=STALL_S,
    ),
    FaultRow(
        "rude visitors", "process", "visitors at the socket babble, flood, hang and fill every place",
        "status: no picture now, the last one shown", _rude.begin, _rude.seen, _rude.end, mutes=True,
    ),
    FaultRow(
        "status killed", "process", "the command status is killed half way", "nothing", _status.begin, _status.seen,
    ),
    FaultRow(
        "send killed", "process", "the sender is killed, and started again", "nothing in run",
        _sender.begin, _sender.seen, _sender.end, _sender.well,
    ),
    FaultRow(
        "heat", "slow", "a part is too hot, and cools down", "alert raised, then cleared",
        _heat.begin, _heat.seen, _heat.end, _heat.well, seen_within_s=60.0, well_within_s=60.0, slow=True,
    ),
    FaultRow(
        "mail server refuses", "slow", "the mail server puts letters off, then takes them",
        "sending fails, with the server's words", _mail.begin, _mail.seen, _mail.end, _mail.well,
        seen_within_s=60.0, well_within_s=120.0, slow=True,
    ),
)  # fmt: skip
