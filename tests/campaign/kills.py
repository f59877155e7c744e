"""Kills the whole service with signal 9 at random moments, and looks for what it had promised.

Each life is watched closely: what its status picture counts as committed, last heard just before the
kill, has to be in the record for ever. One life in four is killed while it starts.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from signal import SIGKILL, SIGTERM
from time import sleep

from campaign import invariants
from campaign.invariants import few
from campaign.scene import Life, Pace, Scene
from campaign.verdict import SLACK_S, lives_of, witness_of
from daemon.errors import StoreError
from daemon.record import RecordReader
from drivers.virtual.port import boot_s
from servers.records import open_folder

KILL_PACE = Pace(shunt_s=0.25, controller_s=1.0, commit_s=0.5, reply_s=0.15, slowest_s=0.2, tick_s=0.1)
WATCH_EVERY_S = 0.03
EARLY_SHARE = 0.25
EARLY_MOST_S = 0.5  # after its start a service is still opening its record, or just through
START_MOST_S = 20.0


@dataclass
class KillTally:
    """What came of many kills."""

    kills: int = 0
    before_first_look: int = 0
    acknowledged: int = 0
    kept: int = 0
    lost: int = 0
    doubled: int = 0
    holes: int = 0
    wrong: int = 0
    damaged_rows: int = 0
    slowest_start_s: float = 0.0
    longest_loss_s: float = 0.0
    took_s: float = 0.0
    breaches: list[str] = field(default_factory=list)


def run_kills(
    kills: int,
    seed: int,
    *,
    pace: Pace = KILL_PACE,
    life_most_s: float = 2.0,
    each: Callable[[int], None] = lambda count: None,
) -> KillTally:
    """Kill that many services one after the other on one record, then judge the record.

    Args:
        kills: how many.
        seed: of the moments.
        pace: of the site.
        life_most_s: the longest a service lives on after it began to answer, s.
        each: told the count after each kill.
    """
    began_s = boot_s()
    tally = KillTally()
    with open_folder() as folder, Scene(folder / "s", seed=seed, pace=pace, small_disk=False, mail=False) as scene:
        witness = witness_of(scene)
        died_s: list[float] = []
        for count in range(kills):
            _one_life(scene, life_most_s)
            died_s.append(boot_s())
            each(count + 1)
            if count % 10 == 9:
                with RecordReader(scene.rig.folders.state) as reader:
                    witness.take(reader.readings())
        scene.start_service()
        scene.wait_until_reading()
        if scene.end_service(SIGTERM):
            tally.breaches.append("the last service did not end as it should")
        _judge(scene, witness, tally, died_s)
    tally.took_s = boot_s() - began_s
    return tally


def _one_life(scene: Scene, life_most_s: float) -> None:
    chance = scene.chance
    life = scene.start_service()
    if chance.random() < EARLY_SHARE:
        sleep(chance.uniform(0.0, EARLY_MOST_S))
    else:
        _watch(scene, life, chance.uniform(0.0, life_most_s))
    scene.end_service(SIGKILL)


def _watch(scene: Scene, life: Life, length_s: float) -> None:
    """Look at the picture as often as may be, from its first answer on for a time."""
    limit_s = boot_s() + START_MOST_S
    while boot_s() < limit_s:
        scene.look()
        if life.service.child.poll() is not None:
            raise AssertionError(f"the service ended by itself:\n{life.service.log.read_text()}")
        if life.first_look_s is not None and boot_s() - life.first_look_s >= length_s:
            return
        sleep(WATCH_EVERY_S)
    raise AssertionError(f"no answer within {START_MOST_S} s:\n{life.service.log.read_text()}")


def _judge(scene: Scene, witness: invariants.Witness, tally: KillTally, died_s: list[float]) -> None:
    try:
        with RecordReader(scene.rig.folders.state) as reader:
            found = list(reader.readings())
            reader.check_rows()
            tally.damaged_rows = len(reader.damaged)
            boots = len(reader.boots())
    except StoreError as why:
        tally.breaches.append(str(why))
        return
    witness.take(found)
    lives = lives_of(scene)
    lost = [*witness.lost(found), *invariants.unacknowledged(found, lives)]
    doubled = invariants.doubled(found)
    shunt_s = sorted(placed.reading.at_s for placed in found if placed.reading.instrument == "shunt")
    # Between two services nothing is read; from a killed one the last commit period may be missing.
    gaps = [(a - scene.pace.commit_s - SLACK_S, b) for a, b in _between(scene, shunt_s)]
    holes = invariants.holes(shunt_s, gaps, 2.0 * scene.pace.shunt_s + SLACK_S)
    tally.kills = len(died_s)
    tally.before_first_look = sum(life.first_look_s is None for life in scene.lives)
    tally.acknowledged = sum(acknowledged for _, _, acknowledged in lives)
    tally.kept = len(found)
    tally.lost, tally.doubled, tally.holes, tally.wrong = len(lost), len(doubled), len(holes), len(witness.wrong)
    tally.slowest_start_s = max(
        (life.first_look_s - life.began_s for life in scene.lives if life.first_look_s), default=0
    )
    tally.longest_loss_s = max(
        (end - last for life_end in died_s for end, last in _last_before(life_end, shunt_s, lives)), default=0.0
    )
    tally.breaches += [*few("lost", lost), *few("doubled", doubled), *few("hole", holes), *few("wrong", witness.wrong)]
    if boots != 1:
        tally.breaches.append(f"one boot, and the record has {boots}")


def _between(scene: Scene, shunt_s: list[float]) -> list[tuple[float, float]]:
    """From each end of a service to the first reading after it."""
    spans = []
    for life in scene.lives:
        ended_s = life.ended_s or boot_s()
        spans.append((ended_s, next((at_s for at_s in shunt_s if at_s > ended_s), ended_s)))
    return spans


def _last_before(
    died_s: float, shunt_s: list[float], lives: list[tuple[float, float, int]]
) -> list[tuple[float, float]]:
    """The end of a life and its last stored reading, when it stored any."""
    began_s = max(began_s for began_s, _, _ in lives if began_s < died_s)
    kept = [at_s for at_s in shunt_s if began_s <= at_s <= died_s]
    return [(died_s, kept[-1])] if kept else []


def table(tally: KillTally) -> str:
    """Write a tally for people."""
    rows = [(name.replace("_", " "), value) for name, value in vars(tally).items() if name != "breaches"]
    told = [
        f"{name:<24}{value:>12.2f}" if isinstance(value, float) else f"{name:<24}{value:>12}" for name, value in rows
    ]
    return "\n".join([*told, *tally.breaches])
