"""Sealing: what is read is the same before, half-way and after, whatever was recorded and in whatever order."""

import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.record import Batch, Placed, Record, RecordReader
from daemon.record.chunks import BLOCK_H
from daemon.record.poll_times import MOVED_MOST_MS, SHARE_MOST
from servers.records import open_record, ten_seconds
from shared.readings import Reading

SECOND_BOOT = "b2" * 16
HOUR_S = 3600.0


def read(folder: Path, **limits: object) -> list[Placed]:
    """Everything, in order; of readings at the same time the record promises no order."""
    with RecordReader(folder) as reader:
        found = list(reader.readings(**limits))  # type: ignore[arg-type]
        assert (reader.damaged, reader.damaged_chunks) == (set(), set())
    return sorted(found, key=lambda placed: (placed.boot, placed.reading.at_s, placed.reading.instrument))


def tables(folder: Path) -> dict[str, int]:
    db = sqlite3.connect(f"file:{folder / 'record.db'}?mode=ro", uri=True)
    names = ("tail", "piece", "block", "minute", "hour", "damaged")
    counts = {name: db.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in names}
    db.close()
    return counts


def mixed_hours(record: Record, hours: int, *, from_s: float = 0.0, every_s: float = 60.0) -> None:
    """A site on the exact second with all that happens: suspicion, gaps, an instrument that comes and goes."""
    chance = random.Random(7)
    batch, step_s = Batch(), 10.0
    for step in range(round(hours * HOUR_S / step_s)):
        at_s = from_s + step * step_s
        suspect = {"bank_a": "over its range"} if 300 < step < 310 else {}
        values = {"bank_v": round(13.0 + chance.gauss(0.0, 0.01), 3)} | ({} if suspect else {"bank_a": step / 1000.0})
        if not 500 < step < 560:
            batch.readings.append(Reading("shunt", at_s, values, suspect, ("bank_c",) if step % 900 > 800 else ()))
            batch.readings.append(Reading("halfmark", at_s, {"soc_frac": 0.75}))
        if step % 3 == 0:
            batch.readings.append(Reading("controller", at_s + 0.5, {"panel_w": float(chance.randint(0, 80))}))
        if step % 400 == 7:
            batch.readings.append(Reading("mute", at_s + 0.25, {}))
        if (at_s + step_s) % every_s == 0.0:
            batch.until_s = at_s + 5.0
            record.commit(batch)
            batch = Batch()


def test_sealing_changes_nothing_that_is_read(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 14)
    limits: list[dict[str, object]] = [
        {},
        {"instrument": "shunt"},
        {"quantity": "bank_a"},
        {"quantity": "bank_c"},
        {"instrument": "controller", "quantity": "panel_w"},
        {"quantity": "never"},
        {"since": (1, 3599.0), "until": (1, 7201.0)},
        {"quantity": "bank_v", "since": (1, 21_590.0), "until": (1, 21_610.0)},
        {"since": (2, 0.0)},
    ]
    before = [read(tmp_path, **limit) for limit in limits]
    states: set[tuple[bool, ...]] = set()
    slices = 0
    while record.tend(14.5 * HOUR_S):
        states.add(tuple(count > 0 for count in tables(tmp_path).values()))
        slices += 1
        if slices % 7 == 0:
            assert read(tmp_path, since=(1, 20_000.0), until=(1, 23_000.0)) == [
                placed for placed in before[0] if 20_000.0 <= placed.reading.at_s < 23_000.0
            ]
    assert [read(tmp_path, **limit) for limit in limits] == before
    assert (record.sealed.hours, record.sealed.blocks) == (14, 2)
    counts = tables(tmp_path)
    assert (counts["tail"], counts["damaged"]) == (0, 0)
    assert counts["piece"] > 0 < counts["block"]
    assert len(states) >= 3  # it was looked at while some was only in the tail, some sealed, some packed
    record.close()


def test_only_what_is_over_is_sealed_and_sealing_again_does_nothing(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 2)
    record.seal_all(HOUR_S + 59.0)
    assert record.sealed.hours == 0
    record.seal_all(HOUR_S + 61.0)
    assert record.sealed.hours == 1
    counts, changes = tables(tmp_path), record._db.total_changes
    record.seal_all(2 * HOUR_S)
    assert (tables(tmp_path), record._db.total_changes) == (counts, changes)
    record.close()


def test_no_slice_is_long_and_only_whole_hours_are_written(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 1)
    before = read(tmp_path)
    slices, writes = 0, 0
    while True:
        changes = record._db.total_changes
        if not record.tend(1.5 * HOUR_S):
            break
        slices += 1
        writes += record._db.total_changes != changes
        assert read(tmp_path) == before
    assert slices > 10
    assert writes == 1
    record.close()


def test_a_service_that_ends_in_the_middle_of_an_hour_leaves_it_as_it_was(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 1)
    before = read(tmp_path)
    for _ in range(6):
        assert record.tend(1.5 * HOUR_S)
    record.close()
    record = open_record(tmp_path, elapsed_s=1.6 * HOUR_S)
    assert record.boot.number == 1
    assert read(tmp_path) == before
    record.seal_all(1.6 * HOUR_S)
    assert read(tmp_path) == before
    record.close()


def test_what_comes_late_is_sealed_in_its_own_hour_before_and_after_that_was_packed(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 8)
    for n, at_h in enumerate((9.0, 20.0)):
        record.seal_all(at_h * HOUR_S)
        late = [Reading("shunt", 5400.5 + 10 * n + i, {"bank_v": 11.0 + i}) for i in range(3)]
        record.commit(Batch(readings=late, until_s=at_h * HOUR_S + 30.0 * 60.0))
        record.seal_all((at_h + 1.2) * HOUR_S)
        assert [p.reading for p in read(tmp_path, since=(1, 5400.0)) if p.reading in late] == late
    found = read(tmp_path)
    assert [p.reading.at_s for p in found] == sorted(p.reading.at_s for p in found)
    assert len(found) == len(set(map(repr, found)))
    with RecordReader(tmp_path) as reader:
        assert reader.sweep().is_whole
    record.close()


def test_a_boot_that_is_over_is_sealed_to_its_end_by_the_next_one(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 3)
    record.close()
    record = open_record(tmp_path, boot_id=SECOND_BOOT, elapsed_s=30.0)
    record.commit(ten_seconds(30.0))
    before = read(tmp_path)
    record.seal_all(50.0)
    assert read(tmp_path) == before
    assert tables(tmp_path)["tail"] == 1
    assert tables(tmp_path)["piece"] == 0
    record.close()
    again = open_record(tmp_path, boot_id=SECOND_BOOT, elapsed_s=60.0)
    assert again.boot.number == 2
    again.close()


def test_the_same_boot_goes_on_when_all_its_readings_are_sealed_and_one_that_starts_over_does_not(
    tmp_path: Path,
) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 2)
    record.seal_all(4 * HOUR_S)
    record.close()
    with RecordReader(tmp_path) as reader:
        assert reader.newest_s() == (1, 2 * HOUR_S - 10.0)
        assert set(reader.latest()) == {"shunt", "halfmark", "controller", "mute"}
    for elapsed_s, number in ((4.1 * HOUR_S, 1), (HOUR_S, 2)):
        record = open_record(tmp_path, elapsed_s=elapsed_s)
        assert record.boot.number == number
        record.close()


def test_a_copy_that_follows_misses_nothing_whenever_sealing_comes(tmp_path: Path) -> None:
    """Followed from every place of the unsealed record, whatever comes after is given at least once."""
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 2, every_s=1200.0)
    with RecordReader(tmp_path) as reader:
        commits = list(reader.commits(1))
        assert reader.commit_count(1) == len(commits) == 6
        record.seal_all(1.5 * HOUR_S)
        for place in (-1, *range(len(commits))):
            after_ms = commits[place][0] if place >= 0 else -1
            wanted = [reading for _, readings in commits[place + 1 :] for reading in readings]
            numbers = [number for number, _ in reader.commits(1, after_ms)]
            assert numbers == sorted(set(numbers))
            assert not numbers or numbers[0] > after_ms
            found = [reading for _, readings in reader.commits(1, after_ms) for reading in readings]
            assert sorted(repr(reading) for reading in found if reading in wanted) == sorted(map(repr, wanted))
            assert len(found) - len(wanted) <= 2
            assert (reader.commit_count(1, after_ms) > 0) == bool(numbers)
        following = [(number, readings) for number, readings in reader.commits(1)]
        for place, (number, _) in enumerate(following):
            assert list(reader.commits(1, number)) == following[place + 1 :]
    record.close()


# -- times ---------------------------------------------------------------------------------------


def test_times_are_put_on_the_grid_by_no_more_than_is_said_and_never_back(tmp_path: Path) -> None:
    chance = random.Random(3)
    record = open_record(tmp_path, elapsed_s=0.0)
    readings = [Reading("shunt", 0.5 + n + chance.uniform(0.0, 0.04), {"bank_v": 13.0}) for n in range(7000)]
    del readings[1000:1300]
    for start in range(0, len(readings), 60):
        part = readings[start : start + 60]
        record.commit(Batch(readings=part, until_s=part[-1].at_s + 0.1))
    before = [p.reading.at_s for p in read(tmp_path)]
    record.seal_all(3 * HOUR_S)
    after = [p.reading.at_s for p in read(tmp_path)]
    most_s = min(1000 // SHARE_MOST, MOVED_MOST_MS) / 1000.0
    moved = [now - then for then, now in zip(before, after, strict=True)]
    assert -1e-9 <= min(moved) <= max(moved) <= most_s + 1e-9
    gaps = [round(b - a, 3) for a, b in zip(after, after[1:], strict=False)]
    assert gaps.count(1.0) > 0.999 * len(gaps) - 1
    record.seal_all(9 * HOUR_S)
    assert [p.reading.at_s for p in read(tmp_path)] == after  # packing moves nothing again
    assert tables(tmp_path)["piece"] == 0
    record.close()


some_value = st.one_of(st.integers(-(10**6), 10**6).map(lambda n: n / 1000.0), st.sampled_from([0.0, 1e12, -1e12]))
some_reading = st.builds(
    Reading,
    st.sampled_from(["shunt", "controller"]),
    st.integers(0, (BLOCK_H + 1) * 3_600_000).map(lambda ms: ms / 1000.0),
    st.dictionaries(st.sampled_from(["bank_v", "bank_a", "bank_ah_counter"]), some_value, max_size=3),
    st.dictionaries(st.sampled_from(["bank_c", "panel_v"]), st.sampled_from(["stuck", "low"]), max_size=2),
    st.sampled_from([(), ("load_a",), ("panel_w", "load_a")]),
)


def as_kept(placed: Placed) -> tuple[object, ...]:
    reading = placed.reading
    return placed.boot, reading.instrument, dict(reading.values), dict(reading.suspect), reading.missing


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    batches=st.lists(st.lists(some_reading, min_size=1, max_size=12), min_size=1, max_size=6), cut=st.integers(0, 30)
)
def test_any_readings_in_any_order_survive_sealing_and_packing(
    tmp_path_factory: pytest.TempPathFactory, batches: list[list[Reading]], cut: int
) -> None:
    folder = tmp_path_factory.mktemp("any")
    record = open_record(folder, elapsed_s=0.0)
    for number, readings in enumerate(batches):
        record.commit(Batch(readings=readings, until_s=30_000.0 + number))
    before = read(folder)
    for _ in range(cut):
        record.tend(50 * HOUR_S)
    assert sorted(map(repr, map(as_kept, read(folder)))) == sorted(map(repr, map(as_kept, before)))
    record.seal_all(50 * HOUR_S)
    after = read(folder)
    assert sorted(map(repr, map(as_kept, after))) == sorted(map(repr, map(as_kept, before)))
    assert [(p.boot, p.reading.at_s) for p in after] == sorted((p.boot, p.reading.at_s) for p in after)
    with RecordReader(folder) as reader:
        assert reader.sweep().is_whole
    record.close()


# -- damage --------------------------------------------------------------------------------------


def change(folder: Path, table: str, alter: Callable[[bytes], bytes], where: str = "1") -> int:
    db = sqlite3.connect(folder / "record.db")
    key, row = db.execute(f"SELECT k, row FROM {table} WHERE {where} ORDER BY k LIMIT 1").fetchone()
    db.execute(f"UPDATE {table} SET row = ? WHERE k = ?", (alter(row), key))
    db.commit()
    db.close()
    return int(key)


def flip(row: bytes) -> bytes:
    return row[:-1] + bytes([row[-1] ^ 1])


@pytest.mark.parametrize(("table", "where"), [("tail", "1"), ("piece", "k & 3 = 0"), ("piece", "k & 3 = 3")])
def test_a_damaged_row_is_set_aside_when_it_is_met_and_the_rest_is_sealed(
    tmp_path: Path, table: str, where: str
) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 8)
    everything = read(tmp_path)
    if table == "piece":
        record.seal_all(5 * HOUR_S)
    record.close()
    change(tmp_path, table, flip, where)
    with RecordReader(tmp_path) as reader:
        assert len(reader.sweep().damaged) == 1
    record = open_record(tmp_path, elapsed_s=9 * HOUR_S)
    record.seal_all(9 * HOUR_S)
    assert record.sealed.damaged >= 1
    assert tables(tmp_path)["damaged"] == record.sealed.damaged
    left = read(tmp_path)
    assert len(everything) - 1400 < len(left) <= len(everything)
    with RecordReader(tmp_path) as reader:
        swept = reader.sweep()
        assert swept.is_whole
        assert swept.aside == record.sealed.damaged
    record.close()


def test_a_damaged_chunk_found_by_the_sweep_is_told_left_out_and_moved_away_not_deleted(tmp_path: Path) -> None:
    record = open_record(tmp_path, elapsed_s=0.0)
    mixed_hours(record, 7)
    record.seal_all(8 * HOUR_S)
    key = change(tmp_path, "block", flip, "k & 3 = 0")
    told: list[tuple[int, int]] = []
    with RecordReader(tmp_path) as reader:
        assert reader.sweep(lambda done, of: told.append((done, of))).damaged == [("block", key)]
        list(reader.readings())
        assert reader.damaged_chunks == {("block", key)}
    assert told[-1][0] == told[-1][1] > 0
    (moved,) = record.set_aside_damaged([("block", key)])
    # Six hours of every 10 s, but for the 59 in which the shunt was away.
    assert (moved.what, moved.instrument, moved.readings) == ("values", "shunt", 2160 - 59)
    assert record.set_aside_damaged([("block", key)]) == []
    (row,) = record._db.execute("SELECT place, k FROM damaged").fetchall()
    assert row == ("block", key)
    with pytest.raises(ValueError, match="no table"):
        record.set_aside_damaged([("state", 1)])
    with RecordReader(tmp_path) as reader:
        swept = reader.sweep()
        assert swept.is_whole and swept.aside == 1
        assert reader.set_aside() == [moved]
    record.close()
