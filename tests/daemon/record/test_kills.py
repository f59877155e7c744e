"""Ten kill -9 out of the two hundred that are run by hand: same code, same seed."""

from pathlib import Path

from bench.record_kills import READINGS_A_COMMIT, Tally, run, table

KILLS = 10
SEED = 1


def test_nothing_acknowledged_is_lost_doubled_or_cut_in_half_by_kills(tmp_path: Path) -> None:
    tally = run(tmp_path / "state", KILLS, SEED)
    assert tally.kills == KILLS, table(tally)
    assert tally.commits_acknowledged > KILLS, table(tally)
    assert (tally.lost, tally.doubled, tally.holes, tally.halves, tally.damaged_rows) == (0, 0, 0, 0, 0), table(tally)
    # Of what was never acknowledged at most the one commit in flight may be there.
    assert tally.unacknowledged_kept <= KILLS * READINGS_A_COMMIT
    assert tally.faults == []


def test_kills_in_the_middle_of_sealing_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    tally = run(tmp_path / "state", KILLS, SEED, sealing=True)
    assert (tally.lost, tally.doubled, tally.holes, tally.halves, tally.damaged_rows) == (0, 0, 0, 0, 0), table(tally)
    assert tally.faults == []
    assert tally.sealed_chunks > 10, table(tally)  # a loaded machine seals less between two kills


def test_the_check_itself_finds_a_reading_taken_away(tmp_path: Path) -> None:
    """A check that can't see a loss would show the same zeros."""
    import sqlite3

    from bench import record_kills

    folder = tmp_path / "state"
    tally = run(folder, 2, SEED)
    with sqlite3.connect(folder / "record.db") as db:
        db.execute("DELETE FROM tail WHERE k = (SELECT k FROM tail ORDER BY k LIMIT 1 OFFSET 1)")
    db.close()
    again = Tally()
    last = record_kills._check(folder, 0, tally.readings_acknowledged, again)
    record_kills._check_whole(folder, last, again)
    assert again.holes == READINGS_A_COMMIT
    assert again.faults == ["the readings of the whole record are not 1, 2, 3, ..."]
