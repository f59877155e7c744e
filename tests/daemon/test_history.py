"""The past as curve and table: right figures, honest times, gaps that stay gaps."""

import csv
import io
import json
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.history import Asked, run_history
from daemon.main import main
from daemon.record import Record, RecordReader
from daemon.timeline import Timeline, moment_of, zone_of
from servers.invented_past import make_past


def shown(store: Path, *quantities: str, **asked: object) -> list[str]:
    out = io.StringIO()
    assert run_history(store, Asked(quantities, **asked), out=out, err=io.StringIO()) == 0  # type: ignore[arg-type]
    return out.getvalue().splitlines()


def table(store: Path, *quantities: str, **asked: object) -> list[dict[str, str]]:
    return list(csv.DictReader(shown(store, *quantities, form="csv", **asked)))


def test_the_table_has_least_mean_most_of_local_time(tmp_path: Path) -> None:
    """Six hours of a straight line, 0.1 V an hour from 12.0 V; 14:13:20 UTC is 10:13 in New York in September."""
    store = make_past(tmp_path, timezone="America/New_York")
    lines = shown(store, "bank_v", since="3h", plain=True)
    assert lines[0] == "bank_v of shunt, bank voltage, V"
    head = next(n for n, line in enumerate(lines) if line.startswith("each 10 min"))
    assert lines[head].split() == ["each", "10", "min", "least", "mean", "most", "readings"]
    first = lines[head + 2].split()
    assert first[:2] == ["2026-09-21", "13:20"]
    # 13:20 local is 3 h 6 min 40 s after the start; ten readings, one a minute.
    assert [float(cell) for cell in first[2:5]] == pytest.approx([12.31, 12.32, 12.33], abs=0.011)
    assert first[5] == "10"
    assert lines[-1] == "from 2026-09-21 13:12 to 2026-09-21 16:12, times of America/New_York"


def test_csv_and_json_tell_the_same(tmp_path: Path) -> None:
    store = make_past(tmp_path)
    rows = table(store, "bank_v", since="1h")
    objects = json.loads("\n".join(shown(store, "bank_v", since="1h", form="json")))
    assert len(rows) == len(objects) > 5
    assert rows[0]["begin_utc"] == objects[0]["begin_utc"] == "2026-09-21T19:12:20+00:00"
    assert [float(row["mean"]) for row in rows] == [one["mean"] for one in objects]
    assert sum(one["readings"] for one in objects) == 61


def test_a_gap_is_a_gap_in_curve_and_table(tmp_path: Path) -> None:
    store = make_past(tmp_path, values=[("shunt", "bank_a", lambda at_s: None if 7000 < at_s < 15_000 else -0.2)])
    lines = shown(store, "bank_a", plain=True)
    assert any("nothing for 2 h" in line for line in lines)
    curve = next(line for line in lines if "*" in line)
    assert "*          " in curve and curve.count("*") < 60


def test_a_boot_without_a_date_is_shown_as_such(tmp_path: Path) -> None:
    store = make_past(tmp_path, boots=3, dated=(1,), hours=2.0)
    rows = table(store, "bank_v", since="2026-01-01")
    assert {row["boot"] for row in rows} == {"", "2", "3"}
    assert all(bool(row["begin_utc"]) != bool(row["boot"]) for row in rows)
    assert sum(int(row["readings"]) for row in rows) == 3 * 120
    text = "\n".join(shown(store, "bank_v", since="2026-01-01", plain=True))
    assert "boot 3 +" in text and "2026-09-21 14:" in text
    assert "by boots no trusted clock has placed" in text.replace("\n", " ")


def test_a_dated_boot_keeps_its_date_after_one_without(tmp_path: Path) -> None:
    """The second boot is not dated; the third begins 2 * (2 h + 1 h off) after the first."""
    store = make_past(tmp_path, boots=3, dated=(1, 3), hours=2.0)
    rows = table(store, "bank_v", since="2026-01-01")
    assert any(row["begin_utc"].startswith("2026-09-21T20:13") for row in rows)
    assert {row["boot"] for row in rows} == {"", "2"}


def test_each_instrument_has_its_own_curve_unless_one_is_named(tmp_path: Path) -> None:
    values = [(name, "bank_v", lambda at_s: 12.5) for name in ("shunt", "controller")]
    store = make_past(tmp_path, values=values, hours=1.0)
    assert [line for line in shown(store, "bank_v") if " of " in line and "from" not in line] == [
        "bank_v of controller, bank voltage, V",
        "bank_v of shunt, bank voltage, V",
    ]
    assert {row["instrument"] for row in table(store, "shunt:bank_v")} == {"shunt"}


@pytest.mark.parametrize("width", [20, 30, 40, 80, 130, 400])
@pytest.mark.parametrize("plain", [True, False])
def test_any_width_holds(tmp_path: Path, width: int, plain: bool) -> None:
    store = make_past(tmp_path, boots=2, dated=(1,), hours=1.0)
    lines = shown(store, "bank_v", since="2026-01-01", width=width, plain=plain)
    assert max(len(line) for line in lines) <= width
    assert "\x1b" not in "".join(lines)
    assert not plain or "".join(lines).isascii()


def test_names_from_the_record_reach_no_terminal_raw(tmp_path: Path) -> None:
    store = make_past(tmp_path, values=[("sh\x1b[31munt\u202e", "bank_v", lambda at_s: 12.5)], hours=1.0)
    text = "\n".join(shown(store, "bank_v"))
    assert "\x1b" not in text and "\u202e" not in text


def test_a_misspelt_quantity_is_told_what_there_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = make_past(tmp_path, hours=1.0)
    assert main(["history", "bank_w", "--store", str(store)]) == 2
    assert 'quantity = "bank_w": did you mean bank_v? the record has: bank_v' in capsys.readouterr().err
    assert main(["history", "bank_v", "--since", "yesterday", "--store", str(store)]) == 2
    assert "a span back such as 2d" in capsys.readouterr().err
    assert main(["history", "bank_v", "--store", str(tmp_path / "none.db")]) == 3
    assert "there is no record" in capsys.readouterr().err
    assert main(["history", "bank_v", "--until", "2020-01-01", "--since", "2019-01-01", "--store", str(store)]) == 1
    assert main(["history", "bank_v", "--store", str(store), "--plain"]) == 0


@pytest.mark.parametrize(
    ("text", "seconds"), [("2d", 172_800.0), ("36 h", 129_600.0), ("1.5h", 5400.0), ("90min", 5400.0), ("30s", 30.0)]
)
def test_a_span_counts_back_from_the_newest_reading(tmp_path: Path, text: str, seconds: float) -> None:
    with RecordReader(make_past(tmp_path, hours=1.0)) as reader:
        moment = moment_of(text, reader, zone_of(reader))
        newest = reader.newest_s()
        assert newest is not None and moment is not None and not isinstance(moment, tuple)
        assert moment.timestamp() == pytest.approx((reader.utc_of(*newest) or 0.0) - seconds)


def test_in_an_undated_boot_a_span_ends_where_the_boot_began(tmp_path: Path) -> None:
    with RecordReader(make_past(tmp_path, hours=1.0, dated=())) as reader:
        assert moment_of("30min", reader, zone_of(reader)) == (1, pytest.approx(3540.0 - 1800.0, abs=61.0))
        assert moment_of("9d", reader, zone_of(reader)) == (1, 0.0)


def test_a_date_is_local(tmp_path: Path) -> None:
    with RecordReader(make_past(tmp_path, hours=1.0, timezone="America/New_York")) as reader:
        moment = moment_of("2026-09-21 10:00", reader, zone_of(reader))
        assert moment is not None and not isinstance(moment, tuple)
        assert moment.timestamp() == 1_789_999_200.0  # 14:00 UTC, by the calendar
        with pytest.raises(ConfigError, match="a name such as"):
            zone_of(reader, "Mars/Olympus")


def test_the_timeline_never_runs_backwards(tmp_path: Path) -> None:
    with RecordReader(make_past(tmp_path, boots=3, dated=(2,), hours=1.0)) as reader:
        timeline = Timeline(reader)
        xs = [timeline.place(placed.boot, placed.reading.at_s) for placed in reader.readings()]
        assert xs == sorted(xs)
        assert timeline.words(xs[0]) == "boot 1 +0.0 s"
        assert timeline.words(xs[-1]).startswith("boot 3 +59 min")


@pytest.mark.parametrize("hours", [30.0, 300.0])
def test_a_long_span_is_drawn_from_what_is_rolled_up_and_tells_the_same(tmp_path: Path, hours: float) -> None:
    """Every reading is in it once, and least and most are those of the readings; sealed or not."""
    store = make_past(
        tmp_path, hours=hours, every_s=60.0, values=[("shunt", "bank_a", lambda at_s: at_s % 977.0 / 100.0)]
    )
    before = table(store, "bank_a", since="2026-01-01")
    record = Record.open(tmp_path, boot_id="f0" * 16, elapsed_s=0.0, wall_utc_s=0.0)
    record.seal_all(1.0)
    record.close()
    assert record.sealed.hours == hours
    after = table(store, "bank_a", since="2026-01-01")
    assert [{**row, "mean": ""} for row in after] == [{**row, "mean": ""} for row in before]
    means = [[float(row["mean"]) for row in rows] for rows in (before, after)]
    assert means[0] == pytest.approx(means[1], abs=0.001)  # a packed minute's mean is rounded to the step
    assert sum(int(row["readings"]) for row in after) == hours * 60
    assert min(float(row["least"]) for row in after) == 0.0
    assert max(float(row["most"]) for row in after) == max(n * 60 % 977 for n in range(round(hours * 60))) / 100.0
