"""Faults of the serial line: the port, and each way in which an answer can be wrong."""

import signal
from collections.abc import Mapping
from typing import Any

from campaign.runner import FaultRow, all_well, answer_s
from campaign.scene import Scene, held_port
from drivers.virtual.faults import Fault

UNITS = {"shunt": 2, "controller": 1}
LINE = "rs485"
FAILED = ("silent", "garbled", "refused")


class _Struck:
    """A fault of the answers of one instrument: counters before, words after."""

    def __init__(self, kind: str, times: int, lasts: int, *, only: str | None = None, harmless: bool = False) -> None:
        self._kind, self._times, self._lasts = kind, times, lasts
        self._only = only
        self._harmless = harmless
        self._name = "shunt"
        self._before: dict[str, int] = {}

    def begin(self, scene: Scene) -> None:
        self._name = self._only or scene.chance.choice(tuple(UNITS))
        counters = scene.instrument(self._name)
        self._before = {key: counters.get(key, 0) for key in (*FAILED, "suspect", "answered", "asked")}
        delay_s = 0.04 if self._kind == "pause" else (scene.pace.reply_s + scene.pace.slowest_s) / 2.0
        code = scene.chance.choice((1, 2, 3, 4, 6, 11))
        scene.faults.strike(UNITS[self._name], Fault(self._kind, delay_s, code, self._lasts), self._times)

    def seen(self, scene: Scene) -> str | None:
        counters = scene.instrument(self._name)
        if not counters or scene.faults.waits(UNITS[self._name]):
            return None
        grown = [key for key in (*FAILED, "suspect") if counters[key] > self._before[key]]
        if grown:
            told = "; ".join(f"{key} {counters[key] - self._before[key]}" for key in grown)
            return told if grown == ["suspect"] else f"{told}: {counters['last_error']}"
        over = counters["asked"] - self._before["asked"] > self._times * self._lasts
        if over and self._harmless:
            return "nothing: no reading was lost by it"
        return None

    def end(self, scene: Scene) -> None:
        scene.faults.clear(UNITS[self._name])

    def well(self, scene: Scene, since_s: float) -> bool:
        """The instrument that was struck has answered again; the other one may be in no hurry."""
        answered_s = answer_s(scene, self._name)
        return answered_s is not None and answered_s > since_s


def _struck(
    kind: str, does: str, sees: str, *, times: int = 2, lasts: int = 1, only: str | None = None, harmless: bool = False
) -> FaultRow:
    what = _Struck(kind, times, lasts, only=only, harmless=harmless)
    return FaultRow(
        name=kind,
        family="answers",
        does=does,
        sees=sees,
        begin=what.begin,
        seen=what.seen,
        end=what.end,
        well=what.well,
        stops_polling=True,
        seen_within_s=60.0 if only is None else 15.0,
        well_within_s=40.0,
    )


def _line_why(scene: Scene) -> str | None:
    line = scene.picture["lines"][LINE] if scene.picture else None
    return None if line is None or line["up"] or not line["why"] else str(line["why"])


class _Missing:
    """The shunt has a value no more, or no number: it comes from elsewhere, or is said to be absent."""

    def __init__(self, kind: str) -> None:
        self._kind = kind

    def begin(self, scene: Scene) -> None:
        self._answered = scene.instrument("shunt").get("answered", 0)
        scene.faults.keep(UNITS["shunt"], Fault(self._kind))

    def seen(self, scene: Scene) -> str | None:
        picture = scene.picture
        if picture is None or scene.instrument("shunt").get("answered", 0) <= self._answered:
            return None
        return _gone(picture)

    def end(self, scene: Scene) -> None:
        scene.faults.clear(UNITS["shunt"])

    def well(self, scene: Scene, since_s: float) -> bool:
        return all_well(scene, since_s) and scene.picture is not None and _gone(scene.picture) is None


def _gone(picture: Mapping[str, Any]) -> str | None:
    """What the picture says of a voltage or temperature that the shunt does not give."""
    found = [row["why"] for row in picture["absent"] if row["quantity"] == "bank_c"]
    if found:
        return f"bank_c: {found[0]}"
    voltage = picture["quantities"].get("bank_v")
    return f"bank_v from {voltage['instrument']}" if voltage and voltage["instrument"] != "shunt" else None


class _Renumbered:
    """The port comes back under another number at once; the loss is seen in the log."""

    def __init__(self) -> None:
        self._seen = 0

    def begin(self, scene: Scene) -> None:
        self._seen = len(_said_of_line(scene))
        scene.rig.port.come_back()

    def seen(self, scene: Scene) -> str | None:
        lines = _said_of_line(scene)
        return lines[-1].partition(f"line {LINE}: ")[2] if len(lines) > self._seen else None


def _said_of_line(scene: Scene) -> list[str]:
    """What the service's log has about the line itself."""
    return [row for row in scene.life.service.log.read_text().splitlines() if f"cycle: line {LINE}:" in row]


def _echo(scene: Scene) -> None:
    scene.rig.line.echo = True


def _echo_over(scene: Scene) -> None:
    scene.rig.line.echo = False


def _echo_seen(scene: Scene) -> str | None:
    words = [str(scene.instrument(name).get("last_error")) for name in UNITS]
    return next((said for said in words if "echo = true" in said), None)


def _unplug(scene: Scene) -> None:
    scene.rig.port.vanish()


def _plug_in(scene: Scene) -> None:
    scene.rig.port.come_back()


def _silence(scene: Scene) -> None:
    for unit in UNITS.values():
        scene.faults.keep(unit, Fault("silent"))


def _silence_over(scene: Scene) -> None:
    for unit in UNITS.values():
        scene.faults.clear(unit)


def _silence_seen(scene: Scene) -> str | None:
    counters = [scene.instrument(name) for name in UNITS]
    ages = [row.get("last_error_age_s") for row in counters]
    if any(age is None or age > 5.0 for age in ages[:1]) or not all(row.get("silent") for row in counters[:1]):
        return None
    return str(counters[0]["last_error"])


def _start_without_port(scene: Scene) -> None:
    scene.end_service(signal.SIGTERM)
    scene.rig.port.vanish()
    scene.start_service()


class _Busy:
    """Another program has the port when the service starts."""

    def begin(self, scene: Scene) -> None:
        scene.end_service(signal.SIGTERM)
        self._holder = held_port(scene.rig.port_link)
        self._holder.__enter__()
        scene.start_service()

    def end(self, scene: Scene) -> None:
        self._holder.__exit__(None, None, None)


_renumbered = _Renumbered()
_busy = _Busy()

LINE_FAULTS: tuple[FaultRow, ...] = (
    FaultRow(
        "port missing", "port", "the service is started without its port", "line down, missing",
        _start_without_port, _line_why, _plug_in, stops_polling=True, mutes=True,
    ),
    FaultRow(
        "port gone and back", "port", "the adapter is unplugged under load and plugged in again under another number",
        "line down, lost or missing", _unplug, _line_why, _plug_in, stops_polling=True,
    ),
    FaultRow(
        "port renumbered", "port", "the adapter comes back under another number without a pause",
        "the loss and the recovery in the log", _renumbered.begin, _renumbered.seen, stops_polling=True,
    ),
    FaultRow(
        "port busy", "port", "another process holds the port when the service starts",
        "line down, held by another program", _busy.begin, _line_why, _busy.end, stops_polling=True, mutes=True,
    ),
    FaultRow(
        "silence", "port", "no instrument of the line answers any more", "silent counted, time-out named",
        _silence, _silence_seen, _silence_over, stops_polling=True, hold_s=(0.5, 2.0), well_within_s=40.0,
    ),
    FaultRow(
        "echo", "port", "the adapter begins to hand back what it is given", "garbled counted, and the setting it takes",
        _echo, _echo_seen, _echo_over, stops_polling=True, hold_s=(0.2, 1.0), well_within_s=40.0,
    ),
    _struck("silent", "one instrument misses three questions", "silent counted", times=3),
    _struck("bad-crc", "one bit of two answers is wrong", "garbled counted"),
    _struck("cut", "two answers end early", "garbled counted"),
    _struck("exception", "two refusals", "refused counted, with the code"),
    _struck("late", "two answers after the time-out", "silent counted"),
    _struck("one-late", "three answers each belong to the question before", "silent, then garbled counted",
            times=1, lasts=3),
    _struck("wrong-unit", "two answers of another unit", "garbled counted"),
    _struck("wrong-function", "two answers with the other read function", "garbled counted"),
    _struck("short", "two answers with a register too few", "garbled counted"),
    _struck("long", "two answers with a register too many", "garbled counted"),
    _struck("noise", "junk before two answers", "garbled counted, or nothing: a stray byte or two is borne",
            harmless=True),
    _struck("noise-after", "junk after two answers", "garbled counted, or nothing", harmless=True),
    _struck("duplicated", "two answers come twice", "garbled counted, or nothing", harmless=True),
    _struck("pause", "a pause of 40 ms inside two answers", "nothing, or garbled counted", harmless=True),
    _struck("impossible", "three answers hold a value that can't be", "suspect counted", times=3, only="shunt"),
    _struck("frozen", "four answers repeat old values", "nothing: no line can tell", times=1, lasts=4, harmless=True),
)  # fmt: skip


def _lacking(kind: str, does: str) -> FaultRow:
    what = _Missing(kind)
    return FaultRow(
        name=kind,
        family="answers",
        does=does,
        sees="the value is absent, or from elsewhere",
        begin=what.begin,
        seen=what.seen,
        end=what.end,
        well=what.well,
        stops_polling=True,
        seen_within_s=40.0,
    )


LINE_FAULTS += (
    _lacking("missing", "the shunt says that it has no voltage, or no temperature"),
    _lacking("nan", "a temperature of the shunt is no number"),
)
