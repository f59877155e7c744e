"""The facts that need hours and days, piece by piece: against published lines and figures worked by hand."""

import json

import pytest

from servers.watched_site import AUTUMN_UTC_S, a_site
from shared.day_sums import DaySums
from shared.deserved_sun import DeservedSun
from shared.freezing import freezing_c
from shared.heat_trend import MARK_S, MARKS, NOT_SOON_H, HeatTrend, hours_to
from shared.look import Look
from shared.rules import rules_for
from shared.site_facts import SiteFacts


# TM 5-1185 Table III, verified: gravity 1.150 freezes at -15 C, 1.100 at -7.2 C; on the sheet's scale of gravity a bank
# at 25 % has 1.155, an empty one 1.120, a full one 1.265 (-59.4 C by a vehicle owner's manual).
@pytest.mark.parametrize(("soc_frac", "safe_c"), [(0.25, -15.0), (1.0, -59.4)])
def test_the_freezing_line_is_that_of_the_safe_tables(soc_frac: float, safe_c: float) -> None:
    assert freezing_c(soc_frac) == pytest.approx(safe_c, abs=1.1)


def test_less_charge_freezes_sooner_and_what_is_outside_counts_as_the_end() -> None:
    points = [freezing_c(n / 50.0) for n in range(51)]
    assert points == sorted(points, reverse=True)
    assert (freezing_c(-0.2), freezing_c(1.3)) == (freezing_c(0.0), freezing_c(1.0))


@pytest.mark.parametrize(("before_k", "last_k", "left_k", "hours"), [
    (2.0, 2.0, 4.0, 1.0),  # 2 K each half hour, 4 K to go
    (0.0, 2.0, 4.0, 1.0),  # no rise before: goes on as it is
    (1.0, 3.0, 6.0, 1.0),  # growing: goes on as it is, not faster
    (8.0, 4.0, 3.0, 1.0),  # halving: 2 K, then 1 K
    (8.0, 4.0, 4.0, NOT_SOON_H),  # halving: 2 + 1 + 0.5 ... never reaches 4 K
    (4.0, 0.4, 1.0, NOT_SOON_H),  # has come to rest
    (1.0, -2.0, 1.0, NOT_SOON_H),
    (1.0, 1.0, 0.0, 0.0),
])  # fmt: skip
def test_hours_to_a_limit_worked_by_hand(before_k: float, last_k: float, left_k: float, hours: float) -> None:
    assert hours_to(50.0, 50.0 + left_k, before_k, last_k) == pytest.approx(hours)


def test_a_trend_needs_an_hour_and_begins_anew_after_a_gap() -> None:
    trend = HeatTrend(60.0)
    hours = [trend.step(30.0 * n, 20.0 + 0.1 * n) for n in range(130)]  # 0.2 K a minute, so 60 C after 200 min
    assert hours[: int((MARKS - 1) * MARK_S / 30.0)] == [None] * int((MARKS - 1) * MARK_S / 30.0)
    assert hours[-1] == pytest.approx((200.0 - 64.5) / 60.0, abs=0.2)
    assert trend.step(129 * 30.0 + 3600.0, 30.0) is None


def test_sums_of_a_day_worked_by_hand() -> None:
    sums = DaySums()
    look = Look(0.0, soc_frac=0.8, bank_a=1.5, charge_a=2.0, bank_c=20.0, controller_c=31.0)
    for dt_s in (0.0, 900.0, 900.0):
        sums.fold(look, dt_s)
    sums.fold(look._replace(soc_frac=0.7, charge_a=0.0, bank_a=-0.5, enclosure_c=25.0), 900.0)
    # 2 A for half an hour; the load is 0.5 A throughout 45 min.
    assert (sums.sun_ah, sums.load_ah, sums.soc_least) == pytest.approx((1.0, 0.375, 0.7))
    assert (sums.heat_c, sums.heat_at, sums.seen_s) == (31.0, "controller", 2700.0)
    sums.fold(look, 5000.0)
    assert sums.seen_s == 2700.0, "nobody saw what was between"
    assert DaySums.resume(json.loads(json.dumps(sums.snapshot()))) == sums


def facts_of(site: SiteFacts, rows: list[Look]) -> list[dict[str, float | None]]:
    found = []
    for row in rows:
        site.step(row)
        found.append(dict(site.facts))
    return found


def rows(begin_s: float, count: int) -> list[Look]:
    return [
        Look(
            begin_s + 60.0 * n, AUTUMN_UTC_S + begin_s + 60.0 * n, 0.6, 0.02, 12.9, 0.4, 21.0, 0.6, 0.5, 8.0, 17.0, 0.2,
            counters_ah=(("shunt", 3.0),),
        )
        for n in range(count)
    ]  # fmt: skip


def test_a_restart_in_the_middle_changes_no_slow_fact() -> None:
    site = a_site()
    whole, half = SiteFacts(site, rules_for(site)), SiteFacts(site, rules_for(site))
    facts_of(whole, rows(0.0, 300))
    facts_of(half, rows(0.0, 150))
    again = SiteFacts(site, rules_for(site))
    again.restore(json.loads(json.dumps(half.snapshot())))
    facts_of(again, rows(9000.0, 150))
    heat = {"bank_hot_h", "controller_hot_h", "enclosure_hot_h"}  # a trend begins anew
    assert {k: v for k, v in again.facts.items() if k not in heat} == pytest.approx(
        {k: v for k, v in whole.facts.items() if k not in heat}
    )


@pytest.mark.parametrize("part", ["day", "sun", "idle", "backflow", "below_s", "resets"])
@pytest.mark.parametrize("garbage", [None, 3, "x", [], {}, [1, 2, 3], {"about": 1}])
def test_a_part_that_cannot_be_read_costs_the_others_nothing(part: str, garbage: object) -> None:
    site = a_site()
    first = SiteFacts(site, rules_for(site))
    facts_of(first, rows(0.0, 100))
    saved = json.loads(json.dumps(first.snapshot()))
    saved[part] = garbage
    again = SiteFacts(site, rules_for(site))
    again.restore(saved)
    again.step(rows(6000.0, 1)[0])
    if part != "below_s":
        assert again.facts["recovery_d"] == pytest.approx(100 * 60.0 / 86_400.0)


def test_another_panel_is_not_held_against_the_old_ones_clear_days() -> None:
    site = a_site()
    old, new = DeservedSun(site), DeservedSun(site)
    old.reference[0], old.learned_days[0] = 0.9, 9
    new.restore(old.snapshot())
    assert new.reference[0] == 0.9
    new.panel_w = 60.0
    new.reference[0] = 0.0
    new.restore(old.snapshot())
    assert new.reference[0] == 0.0
