"""One minute of faults on the real service, and what must hold through them.

Longer, by hand, with another seed: tests/bench/fault_table.py --quick --minutes 30 --seed N.
"""

from campaign.scene import QUICK_PACE
from campaign.verdict import FAULTS, campaign_apart, table

SEED = 2
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
