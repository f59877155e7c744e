import pytest

from daemon.record import Saved
from daemon.regular import Regular, compose_regular
from daemon.restarts import Restarts
from drivers.virtual.site import SitePlan
from servers.watched_site import WatchedSite
from shared.regular_notices import HEARTBEAT, SUMMARY
from shared.site import RegularNotices

DAY_S = 86_400.0


def saved(clean: bool, *rows: list[object]) -> Saved:
    return Saved(1, 1000.0, {"clean": clean, "rows": list(rows)})


@pytest.mark.parametrize(("clean", "same_boot", "gap_s", "words"), [
    (False, True, 30.0, "the service crashed or was killed; nobody watched for about 30 s"),
    (True, False, 7200.0, "the computer was restarted; nobody watched for about 2 h"),
    (False, False, None, "the power went or the computer froze; nobody watched for nobody knows how long"),
    (True, True, 7200.0, "the service was stopped by somebody; nobody watched for about 2 h"),
    (True, True, 60.0, ""),
])  # fmt: skip
def test_the_reason_is_told_from_boot_and_mark(clean: bool, same_boot: bool, gap_s: float | None, words: str) -> None:
    found = Restarts.after(saved(clean), same_boot=same_boot, now_s=50.0, gap_s=gap_s)
    assert found.why == words
    assert found.count(50.0) == (1.0 if words else 0.0)


def test_a_first_start_is_no_interruption() -> None:
    assert Restarts.after(None, same_boot=False, now_s=50.0, gap_s=None).count(50.0) == 0.0


def test_interruptions_count_for_a_day_of_real_time() -> None:
    first = Restarts.after(saved(False), same_boot=True, now_s=5000.0, gap_s=30.0)
    state = Saved(1, 8600.0, first.state(8600.0))  # an hour later
    second = Restarts.after(state, same_boot=False, now_s=20.0, gap_s=7200.0, seen_s=600.0)
    assert second.count(20.0) == 2.0
    # The first one is now 1 h + 10 min + 2 h old.
    assert second.count(20.0 + DAY_S - 11_400.0 - 1.0) == 2.0
    assert second.count(20.0 + DAY_S - 11_400.0 + 1.0) == 1.0
    assert second.count(20.0 + DAY_S + 1.0) == 0.0


@pytest.mark.parametrize("body", [{}, {"clean": True, "rows": 3}, {"clean": True, "rows": [[1], ["x", "y"], None]}])
def test_a_strange_state_is_no_reason_not_to_start(body: dict[str, object]) -> None:
    found = Restarts.after(Saved(1, 0.0, body), same_boot=True, now_s=5.0, gap_s=None)
    assert found.count(5.0) == (0.0 if body else 1.0)


def test_regular_notices_come_at_their_period_and_not_at_once() -> None:
    wanted = RegularNotices(heartbeat_h=12.0, summary=True)
    regular, sent = Regular(100.0), []
    for step in range(1, 3 * 24 * 60):
        now_s = 100.0 + 60.0 * step + 7.0  # late by a little each time
        for kind in (HEARTBEAT, SUMMARY):
            if regular.due(kind, now_s, wanted):
                regular.sent(kind, now_s, wanted)
                sent.append((kind, round((now_s - 100.0) / 3600.0, 2)))
    assert sent == [
        ("heartbeat", 12.0), ("heartbeat", 24.0), ("summary", 24.0), ("heartbeat", 36.0), ("heartbeat", 48.0),
        ("summary", 48.0), ("heartbeat", 60.0),
    ]  # fmt: skip


def test_what_is_switched_off_is_never_due() -> None:
    regular = Regular(0.0)
    assert not any(regular.due(kind, 1e7, RegularNotices()) for kind in (HEARTBEAT, SUMMARY))


def test_the_period_goes_on_over_a_restart_and_one_that_was_missed_comes_once() -> None:
    wanted = RegularNotices(summary=True)
    before = Regular(0.0)
    again = Regular(10.0, before.state(80_000.0), passed_s=6000.0)
    assert not again.due(SUMMARY, 10.0 + 399.0, wanted)
    assert again.due(SUMMARY, 10.0 + 400.0, wanted)
    long_off = Regular(10.0, before.state(80_000.0), passed_s=5 * DAY_S)
    assert long_off.due(SUMMARY, 10.0, wanted)
    long_off.sent(SUMMARY, 10.0, wanted)
    assert not long_off.due(SUMMARY, 10.0 + DAY_S - 1.0, wanted)


def test_the_summary_tells_hours_to_half_and_airtime_when_the_station_knows_them() -> None:
    site = WatchedSite(plan=SitePlan(start_soc=0.56), step_s=20.0)
    site.virtual.impose("dark-week")
    site.virtual.impose("busy", traffic_factor=6.0)
    site.run(3 * 3600.0)
    station = site.station
    context = station.notice_context(site.now_s, utc=None, origin="0a1b")
    notice = compose_regular(SUMMARY, station, context, DAY_S)
    forecast = station.ahead.forecast(site.now_s)
    assert forecast is not None and forecast.half_likely_h is not None
    assert f"Half in {forecast.half_likely_h - (site.now_s - forecast.made_s) / 3600.0:.0f} h." in notice.short
    assert "Sun" in notice.short and "load" in notice.short and len(notice.short) <= 160
    assert station.site_facts.day.seen_s == 0.0, "a new day's sums have begun"
