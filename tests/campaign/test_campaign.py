"""One minute of faults on the real service and half a minute on a second scene, and what must hold through them.

Longer, by hand, with another seed: tests/bench/fault_table.py --quick --minutes 30 --seed N.
"""

from campaign.mixed_scene import MIXED_QUICK_PACE, MixedScene
from campaign.outward_faults import MIXED_FAULTS
from campaign.scene import QUICK_PACE
from campaign.verdict import FAULTS, campaign_apart, table

SEED = 2
MIXED_SECONDS = 60.0  # each kind of fault is struck once, several at a time: 20 s in all where nothing else runs
SECONDS = 38.0  # new faults begin; start, end and verdict take about 15 s more


def test_a_minute_of_faults_breaks_no_promise() -> None:
    rows = [row for row in FAULTS if row.quick]
    verdict = campaign_apart(seed=SEED, seconds=SECONDS, pace=QUICK_PACE, rows=rows)
    print(table(verdict))
    assert not verdict.breaches, "\n".join(verdict.breaches)
    assert verdict.took_s < 60.0
    assert {row.family for row in rows if row.name in {struck.name for struck in verdict.struck}} >= {
        "port",
        "answers",
        "process",
        "record",
    }
    assert len(verdict.struck) >= 8 and verdict.judged >= 30 and verdict.events >= 1


def test_each_fault_of_the_second_scene_breaks_no_promise() -> None:
    verdict = campaign_apart(
        seed=SEED, seconds=MIXED_SECONDS, pace=MIXED_QUICK_PACE, rows=MIXED_FAULTS, once=True, make_scene=MixedScene
    )
    print(table(verdict))
    assert not verdict.breaches, "\n".join(verdict.breaches)
    assert {struck.name for struck in verdict.struck} == {row.name for row in MIXED_FAULTS}
    assert verdict.judged >= 20 and verdict.stored_lines >= 20 and verdict.letters >= 1
