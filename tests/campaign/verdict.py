"""A whole campaign, from an empty folder to the verdict; runs in a process with mounts of its own."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from signal import SIGTERM

from campaign import invariants
from campaign.invariants import Span, Witness, few
from campaign.line_faults import LINE_FAULTS
from campaign.mixed_scene import MixedScene, store_disorder
from campaign.process_faults import ALERT, PROCESS_FAULTS
from campaign.record_faults import RECORD_FAULTS
from campaign.runner import Course, FaultRow, Spell, run_lanes
from campaign.scene import WATCHDOG_S, Life, Pace, Scene
from daemon.errors import StoreError
from daemon.record import RecordReader
from daemon.record.contents import Placed, StoredEvent, StoredNotice
from drivers.virtual.port import boot_s
from servers.apart import run_apart
from servers.records import open_folder

FAULTS: tuple[FaultRow, ...] = (*LINE_FAULTS, *PROCESS_FAULTS, *RECORD_FAULTS)
MakeScene = Callable[..., Scene]
NOTE_EVERY_S = 2.0
SLACK_S = 0.6  # for a machine that has other things to do as well
DEAF_MOST_S = 3.0
START_MOST_S = 6.0  # from the start of the service to its first ping


@dataclass(frozen=True)
class Struck:
    """A spell, for the report."""

    name: str
    words: str
    seen_after_s: float | None
    next_reading_s: float | None
    recovery_s: float | None
    trouble: str | None


@dataclass
class Verdict:
    """What came of a campaign; `breaches` has to be empty."""

    breaches: list[str] = field(default_factory=list)
    struck: list[Struck] = field(default_factory=list)
    readings: int = 0
    judged: int = 0
    acknowledged: int = 0
    events: int = 0
    letters: int = 0
    stored_lines: int = 0
    lives: int = 0
    looks: int = 0
    growth_bytes: list[int] = field(default_factory=list)
    rss_bytes: list[int] = field(default_factory=list)
    took_s: float = 0.0


def campaign_apart(
    *,
    seed: int,
    seconds: float,
    pace: Pace,
    rows: Sequence[FaultRow] = FAULTS,
    once: bool = False,
    finish_s: float = 10.0,
    make_scene: MakeScene = Scene,
) -> Verdict:
    """Run one campaign in a child with mounts of its own, and judge it (see `run_campaign`)."""
    with open_folder() as folder:

        def work() -> Verdict:
            return run_campaign(
                folder,
                seed=seed,
                seconds=seconds,
                pace=pace,
                rows=rows,
                once=once,
                finish_s=finish_s,
                make_scene=make_scene,
            )

        return run_apart(work, own_mounts=True)


def run_campaign(
    folder: Path,
    *,
    seed: int,
    seconds: float,
    pace: Pace,
    rows: Sequence[FaultRow],
    once: bool,
    finish_s: float,
    make_scene: MakeScene = Scene,
) -> Verdict:
    """Run one campaign and judge it; only in a process with mounts of its own."""
    began_s = boot_s()
    with make_scene(folder / "s", seed=seed, pace=pace) as scene:
        scene.start_service()
        scene.start_sender()
        scene.wait_until_reading(limit_s=30.0)
        if isinstance(scene, MixedScene):
            scene.place_clock()
        witness = witness_of(scene)
        notes = _Notes(scene, witness)
        course = run_lanes(scene, rows, seconds=seconds, once=once, finish_s=finish_s, each_look=notes.maybe_take)
        verdict = _finish(scene, witness, course)
        verdict.took_s = boot_s() - began_s
    return verdict


def witness_of(scene: Scene) -> Witness:
    """A witness who knows how long the turns of this scene may take."""
    pace = scene.pace
    one_s = pace.reply_s + 0.05
    windows_s = {"shunt": one_s + SLACK_S / 4.0, "controller": 2.0 * one_s + pace.slowest_s + SLACK_S / 4.0}
    return scene.witness(windows_s)


class _Notes:
    """Looks into the record from time to time, as a bystander with read permission does."""

    def __init__(self, scene: Scene, witness: Witness) -> None:
        self._scene = scene
        self._witness = witness
        self._next_s = 0.0
        self._since_s = 0.0

    def maybe_take(self) -> None:
        now_s = boot_s()
        if now_s < self._next_s:
            return
        self._next_s = now_s + NOTE_EVERY_S
        with suppress(StoreError), RecordReader(self._scene.rig.folders.state) as reader:
            boots = reader.boots()
            found = list(reader.readings(since=(boots[-1].number, self._since_s)))
            self._witness.take(found)
            # A failing record commits later what it could not at once, so this looks back a good while.
            self._since_s = max(self._since_s, now_s - 120.0)


def _finish(scene: Scene, witness: Witness, course: Course) -> Verdict:
    verdict = Verdict(breaches=list(course.troubles), looks=scene.looks)
    if scene.life.ended_s is None:
        scene.look()
        code = scene.end_service(SIGTERM)
        if code:
            verdict.breaches.append(f"the last service ended with {code}")
    scene.send_the_rest()
    records = [_read(path) for path in (*scene.kept, scene.rig.folders.state)]
    found = [placed for record in records for placed in record.found]
    events = [event for record in records for event in record.events]
    witness.take(found)
    for record in records:
        verdict.breaches += few("damaged", record.damaged)
        verdict.breaches += few("alert", invariants.alert_disorder(record.events))
        verdict.breaches += few("notice", invariants.notice_disorder(record.events, record.notices))
        if record.boots != 1:
            verdict.breaches.append(f"one boot, and the record has {record.boots}")
    verdict.breaches += _judge_readings(scene, witness, course, found)
    verdict.breaches += _judge_alerts(scene, course, records)
    if isinstance(scene, MixedScene):
        verdict.breaches += few("central store", _store_disorder(scene, records))
        verdict.stored_lines = len(scene.store.taken)
    verdict.breaches += _judge_processes(scene, course)
    verdict.struck = [_struck(spell) for spell in course.spells]
    verdict.readings, verdict.judged, verdict.events = len(found), witness.judged, len(events)
    verdict.acknowledged = sum(life.acknowledged for life in scene.lives)
    verdict.letters, verdict.lives = len(scene.letters()), len(scene.lives)
    growths = [invariants.memory_growth(life.memory, life.began_s) for life in scene.lives]
    verdict.growth_bytes = [growth for growth in growths if growth is not None]
    verdict.rss_bytes = [life.memory[-1][1] for life in scene.lives if life.memory]
    grown = [f"{growth / 1024:.0f} KiB" for growth in verdict.growth_bytes if growth > invariants.MEMORY_MOST_BYTES]
    verdict.breaches += few("memory grew", grown)
    return verdict


@dataclass(frozen=True)
class _Kept:
    """All of one record."""

    found: list[Placed]
    events: list[StoredEvent]
    notices: list[StoredNotice]
    damaged: list[str]
    boots: int
    start_ms: float


def _read(path: Path) -> _Kept:
    with RecordReader(path) as reader:
        reader.check_rows()
        boots = reader.boots()
        return _Kept(
            list(reader.readings()),
            reader.alert_events(),
            reader.notices(limit=100_000),
            [f"row {key} does not fit its checksum" for key in reader.damaged],
            len(boots),
            1000.0 * (reader.utc_of(boots[-1].number, 0.0) or 0.0),
        )


def _store_disorder(scene: MixedScene, records: Sequence[_Kept]) -> list[str]:
    *earlier, last = records
    past = [placed.reading for record in earlier for placed in record.found]
    now = [placed.reading for placed in last.found]
    return store_disorder(now, past, scene.store.taken, scene.store.poison, last.start_ms)


def _struck(spell: Spell) -> Struck:
    seen_after_s = None if spell.seen_s is None else spell.seen_s - spell.began_s
    return Struck(spell.row.name, spell.words, seen_after_s, spell.next_reading_s, spell.recovery_s, spell.trouble)


def _judge_readings(scene: Scene, witness: Witness, course: Course, found: Sequence[Placed]) -> list[str]:
    pace = scene.pace
    spans = lives_of(scene)
    shunt_s = [placed.reading.at_s for placed in found if placed.reading.instrument == "shunt"]
    most_s = 2.0 * pace.shunt_s + SLACK_S
    return [
        *few("wrong reading", witness.wrong),
        *few("lost reading", witness.lost(found)),
        *few("doubled reading", invariants.doubled(found)),
        *few("acknowledged", invariants.unacknowledged(found, spans)),
        *few("hole", invariants.holes(shunt_s, _gaps_allowed(course, pace), most_s)),
    ]


def lives_of(scene: Scene) -> list[tuple[float, float, int]]:
    """From when to when each service ran, and what it acknowledged."""
    return [(life.began_s, life.ended_s or boot_s(), life.acknowledged) for life in scene.lives]


def _gaps_allowed(course: Course, pace: Pace) -> list[Span]:
    """When readings may be missing: while a fault stops the polling, and what a kill took with it."""
    return [
        (
            spell.began_s - (pace.commit_s + SLACK_S if spell.row.loses_commit else pace.shunt_s),
            spell.well_s or course.ended_s,
        )
        for spell in course.spells
        if spell.row.stops_polling
    ]


def _judge_alerts(scene: Scene, course: Course, records: Sequence[_Kept]) -> list[str]:
    events = [event for record in records for event in record.events]
    notices = [notice for record in records for notice in record.notices]
    heat = [spell for spell in course.spells if spell.row.name in ("heat", "mail server refuses")]
    seen = sum(spell.words.startswith((f"{ALERT}:", f"{ALERT};")) for spell in heat)
    raised = sum(event.state == "raised" and event.rule.endswith("-hot") for event in events)
    subjects = [str(notice.body["subject"]) + str(notice.body["text"]) for notice in notices]
    taken = [str(letter.mail["Subject"]) + letter.text for letter in scene.letters()]
    wrong_count = [] if seen <= raised <= len(heat) else [f"{raised} raised, {seen} seen of {len(heat)} spells"]
    return [
        *few("alerts", wrong_count),
        *few("letter count", _letter_counts(subjects, taken, scene, sum(len(r.notices) for r in records[:-1]))),
    ]


def _letter_counts(queued: Sequence[str], taken: Sequence[str], scene: Scene, may_miss: int) -> list[str]:
    """Compare letters with notices; those of records that were taken away may not have been read in time."""
    names = [letter.mail["Message-ID"] for letter in scene.letters()]
    # A letter's own name is the same at each try, so doubles are told by it; the rest is told by counting.
    wanted = max(len(queued) - may_miss, min(len(queued), len(set(names))))
    placeholders = [f"notice {n}" for n in range(wanted)]
    known = dict(zip(dict.fromkeys(names), placeholders, strict=False))
    return invariants.letter_disorder(
        placeholders, [known.get(name, str(name)) for name in names], doubles_most=scene.sender_kills
    )


def _judge_processes(scene: Scene, course: Course) -> list[str]:
    pauses = [(s.began_s - SLACK_S, (s.well_s or course.ended_s) + SLACK_S) for s in course.spells if s.row.mutes]
    breaches: list[str] = []
    for life in scene.lives:
        breaches += _judge_life(scene, life, pauses)
    # A service that starts has nothing to say yet; on a busy machine that takes seconds.
    pauses += [(life.began_s, life.first_look_s) for life in scene.lives if life.first_look_s is not None]
    deaf = [
        f"{b - a:.1f} s at {a:.1f} s"
        for a, b in scene.deaf
        if b - a - invariants.covered_s((a, b), pauses) > DEAF_MOST_S
    ]
    return [*breaches, *few("no answer to a look", deaf)]


def _judge_life(scene: Scene, life: Life, pauses: Sequence[Span]) -> list[str]:
    breaches = []
    code = life.service.child.returncode
    if code != life.told:
        breaches.append(f"a service ended with {code}, it was to be {life.told}")
    log = life.service.log.read_text()
    breaches += [f"in the log: {line}" for line in log.splitlines() if "Traceback" in line or "never retrieved" in line]
    pings = [at_s for at_s, pid, word in scene.pings if pid == life.pid and word == "WATCHDOG=1"]
    ended_s = life.ended_s or boot_s()
    gaps = invariants.ping_gaps(pings, (life.began_s + START_MOST_S, ended_s), pauses, WATCHDOG_S)
    return breaches + few("watchdog", gaps if ended_s - life.began_s > START_MOST_S else [])


def table(verdict: Verdict) -> str:
    """Write a verdict for people: a row a fault, then the figures, then what was broken."""
    lines = [f"{'fault':<22}{'shows':>7}{'reads':>7}{'well':>7}  what the operator sees"]
    for struck in verdict.struck:
        words = " ".join(struck.words.split())
        times = (struck.seen_after_s, struck.next_reading_s, struck.recovery_s)
        lines.append(f"{struck.name:<22}{''.join(map(_seconds, times))}  {words}")
    figures = {
        "seconds in all": round(verdict.took_s),
        "faults": len(verdict.struck),
        "services started": verdict.lives,
        "looks answered": verdict.looks,
        "readings kept": verdict.readings,
        "readings acknowledged": verdict.acknowledged,
        "readings compared with the truth": verdict.judged,
        "alerts raised or cleared": verdict.events,
        "letters taken": verdict.letters,
        "lines at the central store": verdict.stored_lines,
        "largest resident size, MiB": f"{max(verdict.rss_bytes, default=0) / 2**20:.1f}",
        "largest growth of a service, KiB": max(verdict.growth_bytes, default=0) // 1024,
        "promises broken": len(verdict.breaches),
    }
    lines += [f"{name:<34}{value:>10}" for name, value in figures.items()]
    return "\n".join([*lines, *verdict.breaches])


def _seconds(value: float | None) -> str:
    return "      -" if value is None else f"{value:7.1f}"
