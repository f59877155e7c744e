"""`halfmark bank` and `halfmark airtime`: the three answers and the hours, out of a record alone."""

import io
import json
from pathlib import Path

import pytest

from daemon.bank_answers import AskedBank, run_airtime, run_bank
from daemon.errors import ConfigError, StoreError
from daemon.main import main
from daemon.picture import STATE_NAME
from daemon.record import Anchor, Batch, Record
from daemon.site_health import align, day_began_s
from drivers.virtual.site import SitePlan
from servers.keyed_site import START_UTC_S, KeyedSite
from shared.station import Station

ZONE = "America/New_York"
PLAN = SitePlan(traffic_level=3.0, panel_w=12.0)


@pytest.fixture(scope="module")
def lived() -> KeyedSite:
    """Two hours of evening at a reading a second, eight days at one a minute, and two hours at one a second again."""
    site = KeyedSite(PLAN)
    site.run(14.0, step_s=60.0)
    site.run(2.0)
    site.run(190.0, step_s=60.0)
    site.run(2.0)
    return site


def keep(folder: Path, station: Station, *, dated: bool = True, at_s: float | None = None) -> Path:
    """Put a station's state into a record, as the service does."""
    record = Record.open(folder, boot_id="b" * 32, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    try:
        batch = Batch(until_s=station.fed_s or 0.0)
        if dated:
            batch.anchors.append(Anchor(0, 0.0, START_UTC_S, 1.0, "operator"))
        batch.state["station"] = station.snapshot()
        batch.state[STATE_NAME] = {"site": "Cold Fork Ridge", "timezone": ZONE}
        record.commit(batch)
    finally:
        record.close()
    return folder


@pytest.fixture
def store(tmp_path: Path, lived: KeyedSite) -> Path:
    return keep(tmp_path, lived.station)


def bank(store: Path, **asked: object) -> list[str]:
    out = io.StringIO()
    assert run_bank(store, AskedBank(**asked), out=out) == 0  # type: ignore[arg-type]
    return out.getvalue().splitlines()


def airtime(store: Path, **asked: object) -> list[str]:
    out = io.StringIO()
    assert run_airtime(store, AskedBank(**asked), out=out) == 0  # type: ignore[arg-type]
    return out.getvalue().splitlines()


def test_the_three_answers_each_have_an_error_a_date_and_a_trend(store: Path) -> None:
    lines = bank(store, plain=True)
    heads = ["How much of the bank is left", "What wears it", "When was it last truly full"]
    places = [lines.index(head) for head in heads]
    left, wear, full = (
        "\n".join(lines[a:b]) for a, b in zip(places, [*places[1:], lines.index("", places[2])], strict=True)
    )
    assert "Ah +-" in left and "trend: " in left and "of 24 Ah on its plate" in left
    assert "cycle life" in wear and "trend: " in wear and "resistance: " in wear and "2024-06-" in wear
    assert "trend: highest of the last week" in full
    assert lines[1].startswith("as of 2024-06-19 00:00")  # 208 hours after 08:00 in New York
    assert lines[-1].split()[0] == "2024-06-18"


def test_the_figures_are_the_stations(store: Path, lived: KeyedSite) -> None:
    told = json.loads("\n".join(bank(store, form="json")))
    assert told["left"]["capacity_ah"] == lived.station.charge.capacity_ah
    assert told["wear"]["ohm"] == lived.station.health.ohm.recent_ohm
    assert told["utc_s"] == pytest.approx(START_UTC_S + lived.at_s, abs=60.0)


def test_airtime_is_told_by_hour_and_day(store: Path, lived: KeyedSite) -> None:
    lines = airtime(store, plain=True)
    assert lines[0] == "Cold Fork Ridge: airtime"
    hours = [line for line in lines if line[:2].isdigit() and line[2] == " "]
    assert hours and all(0 <= int(line[:2]) < 24 for line in hours)
    assert any(line.startswith("2024-06-18") for line in lines)
    assert any("keying adds 1.4" in line or "keying adds 1.5" in line for line in lines)
    rows = json.loads("\n".join(airtime(store, form="json")))
    assert sum(row["keyed_s"] for row in rows["days"]) == pytest.approx(rows["total"]["keyed_s"])
    assert sum(row["keyings"] for row in rows["hours"]) == pytest.approx(rows["total"]["keyings"])


def test_since_leaves_earlier_hours_out(store: Path) -> None:
    every = json.loads("\n".join(airtime(store, form="json")))
    late = json.loads("\n".join(airtime(store, form="json", since="2024-06-18 20:00")))
    assert 0 < len(late["hours"]) < len(every["hours"])
    assert min(row["begin_utc_s"] for row in late["hours"]) >= 1718755200.0 - 3600.0  # 2024-06-19 00:00 UTC
    with pytest.raises(ConfigError):
        run_airtime(store, AskedBank(since="yesterday-ish"), out=io.StringIO())


@pytest.mark.parametrize("width", [80, 40])
@pytest.mark.parametrize("dated", [True, False])
def test_every_line_fits_and_is_ascii_when_plain(tmp_path: Path, lived: KeyedSite, width: int, dated: bool) -> None:
    store = keep(tmp_path, lived.station, dated=dated)
    for lines in (bank(store, plain=True, width=width), airtime(store, plain=True, width=width)):
        assert all(len(line) <= width and line.isascii() for line in lines), lines
        assert len(lines) > 15


def test_without_a_date_times_are_told_backwards(tmp_path: Path, lived: KeyedSite) -> None:
    store = keep(tmp_path, lived.station, dated=False)
    assert "2024" not in "\n".join(bank(store, plain=True) + airtime(store, plain=True))
    assert any("before now" in line for line in airtime(store, plain=True))


def test_a_fresh_station_tells_what_it_does_not_know(tmp_path: Path) -> None:
    site = KeyedSite(PLAN)
    site.run(0.1)
    store = keep(tmp_path, site.station)
    text = "\n".join(bank(store, plain=True))
    assert "told after a week" in text and "not seen yet" in text
    assert "longest" in "\n".join(airtime(store, plain=True))


def test_a_site_without_quick_readings_says_so(tmp_path: Path) -> None:
    site = KeyedSite(PLAN, shunt_s=10.0)
    site.run(0.5)
    store, err = keep(tmp_path, site.station), io.StringIO()
    assert run_airtime(store, AskedBank(), out=io.StringIO(), err=err) == 1
    assert "each two seconds" in err.getvalue()
    assert bank(store, plain=True)


def test_a_record_without_it_says_what_to_do(tmp_path: Path) -> None:
    Record.open(tmp_path, boot_id="b" * 32, elapsed_s=0.0, wall_utc_s=START_UTC_S).close()
    with pytest.raises(StoreError, match="saved nothing yet"):
        run_bank(tmp_path, AskedBank(), out=io.StringIO())


def test_state_of_an_older_service_is_no_crash(tmp_path: Path, lived: KeyedSite) -> None:
    record = Record.open(tmp_path, boot_id="b" * 32, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    try:
        record.commit(Batch(state={"station": {"v": 1, "at_s": 5.0, "charge": {}}}, until_s=5.0))
    finally:
        record.close()
    with pytest.raises(StoreError, match="bank health"):
        run_bank(tmp_path, AskedBank(), out=io.StringIO())


def test_from_the_command_line(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bank", "--store", str(store), "--plain"]) == 0
    assert "How much of the bank is left" in capsys.readouterr().out
    assert main(["airtime", "--store", str(store), "--since", "2d", "--plain"]) == 0
    assert "by hour of the day" in capsys.readouterr().out


def test_today_begins_at_the_sites_midnight() -> None:
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    # 2024-06-10 12:00 UTC is 08:00 in New York, in summer time four hours behind.
    utc = datetime.fromtimestamp(START_UTC_S, UTC)
    assert day_began_s(100_000.0, utc, ZoneInfo(ZONE)) == 100_000.0 - 8 * 3600.0


def test_hours_begin_with_the_clocks_once_it_is_trusted() -> None:
    from datetime import UTC, datetime

    site = KeyedSite(PLAN)
    site.run(0.2)
    airtime_ = site.station.airtime
    assert airtime_ is not None
    align(site.station, site.at_s, datetime.fromtimestamp(START_UTC_S + 1800.0, UTC))
    site.run(0.6)
    # The clock said 12:30 at 720 s, so an hour began at 720 - 1800 s, and the next one at 2520 s.
    assert airtime_.hours.rows[-1].begin_s == pytest.approx(2520.0)
