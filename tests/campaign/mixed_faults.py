"""Faults of the second scene's ways in: the shunt's stream, the TCP gateway, the adapter behind it."""

from collections.abc import Callable

from campaign.mixed_scene import MixedScene, OrderedFaults
from campaign.runner import FaultRow, answer_s, nothing
from campaign.scene import Life, Scene

FAILED = ("silent", "garbled", "refused", "suspect")
LINES = {"shunt": "talk", "controller": "net"}


def mixed(scene: Scene) -> MixedScene:
    """The scene, which has to be the second one."""
    assert isinstance(scene, MixedScene)
    return scene


class _Ordered:
    """Something that strikes one instrument: counters before, words after; begun anew when the service is."""

    def __init__(self, instrument: str, *, settled: int = 2) -> None:
        self.instrument = instrument
        self._settled = settled  # so many more answers, and it has done no harm
        self._life: Life | None = None
        self._before: dict[str, int] = {}
        self._said = 0

    def begin(self, scene: Scene) -> None:
        self._life = None
        self.seen(scene)

    def seen(self, scene: Scene) -> str | None:
        counters = scene.instrument(self.instrument)
        if not counters:
            return None
        if self._life is not scene.life:
            self._life = scene.life
            self._before = {key: counters[key] for key in (*FAILED, "answered")}
            self._said = len(said_of(scene, LINES[self.instrument]))
            self.end(scene)
            self.strike(mixed(scene))
            return None
        if self.waits(mixed(scene)):
            return None
        grown = [key for key in FAILED if counters[key] > self._before[key]]
        if grown:
            told = "; ".join(f"{key} {counters[key] - self._before[key]}" for key in grown)
            return told if grown == ["suspect"] else f"{told}: {counters['last_error']}"
        said = said_of(scene, LINES[self.instrument])
        if len(said) > self._said:
            return said[-1].partition("cycle: ")[2]
        return self.harmless(counters["answered"] - self._before["answered"])

    def well(self, scene: Scene, since_s: float) -> bool:
        """The instrument has answered again."""
        answered_s = answer_s(scene, self.instrument)
        return answered_s is not None and answered_s > since_s

    def harmless(self, answers: int) -> str | None:
        """What to say when it has done no harm."""
        return None

    def strike(self, scene: MixedScene) -> None:
        raise NotImplementedError

    def waits(self, scene: MixedScene) -> bool:
        return False

    def end(self, scene: Scene) -> None:
        raise NotImplementedError


class _Listed(_Ordered):
    """A fault with a name, struck so many times; `orders` gives the plan of the scene it is for."""

    def __init__(
        self, instrument: str, name: str, times: int, orders: Callable[[MixedScene], OrderedFaults], is_harmless: bool
    ) -> None:
        super().__init__(instrument)
        self._name, self._times, self._orders = name, times, orders
        self._is_harmless = is_harmless

    def strike(self, scene: MixedScene) -> None:
        self._orders(scene).strike(self._name, self._times)

    def waits(self, scene: MixedScene) -> bool:
        return self._orders(scene).waits()

    def end(self, scene: Scene) -> None:
        self._orders(mixed(scene)).clear()

    def harmless(self, answers: int) -> str | None:
        is_over = self._is_harmless and answers >= self._times + 2
        return "nothing: no reading was lost by it" if is_over else None


class _GatewayEcho(_Ordered):
    """The adapter behind the gateway echoes: the gateway makes nothing of what it hears."""

    def strike(self, scene: MixedScene) -> None:
        scene.rig.line.echo = True

    def end(self, scene: Scene) -> None:
        scene.rig.line.echo = False


def said_of(scene: Scene, line: str) -> list[str]:
    """What the service's log has about a line."""
    return [row for row in scene.life.service.log.read_text().splitlines() if f"cycle: line {line}:" in row]


def _row(what: _Ordered, name: str, family: str, does: str, sees: str, lane: str) -> FaultRow:
    return FaultRow(
        name=name,
        family=family,
        does=does,
        sees=sees,
        begin=what.begin,
        seen=what.seen,
        end=what.end,
        well=what.well,
        stops_polling=what.instrument == "shunt",
        hold_s=(0.0, 0.2),
        seen_within_s=60.0,
        well_within_s=40.0,
        lane=lane,
    )


def _text(kind: str, does: str, sees: str, *, times: int = 1, is_harmless: bool = False) -> FaultRow:
    what = _Listed("shunt", kind, times, lambda scene: scene.said, is_harmless)
    return _row(what, f"text {kind}", "text", does, sees, "text")


def _tcp(kind: str, does: str, sees: str, *, times: int = 1) -> FaultRow:
    what = _Listed("controller", kind, times, lambda scene: scene.answered, False)
    return _row(what, f"tcp {kind.removeprefix('tcp-')}", "tcp", does, sees, "net")


def _line_why(line: str) -> Callable[[Scene], str | None]:
    def why(scene: Scene) -> str | None:
        told = scene.picture["lines"][line] if scene.picture else None
        return None if told is None or told["up"] or not told["why"] else str(told["why"])

    return why


def _answered(instrument: str) -> Callable[[Scene, float], bool]:
    return lambda scene, since_s: (answer_s(scene, instrument) or 0.0) > since_s


class _Renumbered(_Ordered):
    """The port of the stream comes back under another number at once, while records come."""

    def strike(self, scene: MixedScene) -> None:
        scene.rig.port.come_back()

    def end(self, scene: Scene) -> None:
        nothing(scene)


MIXED_LINE_FAULTS: tuple[FaultRow, ...] = (
    _text("silent", "three records are not said", "silent counted", times=3),
    _text("cut", "two records end early", "garbled counted", times=2),
    _text("glued", "two records without what separates them", "garbled counted, or nothing", is_harmless=True),
    _text("bad-sum", "one bit of two records is wrong", "garbled counted", times=2),
    _text("junk", "random bytes before two records", "garbled counted, or nothing", times=2, is_harmless=True),
    _text("nul", "NUL bytes inside two records", "garbled counted", times=2),
    _text("burst", "nothing for five periods, then all of it at once", "silent counted; the newest record taken"),
    _text("halted", "a long pause inside a record", "garbled or silent counted"),
    _text("impossible", "two records hold a value that can't be", "suspect counted", times=2),
    _tcp("closed", "the gateway closes the connection instead of an answer", "the loss in the counters or the log"),
    _tcp("hung", "the gateway answers nothing on this connection any more", "silent counted; a new connection"),
    _tcp("wrong-transaction", "two answers under another number", "silent or garbled counted", times=2),
    _tcp("tcp-late", "two answers after the time-out", "silent counted", times=2),
    _tcp("tcp-cut", "two answers end early", "silent or garbled counted", times=2),
    _row(_GatewayEcho("controller"), "gateway echo", "tcp", "the adapter behind the gateway echoes",
         "refused counted: the gateway got nothing", "net"),
    _row(_Renumbered("shunt"), "text port renumbered", "text", "the adapter comes back under another number",
         "the loss in the log", "text"),
    FaultRow(
        "text port gone", "text", "the adapter is unplugged under load and plugged in again", "line down, missing",
        lambda scene: mixed(scene).rig.port.vanish(), _line_why("talk"),
        lambda scene: mixed(scene).rig.port.come_back(), _answered("shunt"),
        stops_polling=True, lane="text",
    ),
    FaultRow(
        "tcp endpoint gone", "tcp", "the gateway loses its power, and has it again", "line down, refused",
        lambda scene: mixed(scene).rig.tcp_port.stop(), _line_why("net"),
        lambda scene: mixed(scene).rig.tcp_port.start(), _answered("controller"), lane="net",
    ),
)  # fmt: skip
