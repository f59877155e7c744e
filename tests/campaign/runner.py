"""A seeded campaign of faults: rows of what can go wrong, struck in an order and at times that a seed chooses.

A row says what it does, what the operator must see, and how it is undone. Rows are struck one after
the other on a lane; a campaign has one for the quick ones, one for those that take their time (heat,
mail), and any other that a row names, so that faults also meet. Adding a fault is adding a row.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from random import Random
from time import sleep

from campaign.scene import Scene
from drivers.virtual.port import boot_s

LOOK_EVERY_S = 0.08
PAUSE_S = (0.1, 0.6)  # between the end of a fault and the next one on its lane


def nothing(scene: Scene) -> None:
    """Undo nothing: it passes by itself, or beginning it has ended it."""


@dataclass(frozen=True)
class FaultRow:
    """One fault.

    Attributes:
        name: short.
        family: of faults; a campaign takes them from all families in turn.
        does: what happens, for people.
        sees: what the operator must see, for people; `seen` checks it.
        begin: does it.
        seen: gives the words the operator reads once it shows, None before.
        end: undoes it.
        well: whether everything is as before, told the time of the end; None: `all_well`.
        stops_polling: readings may be missing while it lasts.
        loses_commit: it ends the process without warning: what was not committed is lost.
        mutes: the service may give no answer while it lasts.
        hold_s: shortest and longest time it stays after it was seen.
        seen_within_s, well_within_s: limits; the campaign fails beyond them.
        slow: it belongs on the second lane.
        lane: the name of another lane it belongs on; empty for one of those two.
        quick: it passes soon enough for a campaign of a minute.
    """

    name: str
    family: str
    does: str
    sees: str
    begin: Callable[[Scene], None]
    seen: Callable[[Scene], str | None]
    end: Callable[[Scene], None] = nothing
    well: Callable[[Scene, float], bool] | None = None
    stops_polling: bool = False
    loses_commit: bool = False
    mutes: bool = False
    hold_s: tuple[float, float] = (0.0, 0.5)
    seen_within_s: float = 15.0
    well_within_s: float = 15.0
    slow: bool = False
    lane: str = ""
    quick: bool = True


@dataclass
class Spell:
    """One time a fault struck: when it began, was seen, ended, came the next reading, was all well; since boot."""

    row: FaultRow
    began_s: float
    seen_s: float | None = None
    words: str = ""
    ended_s: float | None = None
    reading_s: float | None = None
    well_s: float | None = None
    trouble: str | None = None

    @property
    def next_reading_s(self) -> float | None:
        """From the end of the fault until the first reading of any instrument."""
        return None if self.reading_s is None or self.ended_s is None else self.reading_s - self.ended_s

    @property
    def recovery_s(self) -> float | None:
        """From the end of the fault until all was well."""
        return None if self.well_s is None or self.ended_s is None else self.well_s - self.ended_s


def answer_s(scene: Scene, instrument: str) -> float | None:
    """When an instrument answered last, seconds since boot, by the last picture."""
    picture = scene.picture
    age_s = None if picture is None else picture["instruments"].get(instrument, {}).get("age_s")
    return None if picture is None or age_s is None else picture["at_s"] - age_s


def all_well(scene: Scene, since_s: float) -> bool:
    """Whether every line is up, every instrument has answered since, and the record takes what comes."""
    picture = scene.picture
    if picture is None or picture["service"]["pid"] != scene.life.pid:
        return False
    answered = [(answer_s(scene, name) or 0.0) > since_s for name in picture["instruments"]]
    lines_up = all(line["up"] for line in picture["lines"].values())
    return all(answered) and lines_up and picture["record"]["why"] is None


class Lane:
    """Strikes rows one after the other; `step` is called again and again."""

    def __init__(self, scene: Scene, rows: Sequence[FaultRow], chance: Random, *, once: bool = False) -> None:
        self.spells: list[Spell] = []
        self.now: Spell | None = None
        self._scene = scene
        self._chance = chance
        self._rows = list(rows)
        self._once = once
        self._coming = in_turn(rows, chance)
        self._next_s = boot_s() + chance.uniform(*PAUSE_S)
        self._hold_s = 0.0

    @property
    def done(self) -> bool:
        """Whether every row has been struck once and that was all that was asked."""
        return self._once and not self._coming and self.now is None

    def step(self, may_begin: bool) -> None:
        """Go on by what can be done now."""
        if self.now is None:
            self._maybe_begin(may_begin)
            return
        spell, now_s = self.now, boot_s()
        if spell.ended_s is None:
            self._watch(spell, now_s)
        else:
            self._await_well(spell, now_s)

    def _maybe_begin(self, may_begin: bool) -> None:
        if not may_begin or boot_s() < self._next_s or not self._rows:
            return
        if not self._coming:
            if self._once:
                return
            self._coming = in_turn(self._rows, self._chance)
        row = self._coming.pop(0)
        self._hold_s = self._chance.uniform(*row.hold_s)
        self.now = Spell(row, boot_s())
        self.spells.append(self.now)
        row.begin(self._scene)

    def _watch(self, spell: Spell, now_s: float) -> None:
        row = spell.row
        if spell.seen_s is None:
            words = row.seen(self._scene)
            if words is not None:
                spell.seen_s, spell.words = boot_s(), words
            elif now_s - spell.began_s > row.seen_within_s:
                spell.trouble = f"{row.name}: {row.sees!r} was not seen within {row.seen_within_s:g} s"
                self._end(spell)
        elif now_s - spell.seen_s >= self._hold_s:
            self._end(spell)

    def _end(self, spell: Spell) -> None:
        spell.row.end(self._scene)
        spell.ended_s = boot_s()

    def _await_well(self, spell: Spell, now_s: float) -> None:
        assert spell.ended_s is not None
        row = spell.row
        if spell.reading_s is None and self._scene.picture is not None:
            answers = [answer_s(self._scene, name) or 0.0 for name in self._scene.picture["instruments"]]
            spell.reading_s = min((at_s for at_s in answers if at_s > spell.ended_s), default=None)
        if (row.well or all_well)(self._scene, spell.ended_s):
            spell.well_s = boot_s()
        elif now_s - spell.ended_s > row.well_within_s:
            spell.trouble = spell.trouble or f"{row.name}: not well again within {row.well_within_s:g} s"
        else:
            return
        self.now = None
        self._next_s = boot_s() + self._chance.uniform(*PAUSE_S)


def in_turn(rows: Sequence[FaultRow], chance: Random) -> list[FaultRow]:
    """Every row once, in an order of chance, but from one family after the other for as long as they last."""
    families: dict[str, list[FaultRow]] = {}
    for row in rows:
        families.setdefault(row.family, []).append(row)
    order: list[FaultRow] = []
    for of_family in families.values():
        chance.shuffle(of_family)
    while families:
        names = list(families)
        chance.shuffle(names)
        for name in names:
            order.append(families[name].pop())
            if not families[name]:
                del families[name]
    return order


def by_lane(rows: Sequence[FaultRow]) -> list[list[FaultRow]]:
    """The rows of each lane: the quick ones, the slow ones, then those of lanes with names."""
    lanes: dict[tuple[str, bool], list[FaultRow]] = {("", False): [], ("", True): []}
    for row in rows:
        lanes.setdefault((row.lane, row.slow and not row.lane), []).append(row)
    return list(lanes.values())


@dataclass
class Course:
    """What happened in a campaign."""

    spells: list[Spell] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    began_s: float = 0.0
    ended_s: float = 0.0


def run_lanes(
    scene: Scene,
    rows: Sequence[FaultRow],
    *,
    seconds: float,
    finish_s: float = 10.0,
    once: bool = False,
    each_look: Callable[[], None] = lambda: None,
) -> Course:
    """Strike faults for a time, then let what stands pass.

    Args:
        scene: with a service that reads already.
        rows: what to strike.
        seconds: how long new faults begin, s.
        finish_s: how long what stands then may take to pass, s.
        once: strike each row once and end.
        each_look: called after each look at the picture.
    """
    course = Course(began_s=boot_s())
    chance = scene.chance
    lanes = [Lane(scene, of_lane, chance, once=once) for of_lane in by_lane(rows)]
    may_begin = True
    while True:
        now_s = boot_s()
        scene.look()
        each_look()
        _keep_alive(scene, course)
        may_begin = may_begin and now_s - course.began_s < seconds
        for lane in lanes:
            lane.step(may_begin)
        idle = all(lane.now is None for lane in lanes)
        over = not may_begin or (once and all(lane.done or not lane._rows for lane in lanes))
        if (over and idle) or now_s - course.began_s > seconds + finish_s:
            break
        sleep(LOOK_EVERY_S)
    for lane in lanes:
        if lane.now is not None and lane.now.ended_s is None:  # no time left to see it through
            lane.now.row.end(scene)
            lane.now.ended_s = boot_s()
        course.spells += lane.spells
    course.spells.sort(key=lambda spell: spell.began_s)
    course.troubles += [spell.trouble for spell in course.spells if spell.trouble]
    course.ended_s = boot_s()
    return course


def _keep_alive(scene: Scene, course: Course) -> None:
    """A service that ends by itself is a failure of the campaign; it is started again, as the manager would."""
    code = scene.life.service.child.poll()
    if code is not None and not scene.is_down:
        log = scene.life.service.log.read_text()[-1500:]
        course.troubles.append(f"the service ended by itself with {code}:\n{log}")
        scene.life.told, scene.life.ended_s = code, boot_s()
        scene.start_service()
