"""Minutes, hours and curves: the same as counted by hand from the readings, sealed or not."""

import math
import random
import statistics
from collections import defaultdict
from pathlib import Path

import pytest

from daemon.clock import Anchor
from daemon.record import Batch, Record, RecordReader
from daemon.record.curves import step_for
from servers.records import WALL_UTC_S, open_record
from shared.readings import Reading

HOUR_S = 3600.0
SECOND_BOOT = "b2" * 16
GAP = range(2_000, 2_600)  # in steps: nobody saw anything for 6000 s


def fill(record: Record, hours: float, chance: random.Random) -> None:
    batch = Batch()
    for step in range(round(hours * 360)):
        at_s = 10.0 * step
        if step not in GAP:
            values = {"bank_v": round(chance.gauss(13.0, 0.01), 3), "panel_w": float(chance.randint(0, 90))}
            batch.readings.append(Reading("controller", at_s, values))
        if step % 180 == 179:
            batch.until_s = at_s
            record.commit(batch)
            batch = Batch()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A boot of 26 hours, packed, sealed and still in the tail, and one of 3 hours after it, which began at 30 h."""
    folder = tmp_path_factory.mktemp("curves")
    chance = random.Random(5)
    record = open_record(folder, elapsed_s=0.0)
    fill(record, 26.0, chance)
    record.commit(Batch(anchors=[Anchor(0, 0.0, WALL_UTC_S, 0.1, "kernel")]))
    record.seal_all(25.5 * HOUR_S)
    record.close()
    record = open_record(folder, boot_id=SECOND_BOOT, elapsed_s=0.0)
    fill(record, 3.0, chance)
    record.commit(Batch(anchors=[Anchor(0, 0.0, WALL_UTC_S + 30 * HOUR_S, 0.1, "kernel")]))
    while record.tend(1.5 * HOUR_S):
        pass
    record.close()
    return folder


def by_hand(folder: Path, quantity: str, span_s: float) -> dict[tuple[int, float], list[float]]:
    found: dict[tuple[int, float], list[float]] = defaultdict(list)
    with RecordReader(folder) as reader:
        for boot, reading in reader.readings("controller", quantity):
            found[boot, reading.at_s // span_s * span_s].append(reading.values[quantity])
    return found


@pytest.mark.parametrize(("step", "span_s"), [("minute", 60.0), ("hour", HOUR_S)])
@pytest.mark.parametrize("quantity", ["bank_v", "panel_w"])
def test_buckets_are_what_the_readings_say(folder: Path, quantity: str, step: str, span_s: float) -> None:
    expected = by_hand(folder, quantity, span_s)
    with RecordReader(folder) as reader:
        found = {(row.boot, row.at_s): row for row in reader.rollups("controller", quantity, step=step)}
    assert list(found) == sorted(expected)
    for place, values in expected.items():
        row = found[place]
        assert (row.span_s, row.good, row.least, row.most) == (span_s, len(values), min(values), max(values))
        exact = 1e-9 if step == "hour" else 0.005  # a packed minute's mean is rounded to the step, 0.01 W at most
        assert row.mean == pytest.approx(statistics.fmean(values), abs=exact + 1e-9)
        assert row.covered_s == pytest.approx(10.0 * len(values))
        if quantity == "bank_v":
            assert row.integral is None
        else:
            assert row.integral == pytest.approx(10.0 * sum(values), abs=exact * 60.0 + 1e-6)


def test_what_nobody_saw_is_in_no_integral(folder: Path) -> None:
    with RecordReader(folder) as reader:
        rows = list(reader.rollups("controller", "panel_w", until=(1, 24 * HOUR_S)))
        total = sum(placed.reading.values["panel_w"] for placed in reader.readings(until=(1, 24 * HOUR_S)))
    assert sum(row.covered_s for row in rows) == 24 * HOUR_S - 10.0 * len(GAP)
    assert sum(row.integral or 0.0 for row in rows) == pytest.approx(10.0 * total)


@pytest.mark.parametrize(
    ("since", "until"), [((1, 1800.0), (1, 5400.0)), ((1, 90_000.0), (2, 600.0)), ((1, 0.0), (1, 0.0))]
)
def test_a_range_holds_the_buckets_that_begin_in_it(
    folder: Path, since: tuple[int, float], until: tuple[int, float]
) -> None:
    with RecordReader(folder) as reader:
        everything = [(row.boot, row.at_s) for row in reader.rollups("controller", "bank_v", step="minute")]
        found = [(row.boot, row.at_s) for row in reader.rollups("controller", "bank_v", since, until, "minute")]
    assert found == [place for place in everything if since <= place < until]


@pytest.mark.parametrize("step", ["raw", "minute", "hour"])
def test_a_curve_holds_every_value_once_and_its_extremes(folder: Path, step: str) -> None:
    with RecordReader(folder) as reader:
        (series,) = reader.series("bank_v", points=50, step=step)
        values = [p.reading.values["bank_v"] for p in reader.readings("controller", "bank_v")]
        sealed = [p.reading.values["bank_v"] for p in reader.readings(until=(2, 0.0))]
    if step == "hour":
        values = sealed  # the second boot's hours are not sealed yet but for the first
    count = sum(point.good for point in series.points)
    assert (series.instrument, series.quantity, series.made_from) == ("controller", "bank_v", step)
    assert len(values) <= count <= len(values) + 360
    assert 20 <= len(series.points) <= 52
    assert min(point.least for point in series.points) <= min(values)
    assert max(point.most for point in series.points) >= max(values)
    mean = math.fsum(point.mean * point.good for point in series.points) / count
    assert mean == pytest.approx(statistics.fmean(values), abs=0.001)
    assert [point.utc_s for point in series.points] == sorted(point.utc_s or 0.0 for point in series.points)


def test_nothing_and_what_nobody_gives_is_no_curve(folder: Path, tmp_path: Path) -> None:
    open_record(tmp_path).close()
    with RecordReader(tmp_path) as reader:
        assert reader.series("bank_v") == []
    with RecordReader(folder) as reader:
        assert reader.series("enclosure_c") == []
        assert reader.series("bank_v", "shunt") == []


def test_the_span_says_what_a_curve_is_drawn_from() -> None:
    spans_h = {6.0: "raw", 7.0: "minute", 240.0: "minute", 241.0: "hour", 8766.0: "hour"}
    assert {hours: step_for(hours * HOUR_S) for hours in spans_h} == spans_h
