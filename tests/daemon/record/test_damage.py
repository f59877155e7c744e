"""Damage in a real file: found, told with what it held, set aside and never deleted, and made good where it can be."""

import random
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.errors import StoreError
from daemon.record import Batch, Placed, Record, RecordReader
from daemon.record.chunks import EPOCH_H, HOURS, ChunkKey, hour_key
from daemon.record.damage import is_damaged
from daemon.record.patrol import EVERY_MS, STATE_NAME, TABLES, Patrol
from daemon.record.sweep import look_over
from servers.records import open_record
from servers.spoilt_records import EARLIER, ask, bend, chunk, sealed_record
from shared.readings import Reading

HOUR_S = 3600.0
END_S = 13 * HOUR_S
HOURS_FILLED = 12.5
PATROL_S = EVERY_MS / 1000.0


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two blocks, and half an hour that is not sealed."""
    return sealed_record(tmp_path_factory.mktemp("filled") / "state", HOURS_FILLED)


@pytest.fixture
def state(filled: Path, tmp_path: Path) -> Path:
    (tmp_path / "record.db").write_bytes((filled / "record.db").read_bytes())
    return tmp_path


@pytest.fixture
def record(state: Path) -> Iterator[Record]:
    record = open_record(state, boot_id=EARLIER, elapsed_s=END_S)
    yield record
    record.close()


def readings(folder: Path, instrument: str) -> list[Placed]:
    with RecordReader(folder) as reader:
        return list(reader.readings(instrument))


# -- set aside -----------------------------------------------------------------------------------


def test_what_is_whole_is_never_moved_whoever_says_so(state: Path, record: Record) -> None:
    places = [(t, k) for t in ("tail", "block", "minute", "hour") for (k,) in ask(state, f"SELECT k FROM {t}")]
    assert len(places) > 15
    assert record.set_aside_damaged(places) == []
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole


def test_values_are_kept_as_they_were_found_and_it_is_said_what_they_were(state: Path, record: Record) -> None:
    key = chunk(state, "shunt", "bank_v")
    bent = bend(state, "block", key)
    (moved,) = record.set_aside_damaged([("block", key)])
    # Six hours of every ten seconds, from the first second of the boot on.
    assert moved == ("block", key, "values", "shunt", "bank_v", 1, 1.0, 21_591.0, 2160)
    assert ask(state, "SELECT row FROM damaged") == [(bent,)]
    assert ask(state, "SELECT count(*) FROM block WHERE k = ?", key) == [(0,)]
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole
        assert reader.set_aside() == [moved]
        assert reader.set_aside(until=(1, 0.5)) == reader.set_aside(since=(1, 22_000.0)) == []
        assert len(list(reader.rollups("shunt", "bank_v", step="minute"))) == 60 * HOURS_FILLED, "minutes stay"
        assert reader.damage_met() == []
    # What else the shunt told is as it was; only this quantity of it is gone.
    found = readings(state, "shunt")
    assert len(found) == HOURS_FILLED * 360
    assert [set(one.reading.values) for one in found[2159:2161]] == [{"bank_a"}, {"bank_v", "bank_a"}]


def test_with_polls_go_their_values_which_are_told_as_one(state: Path, record: Record) -> None:
    key = chunk(state, "shunt", None)
    bend(state, "block", key)
    with RecordReader(state) as reader:
        swept = reader.sweep()
        assert swept.damaged == [("block", key)] and len(swept.orphans) == 2
    moved = record.set_aside_damaged(swept.bad)
    assert [(one.what, one.readings) for one in moved] == [("polls", 2160), ("values", None), ("values", None)]
    assert len(readings(state, "shunt")) == (HOURS_FILLED - 6) * 360
    assert len(readings(state, "controller")) == HOURS_FILLED * 360
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole


def test_a_commit_that_is_not_sealed_yet_is_set_aside_and_the_rest_sealed(state: Path, record: Record) -> None:
    (first,), (second,) = ask(state, "SELECT k FROM tail ORDER BY k LIMIT 2")
    bend(state, "tail", second)
    (moved,) = record.set_aside_damaged([("tail", second)])
    assert (moved.what, moved.readings) == ("commit", None)
    assert moved[5:8] == (1, (first & (1 << 40) - 1) / 1000.0, (second & (1 << 40) - 1) / 1000.0)
    record.seal_all(20 * HOUR_S)
    assert len(readings(state, "shunt")) == HOURS_FILLED * 360 - 60
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole


def test_a_chunk_that_is_gone_is_written_down_once(state: Path, record: Record) -> None:
    key = chunk(state, "controller", "panel_w", 6)
    ask(state, "DELETE FROM block WHERE k = ?", key)
    with RecordReader(state) as reader:
        assert [(t, k.packed()) for t, k in reader.sweep().lost] == [("block", key)]
    (moved,) = record.set_aside_damaged([("block", key)])
    assert (moved.instrument, moved.quantity, moved.readings) == ("controller", "panel_w", 2160)
    assert record.set_aside_damaged([("block", key)]) == []
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole


@pytest.mark.parametrize("way", ["asked for", "when a block is packed"])
def test_hours_that_are_lost_are_worked_out_again_from_minutes(state: Path, way: str) -> None:
    with RecordReader(state) as reader:
        before = list(reader.rollups("shunt", "bank_v", step="hour"))
        number = next(e.number for e in reader.channels() if e.quantity == "bank_v")
    key = hour_key(ChunkKey(1, 0, HOURS, number))
    record = open_record(state, boot_id=EARLIER, elapsed_s=END_S)
    bend(state, "hour", key)
    if way == "asked for":
        (moved,) = record.set_aside_damaged([("hour", key)])
        assert moved[2:8] == ("hours", "shunt", "bank_v", 1, 0.0, EPOCH_H * HOUR_S)
    else:
        late = [Reading("shunt", 13 * HOUR_S + n, {"bank_v": 12.5}) for n in range(0, 3600, 60)]
        record.commit(Batch(readings=late, until_s=14 * HOUR_S))
        record.seal_all(19 * HOUR_S)
    assert [k for _, k in ask(state, "SELECT place, k FROM damaged")] == [key]
    with RecordReader(state) as reader:
        after = list(reader.rollups("shunt", "bank_v", step="hour"))[: len(before)]
        assert reader.sweep().is_whole
    for then, now in zip(before[:12], after[:12], strict=True):
        assert (now.at_s, now.good, now.least, now.most) == (then.at_s, then.good, then.least, then.most)
        assert now.mean == pytest.approx(then.mean, abs=0.001), "a minute's mean is kept to the step of 1 mV"
    record.close()


def test_every_flipped_bit_is_found_named_and_set_aside_and_reading_goes_on(state: Path, record: Record) -> None:
    """Thirty rows of any kind, a random bit each, key or bytes: nothing fails, and in the end nothing is damaged."""
    chance = random.Random(8)
    places = [(t, k) for t in ("tail", "block", "minute", "hour") for (k,) in ask(state, f"SELECT k FROM {t}")]
    bad = chance.sample(places, min(30, len(places)))
    for table, key in bad:
        bend(state, table, key, chance.randrange(1 << 16))
    with RecordReader(state) as reader:
        assert set(bad) <= set(reader.sweep().bad)
        list(reader.readings())
        list(reader.commits(1))
        for instrument, quantity in (("shunt", "bank_v"), ("controller", "panel_w")):
            list(reader.rollups(instrument, quantity, step="minute"))
            list(reader.rollups(instrument, quantity, step="hour"))
            reader.series(quantity, instrument)
        for one in reader.damage_met():
            assert one.what and (one.instrument or one.what == "commit") and one.begin_s <= one.end_s
        swept = reader.sweep()
    record.set_aside_damaged(swept.bad)
    with RecordReader(state) as reader:
        assert reader.sweep().is_whole
        list(reader.readings())
        assert (reader.damaged, reader.damaged_chunks) == (set(), set())
    assert {k for (k,) in ask(state, "SELECT k FROM damaged")} >= {k for _, k in bad}


def test_a_damaged_state_event_or_day_stops_nobody(state: Path, record: Record) -> None:
    record.commit(Batch(state={"station": {"n": 1}}, notices=[{"at_s": 1.0, "text": "x"}], until_s=END_S))
    ask(state, "UPDATE state SET json = CAST(x'7b226e223affff7d' AS TEXT)")  # no UTF-8
    ask(state, "UPDATE notice SET json = '{'")
    ask(state, "INSERT INTO day VALUES ('2026-05-01', 1, 0, '{'), ('2026-05-02', 1, 9, '{\"ah_in\": 1.0}')")
    ask(state, "INSERT INTO run (boot, at_ms, json) VALUES (1, 0, '}')")
    with RecordReader(state) as reader:
        assert reader.state("station") == {}
        assert [row.body for row in reader.notices()] == [{}]
        assert [day.name for day in reader.days()] == ["2026-05-02"], "the other one is worked out again"
        assert [run.last for run in reader.runs()] == [None]


# -- the slow look -------------------------------------------------------------------------------


def patrol_round(record: Record, from_s: float) -> float:
    """Let time pass until the look has gone round once; gives the time."""
    rounds, now_s = record.patrol.rounds, from_s
    while record.patrol.rounds == rounds:
        now_s += PATROL_S
        assert now_s < from_s + 7 * 86_400.0
        while record.tend(now_s):
            pass
    return now_s


def test_the_slow_look_finds_each_damaged_row_once_and_a_restart_goes_on_with_it(state: Path) -> None:
    places = [
        ("block", chunk(state, "shunt", "bank_v", 6)),
        ("minute", ask(state, "SELECT max(k) FROM minute")[0][0]),
        ("hour", ask(state, "SELECT max(k) FROM hour")[0][0]),
    ]
    record = open_record(state, boot_id=EARLIER, elapsed_s=END_S)
    now_s = patrol_round(record, END_S)
    assert (record.patrol.count, record.newly_damaged) == (0, [])
    assert record.patrol.rows >= sum(ask(state, f"SELECT count(*) FROM {table}")[0][0] for table in TABLES)
    for table, key in places:
        bend(state, table, key)
    now_s = patrol_round(record, now_s)
    assert [(one.table, one.key) for one in record.newly_damaged] == places
    patrol_round(record, now_s)
    assert (len(record.newly_damaged), record.patrol.count) == (3, 3), "told once"
    record.commit(Batch(state={"station": {}}, until_s=now_s))
    record.close()
    record = open_record(state, boot_id=EARLIER, elapsed_s=now_s + 1.0)
    assert record.patrol.count == 3 and record.newly_damaged == []
    assert len(record.set_aside_damaged(places)) == 3
    assert record.patrol.count == 0
    record.close()


def test_a_row_that_reads_well_again_or_has_made_room_is_forgotten(state: Path, record: Record) -> None:
    keys = [chunk(state, "shunt", "bank_v"), chunk(state, "shunt", "bank_a")]
    for key in keys:
        bend(state, "block", key)
    now_s = patrol_round(record, END_S)
    assert record.patrol.count == 2
    bend(state, "block", keys[0])  # the same bit again: as it was
    ask(state, "DELETE FROM block WHERE k < ?", ChunkKey(1, 1, 0, 0).packed())
    patrol_round(record, now_s)
    assert record.patrol.count == 0


def test_pages_that_cannot_be_read_are_counted_and_gone_past(state: Path) -> None:
    ((page,),) = ask(state, "SELECT rootpage FROM sqlite_master WHERE name = 'minute'")
    with (state / "record.db").open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xff" * 4096)
    record = open_record(state, boot_id=EARLIER, elapsed_s=END_S)
    patrol_round(record, END_S)
    assert record.patrol.found == [] and record.patrol.count > 0
    record.commit(Batch(readings=[Reading("shunt", END_S + 1.0, {"bank_v": 12.5})], until_s=END_S + 2.0))
    assert not (state / "record.damaged").exists(), "it is written well: a person decides"
    record.close()


def test_a_state_of_the_look_that_makes_no_sense_is_left_alone() -> None:
    for state in ({}, {"table": "tail", "key": 1, "found": []}, {"table": "block", "key": "x", "found": []}):
        patrol = Patrol()
        patrol.take_up(state)
        assert patrol.state() == Patrol().state()
    patrol = Patrol()
    patrol.take_up({"table": "block", "key": 5, "found": [["block", 1], ["state", 2], 3], "pages": "x", "rows": None})
    assert (patrol.found, patrol.pages, patrol.rows, STATE_NAME) == ([("block", 1)], 0, 0, "patrol")


def test_rows_that_belong_together_are_looked_at_together(state: Path) -> None:
    with RecordReader(state) as reader:
        keys, key = [-(1 << 63)], -(1 << 63)
        while True:
            swept, behind = look_over(reader._opened.ask, "block", key)
            if behind is None:
                break
            assert swept.rows == 5 and swept.is_whole, "two instruments' polls and three channels"
            keys.append(behind)
            key = behind
        assert all(a < b for a, b in pairwise(keys)) and len(keys) == 3
        with pytest.raises(ValueError, match="no table"):
            is_damaged(reader._opened.ask, "state", 1)
        with pytest.raises(StoreError):
            reader._opened.ask("SELECT nothing FROM nowhere")
