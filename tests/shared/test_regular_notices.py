from datetime import UTC, datetime, timedelta, timezone

import pytest

from shared.alerts import StandingAlert
from shared.day_sums import DaySums
from shared.notices import NoticeContext
from shared.regular_notices import DayLook, compose_heartbeat, compose_summary
from shared.rules import RULES
from shared.site import Bank, Place, Site

UTC_NOW = datetime(2026, 1, 12, 17, 40, tzinfo=UTC)
LOCAL = UTC_NOW.astimezone(timezone(timedelta(hours=-5)))
SUMS = DaySums(86_000.0, 12.34, 9.87, 0.614, 41.2, "controller")


def context(site: str = "Cold Fork Ridge", **parts: object) -> NoticeContext:
    bank = Bank("agm", capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7)
    row: dict[str, object] = {
        "site": Site(Place(site, 37.3, -81.1), bank), "now_s": 90_000.0, "utc": UTC_NOW,
        "soc_frac": 0.742, "soc_sigma": 0.02, "capacity_ah": 24.0, "origin": "0a1b",
    }  # fmt: skip
    return NoticeContext(**(row | parts))  # type: ignore[arg-type]


def an_alert(rule: str, severity: str, about: str = "", covered_by: str | None = None) -> StandingAlert:
    name = f"{rule}:{about}" if about else rule
    return StandingAlert(name, rule, severity, 0.0, 0.0, 1.0, 1.0, 1.0, covered_by=covered_by)


def test_a_quiet_day_in_one_short_message() -> None:
    look = DayLook(SUMS, 86_400.0, [], LOCAL, half_h=30.4, airtime_s=725.0)
    assert compose_summary(context(), look).short == (
        "Cold Fork Ridge 12 Jan: Charge 74 %, low 61 %. Reserve +5.8 Ah. Half in 30 h. No alert. Sun 12.3 Ah, load 9.9 "
        "Ah. Max 41 C controller. Air 12 min."
    )


def test_the_text_says_the_same_with_its_doubts() -> None:
    notice = compose_summary(context(), DayLook(SUMS, 86_400.0, [an_alert("bank-hot", "act")], LOCAL))
    text = " ".join(notice.text.split())
    assert notice.subject == "Cold Fork Ridge: summary 2026-01-12: the last 1 d"
    for part in (
        "Charge: 74 % (give or take 4), lowest 61 %", "Reserve: 24 points above the half mark", "Sun: 12.3 Ah",
        "Load: 9.9 Ah", "Hottest: 41 C, controller", "Alert: act: bank too hot", "Airtime: not known",
        "Seen: 23 h 53 min of 1 d", "Written: 2026-01-12 12:40, local time",
    ):  # fmt: skip
        assert part in text
    assert (notice.severity, notice.alert, notice.event_id) == ("advice", "summary", 0)


def test_without_clock_and_estimate_it_says_what_it_does_not_know() -> None:
    unknown = context(utc=None, soc_frac=None, soc_sigma=None)
    notice = compose_summary(unknown, DayLook(DaySums(), 86_400.0, []))
    assert notice.short == "Cold Fork Ridge: Charge not known. No alert."
    assert "the clock is not trusted" in notice.text and "Sun:      not known" in notice.text
    assert notice.utc_s is None


def test_the_gravest_alerts_are_named_and_what_they_explain_is_not() -> None:
    standing = [
        an_alert("clock-untrusted", "advice"),
        an_alert("instrument-silent", "act", "shunt", covered_by="line-down:rs485"),
        an_alert("line-down", "act", "rs485"),
        an_alert("below-half-mark", "urgent"),
    ]
    notice = compose_heartbeat(context(), DayLook(SUMS, 60.0, standing, LOCAL))
    assert notice.short == (
        "Cold Fork Ridge alive. Charge 74 %, low 61 %. URGENT: bank below its half mark, line is down (rs485), 1 more."
    )
    assert "shunt" not in notice.text


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("site", ["Cold Fork Ridge", "W" * 60, "Čěský kopeček {x}~|[y]^\\`", "a\r\nBcc: x"])
def test_whatever_stands_it_fits_one_short_message(rule: str, site: str) -> None:
    standing = [an_alert(rule, severity, "W" * 40) for severity in ("urgent", "act", "advice")]
    look = DayLook(SUMS, 86_400.0, standing, LOCAL, half_h=71.0, airtime_s=40_000.0)
    for notice in (compose_summary(context(site=site), look), compose_heartbeat(context(site=site), look)):
        # 3GPP TS 23.038: 160 characters of the basic table, in which [ ] { } ^ ~ | and \ count twice.
        assert len(notice.short) <= 160
        assert notice.short.isascii() and not set(notice.short) & set("[]{}^~|\\`")
        assert "Charge 74 %" in notice.short
        assert max(len(line) for line in notice.text.splitlines()[1:]) <= 78
        assert "\r" not in notice.subject and "\n" not in notice.subject


def test_keys_are_apart_for_every_message() -> None:
    look = DayLook(SUMS, 60.0, [])
    keys = {
        compose_summary(context(), look).key, compose_heartbeat(context(), look).key,
        compose_summary(context(now_s=90_001.0), look).key, compose_summary(context(origin="0a1c"), look).key,
    }  # fmt: skip
    assert len(keys) == 4
