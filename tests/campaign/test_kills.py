"""The whole service killed ten times while it works; two hundred times by hand: tests/bench/service_kills.py."""

from campaign.kills import run_kills

KILLS = 10


def test_ten_kills_lose_nothing_that_was_acknowledged() -> None:
    tally = run_kills(KILLS, seed=1, life_most_s=1.2)
    assert not tally.breaches, "\n".join(tally.breaches)
    assert tally.kills == KILLS
    assert tally.acknowledged >= KILLS, "enough was promised for the test to mean something"
