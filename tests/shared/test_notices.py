import unicodedata
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.alerts import (
    BY_CONDITION,
    BY_FLAPPING,
    BY_TIME,
    BY_UNCOVERING,
    BY_VALUE,
    NOT_WATCHED,
    AlertEvent,
)
from shared.notices import Notice, NoticeContext, compose, duration, plain, reserve_of
from shared.rules import RULES
from shared.site import Bank, Place, Site

NOW_UTC = datetime(2026, 1, 12, 17, 40, tzinfo=UTC)
# 3GPP TS 23.038 6.2.1, the basic table; from memory, letters and digits and these.
SEVEN_BIT = set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 @$_!\"#%&'()*+,-./:;<=>?")
HOSTILE = "Ridge\r\nBcc: all@example.org\r\n\r\n\x1b[2J\x07\x00\u202egnp\u2028x\x85y\ud800z" + "W" * 300


def an_event(rule: str = "below-half-mark", state: str = "raised", **parts: object) -> AlertEvent:
    row: dict[str, object] = {
        "id": 7,
        "alert": rule,
        "rule": rule,
        "state": state,
        "at_s": 7200.0,
        "since_s": 6600.0,
        "since_exact": True,
        "value": 0.63,
        "worst": 0.71,
        "limit": 0.5,
        "severity": RULES[rule].severity,
    }
    return AlertEvent(**(row | parts))  # type: ignore[arg-type]


def a_context(site: str = "Cold Fork Ridge", chemistry: str = "agm", **parts: object) -> NoticeContext:
    bank = Bank(chemistry, capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7)
    row: dict[str, object] = {
        "site": Site(Place(site, 37.3, -81.1), bank),
        "now_s": 7200.0,
        "origin": "0a1b",
        "utc": NOW_UTC,
        "soc_frac": 0.47,
        "soc_sigma": 0.025,
        "capacity_ah": 24.0,
    }
    return NoticeContext(**(row | parts))  # type: ignore[arg-type]


def in_one_line(notice: Notice) -> str:
    return " ".join(notice.text.split())


def test_a_raised_notice_says_all_a_person_needs() -> None:
    notice = compose(an_event(), a_context())
    text = in_one_line(notice)
    assert notice.subject == "Cold Fork Ridge: URGENT: bank below its half mark, raised"
    for part in (
        "Site: Cold Fork Ridge",
        "Since: 2026-01-12 17:30 UTC",
        "Value: 63 % (chance that the bank is below its half mark)",
        "Limit: 50 %",
        "Reserve: 3 points below the half mark (give or take 5), -0.7 Ah (give or take 1.2)",
        RULES["below-half-mark"].meaning,
        RULES["below-half-mark"].to_do,
        "Never go alone",
        "Not in storm, ice or dark",
        "hydrogen",
        "replaces no fuse",
    ):
        assert part in text
    assert notice.utc_s == NOW_UTC.timestamp()


def test_the_short_form_says_the_same_in_one_short_message() -> None:
    assert compose(an_event(), a_context()).short == (
        "Cold Fork Ridge URGENT: bank below its half mark, 63 %, limit 50 %. Not alone, not in storm, ice, dark. "
        "Reserve -3 pts +-5, -0.7 Ah. 12 Jan 17:40Z"
    )


def test_without_a_trusted_clock_it_gives_an_age_and_no_date() -> None:
    event = an_event(since_s=7200.0 - 3 * 3600.0)
    notice = compose(event, a_context(utc=None))
    assert "Since: about 3 h before this was written; the clock is not trusted" in in_one_line(notice)
    assert "UTC" not in notice.text
    assert notice.utc_s is None
    unsure = compose(an_event(since_exact=False), a_context(utc=None))
    assert "at least 10 min before" in in_one_line(unsure)


def test_the_end_says_how_long_and_how_bad_it_was() -> None:
    notice = compose(an_event(state="cleared", since_s=0.0, value=0.19, limit=0.2), a_context())
    text = in_one_line(notice)
    assert notice.subject.endswith("bank below its half mark, over")
    assert "Lasted: 2 h, until 2026-01-12 17:40 UTC" in text
    assert "Worst: 71 %" in text
    assert "What to do" not in text
    assert "Not in storm, ice or dark" in text


def test_the_end_of_a_rule_that_is_gone_says_why() -> None:
    notice = compose(an_event(state="cleared", value=None, why=NOT_WATCHED), a_context())
    assert "not watched any more" in in_one_line(notice)


def test_the_instrument_is_named() -> None:
    event = an_event("instrument-silent", alert="instrument-silent:shunt", value=75.0, limit=60.0)
    notice = compose(event, a_context())
    assert "instrument does not answer (shunt)" in notice.subject
    assert "(shunt), 75 s, limit 60 s" in notice.short


@pytest.mark.parametrize(("parts", "subject", "why"), [
    ({"state": "reminded", "why": BY_TIME, "since_s": 7200.0 - 86_400.0}, "still stands", "still stands after 1 d;"),
    ({"state": "grown", "why": BY_TIME, "since_s": 7200.0 - 86_400.0}, "worse", "has stood for 1 d, so it is urgent"),
    ({"state": "grown", "why": BY_VALUE}, "worse", "has passed a further limit, so it is urgent now"),
    ({"state": "uncovered", "why": BY_UNCOVERING}, "stands by itself", "kept quiet while another alert explained it"),
    ({"state": "raised", "why": BY_FLAPPING}, "comes and goes", "until it has been calm for 1 d 18 h"),
])  # fmt: skip
def test_a_notice_says_why_it_comes_again(parts: dict[str, object], subject: str, why: str) -> None:
    notice = compose(an_event(**parts), a_context())  # type: ignore[arg-type]
    text = in_one_line(notice)
    assert notice.subject == f"Cold Fork Ridge: URGENT: bank below its half mark, {subject}"
    assert why in text
    assert subject in notice.short
    assert "What to do" in text


def test_a_reminder_says_who_has_taken_it_on_and_what_the_facts_tell() -> None:
    event = an_event(state="reminded", why=BY_TIME, who="Ann", note="part is ordered", words="after a power cut")
    text = in_one_line(compose(event, a_context()))
    assert "Taken on: by Ann: part is ordered" in text
    assert "Told: after a power cut" in text


def test_the_end_of_a_danger_that_needs_a_condition_names_no_limit() -> None:
    notice = compose(an_event("bank-hot", state="cleared", value=50.0, worst=51.0, why=BY_CONDITION), a_context())
    text = in_one_line(notice)
    assert "what makes it a danger has ended" in text
    assert "Worst: 51.0 C" in text and "to be over" not in text


@pytest.mark.parametrize(("chemistry", "there", "not_there"), [
    ("agm", "hydrogen", "Lithium"),
    ("flooded", "hydrogen", "Lithium"),
    ("gel", "hydrogen", "Lithium"),
    ("lifepo4", "never charge it below 0 C", "hydrogen"),
])  # fmt: skip
def test_the_caution_fits_the_bank(chemistry: str, there: str, not_there: str) -> None:
    text = in_one_line(compose(an_event("bank-hot", value=46.0, limit=45.0), a_context(chemistry=chemistry)))
    assert there in text
    assert not_there not in text.split("Safety")[1]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("state", ["raised", "cleared", "reminded", "grown", "uncovered"])
def test_every_notice_keeps_to_its_shape(rule: str, state: str) -> None:
    for site in ("Cold Fork Ridge", HOSTILE, "", "Čěský kopeček {x}~|[y]^\\`"):
        for now_utc in (NOW_UTC, None):
            keeps_to_its_shape(rule, state, site, now_utc)


def keeps_to_its_shape(rule: str, state: str, site: str, now_utc: datetime | None) -> None:
    named = RULES[rule].per_instrument or RULES[rule].per_line
    event = an_event(
        rule, state, alert=f"{rule}:{HOSTILE}" if named else rule, words=HOSTILE, who=HOSTILE, note=HOSTILE
    )
    notice = compose(event, a_context(site=site, utc=now_utc, origin="0a\r\n1b"))
    assert notice.text.endswith("\n")
    for line in (*notice.text.split("\n"), notice.subject[:1], notice.short, notice.key, notice.site):
        assert all(unicodedata.category(c)[0] != "C" and c not in "\u2028\u2029" for c in line)
    assert max(map(len, notice.text.split("\n"))) <= 78  # RFC 5322 2.1.1
    assert len(notice.short) <= 160
    assert set(notice.short) <= SEVEN_BIT
    assert "\n" not in notice.subject and "\r" not in notice.subject
    assert not any(line.startswith("Bcc") for line in notice.text.split("\n"))
    assert "storm" in notice.short or state == "cleared"


@given(st.text(max_size=400), st.integers(4, 80))
def test_plain_gives_one_safe_line_of_any_text(text: str, most: int) -> None:
    line = plain(text, most)
    assert len(line) <= most
    assert line == line.strip()
    assert all(unicodedata.category(c)[0] != "C" for c in line)
    assert len(line.splitlines()) <= 1
    assert plain(line, most) == line


def test_a_key_is_stable_and_tells_boots_and_moments_apart() -> None:
    def key(event: AlertEvent, context: NoticeContext) -> str:
        return compose(event, context).key

    first = key(an_event(), a_context())
    assert first == key(an_event(), a_context(now_s=9000.0, utc=None, soc_frac=None))
    others = {
        key(an_event(id=8), a_context()),
        key(an_event(), a_context(origin="0a1c")),
        key(an_event(at_s=7201.0), a_context()),
    }
    assert len(others | {first}) == 4


def test_reserve_of_a_half_full_bank_worked_by_hand() -> None:
    # 60 % of 20 Ah with half mark 50 %: 10 points, 2 Ah. Errors (two sigma): 2*4 = 8 points;
    # charge 0.04*20 = 0.8 Ah, capacity 0.1*6 = 0.6 Ah, together 1.0 Ah, doubled 2.0 Ah.
    reserve = reserve_of(0.6, 0.04, 20.0, 0.5, capacity_sigma_ah=6.0)
    assert reserve.points == pytest.approx(10.0)
    assert reserve.points_error == pytest.approx(8.0)
    assert reserve.ah == pytest.approx(2.0)
    assert reserve.ah_error == pytest.approx(2.0)


@pytest.mark.parametrize(("length_s", "words"), [
    (-5.0, "0 s"), (0.0, "0 s"), (89.4, "89 s"), (90.0, "2 min"), (3570.0, "1 h"), (12_000.0, "3 h 20 min"),
    (86_370.0, "1 d"), (187_200.0, "2 d 4 h"),
])  # fmt: skip
def test_durations(length_s: float, words: str) -> None:
    assert duration(length_s) == words
