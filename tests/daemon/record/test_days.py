"""Starts of the service and rows of the daybook: stored with the rest, replaced by name, read from older layouts."""

from pathlib import Path

from daemon.record import Anchor, Batch, Day, RecordReader, Run, StoredRun
from servers.records import WALL_UTC_S, open_record, ten_seconds


def test_days_are_replaced_by_name_and_told_in_the_order_they_began(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    late, early = Day("2026-06-02", 1, 90_000.0, {"ah_in": 3.0}), Day("2026-06-01", 1, 100.0, {"ah_in": 1.0})
    record.commit(Batch(days=[late, early]))
    record.commit(Batch(days=[Day("2026-06-01", 1, 100.0, {"ah_in": 2.0})], days_gone=["boot 1 day 1"]))
    record.commit(Batch(days_gone=["2026-06-02"]))
    with RecordReader(tmp_path) as reader:
        assert reader.days() == [Day("2026-06-01", 1, 100.0, {"ah_in": 2.0})]
    record.close()


def test_runs_are_kept_in_order(tmp_path: Path) -> None:
    record = open_record(tmp_path)
    record.commit(Batch(runs=[Run(100.0, None, "")]))
    record.commit(Batch(runs=[Run(300.0, (1, 250.5), "crash")]))
    with RecordReader(tmp_path) as reader:
        assert reader.runs() == [StoredRun(1, 100.0, None, ""), StoredRun(1, 300.0, (1, 250.5), "crash")]
    record.close()


def test_bounds_come_from_the_boots_around(tmp_path: Path) -> None:
    """Boot 1 is dated and ends at 110 s, boot 2 is not and lasts 200 s, boot 3 is dated."""
    for number, anchor in ((1, Anchor(0, 100.0, WALL_UTC_S, 0.1, "kernel")), (2, None)):
        record = open_record(tmp_path, boot_id=f"{number:032x}")
        batch = ten_seconds(100.0 * number - 0.0)
        batch.anchors = [] if anchor is None else [anchor]
        record.commit(batch)
        record.close()
    record = open_record(tmp_path, boot_id=f"{3:032x}", elapsed_s=5.0)
    record.commit(Batch(anchors=[Anchor(0, 10.0, WALL_UTC_S + 5000.0, 0.1, "kernel")]))
    record.close()
    with RecordReader(tmp_path) as reader:
        assert reader.newest_of_boot_s(2) == 210.0
        assert reader.bounds_of(2, 210.0) == (WALL_UTC_S + 10.0 + 210.0, WALL_UTC_S + 4990.0)
        assert reader.bounds_of(1, 110.0) == (WALL_UTC_S + 10.0, WALL_UTC_S + 10.0)


def test_a_copy_beside_the_writer_has_what_is_only_in_the_log(tmp_path: Path) -> None:
    record = open_record(tmp_path / "state")
    record.commit(ten_seconds(100.0))
    with RecordReader(tmp_path / "state") as reader:
        reader.copy_to(tmp_path / "copy.db")
        assert reader.check_pages() == [] and reader.layout == 4
    record.commit(ten_seconds(110.0))
    with RecordReader(tmp_path / "copy.db") as copy:
        assert len(list(copy.readings())) == 11
        assert copy.sweep().is_whole
    record.close()
