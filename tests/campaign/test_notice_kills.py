"""The short form of tests/bench/notice_kills.py."""

import pytest

from campaign.notice_kills import run_notice_kills, table


@pytest.mark.timeout(180)
def test_no_notice_is_lost_over_kills_while_raising_and_sending() -> None:
    tally = run_notice_kills(4, seed=5)
    assert not tally.breaches, table(tally)
    assert tally.lost == 0 and tally.letters >= tally.notices > 0
    assert tally.service_kills and tally.sender_kills
