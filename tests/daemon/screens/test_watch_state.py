"""The screen of `watch` at any size, and what the keys do."""

from copy import deepcopy
from dataclasses import replace
from typing import Any, cast

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from daemon.picture import AlertPicture, Picture, read_picture
from daemon.screens.curve import Band
from daemon.screens.looks import Look
from daemon.screens.outlook import read_airtime, read_lookahead
from daemon.screens.past import DayRange, Harvest, LastDay
from daemon.screens.spans import text_of, width_of
from daemon.screens.verdict import Told
from daemon.screens.view import PLAIN, RICH, Signs, View
from daemon.screens.watch_state import PAGES, TakeOn, WatchState

DAY = LastDay(
    tuple((-24.0 + n / 6.0, Band(0.6, 0.62 + n / 1000.0, 0.66 + n / 1000.0)) for n in range(144)),
    Harvest(panel_wh=95.0, charge_ah=6.6, load_ah=3.1, draw_a=0.29, net_ah=-0.3),
    complete=True,
)
RAW = {
    "lookahead": {
        "made_s": 269_900.0,
        "hours": list(range(73)),
        "low": [0.6 - n / 300.0 for n in range(73)],
        "likely": [0.62 - n / 600.0 for n in range(73)],
        "high": [0.64] * 73,
        "hours_to_half_likely": 60.0,
        "hours_to_half_cautious": 30.0,
        "share_crossing": {"24": 0.02, "72": 0.6},
    },
    "airtime": {"keyings": 120, "seconds": 3300.0, "longest_s": 170.0, "duty": 0.05},
}
SIZES = [(80, 24), (40, 24), (20, 5), (120, 40), (34, 12), (1, 1), (79, 13)]


def view_of(picture: Picture, told: Told | None = None, raw: dict[str, Any] = RAW) -> View:
    look = Look(cast(dict[str, object], picture), picture, told or Told(live=True))
    days = (DayRange("2026-01-02", 0.44, 0.86, 48), DayRange("2026-01-01", 0.7, 0.9, 48))
    ahead, airtime = read_lookahead(raw), read_airtime(raw)
    return View(look=look, day=DAY, days=days, days_complete=True, ahead=ahead, airtime=airtime)


def screen(state: WatchState, view: View, columns: int = 80, rows: int = 24, signs: Signs = RICH) -> str:
    return "\n".join(text_of(row) for row in state.draw(view, columns, rows, signs))


def press(state: WatchState, view: View, keys: str) -> list[TakeOn]:
    told = [state.press(key, view) for key in keys]
    return [word for word in told if word is not None]


# -- at any size -------------------------------------------------------------------------------


def all_states() -> list[WatchState]:
    return [*(WatchState(page=n) for n in range(len(PAGES))), WatchState(mode="help")]


def fits(view: View, columns: int, rows: int, signs: Signs) -> None:
    states = all_states()
    choosing = WatchState()
    choosing.press("a", view)
    if choosing.mode == "choose":
        states.append(deepcopy(choosing))
        choosing.press("1", view)
        choosing.note = "漢字 and more " * 20
        states.append(choosing)
    for state in states:
        lines = state.draw(view, columns, rows, signs)
        assert len(lines) <= rows
        assert max((width_of(line) for line in lines), default=0) <= columns
        if signs.ascii_only:
            assert all(text_of(line).isascii() for line in lines)


@pytest.mark.parametrize("columns, rows", SIZES)
@pytest.mark.parametrize("signs", [RICH, PLAIN])
@pytest.mark.parametrize("kind", ["full", "empty", "worst"])
def test_every_page_fits_every_terminal(
    request: pytest.FixtureRequest, kind: str, columns: int, rows: int, signs: Signs
) -> None:
    fits(view_of(request.getfixturevalue(kind)), columns, rows, signs)


texts = st.text(max_size=60)
numbers = st.none() | st.floats(-1e12, 1e12) | st.integers(-(10**9), 10**9)
anything = st.recursive(
    st.none() | st.booleans() | numbers | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=12,
)
quantity = st.sampled_from(["bank_v", "bank_a", "bank_c", "panel_w", "load_a", "door", "enclosure_rh"])
parts = st.fixed_dictionaries(
    {"v": st.just(1), "half_mark": st.floats(0.05, 0.95), "site": texts},
    optional={
        "soc_frac": numbers,
        "soc_sigma": numbers,
        "reserve_points": numbers,
        "reserve_ah": numbers,
        "capacity_ah": numbers,
        "at_s": numbers,
        "quantities": st.dictionaries(quantity, st.fixed_dictionaries({"value": numbers, "unit": texts})),
        "alerts": st.lists(
            st.dictionaries(st.sampled_from(["alert", "title", "severity", "for_s", "to_do"]), anything)
        ),
        "instruments": st.dictionaries(texts, st.dictionaries(st.sampled_from(["asked", "age_s", "line"]), anything)),
        "lines": st.dictionaries(texts, st.dictionaries(st.sampled_from(["up", "why", "port"]), anything)),
        "sending": anything,
        "record": anything,
        "clock": anything,
        "utc": texts,
    },
)


@given(parts, st.integers(1, 160), st.integers(1, 60), st.booleans())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_picture_breaks_out_of_any_terminal(raw: dict[str, Any], columns: int, rows: int, live: bool) -> None:
    fits(view_of(read_picture(raw), Told(live=live, why="not there")), columns, rows, RICH)


# -- what is seen ------------------------------------------------------------------------------


def test_80_by_24_tells_all_there_is_without_loss(full: Picture) -> None:
    text = screen(WatchState(), view_of(full))
    for words in (
        "[ok] Cold Fork Ridge: all well",
        "12.4 points, 2.9 Ah over the half mark (50 %)   charge 62.4 ±3.1 %",
        "likely 2 d 12 h to half, cautious 30 h",
        "below it in 24 h 2 %, 72 h 60 %",
        "-24 h",
        "+72 h",
        "none stands",
        "12.84 V   -0.42 A draining   holds 23.4 ±1.2 Ah   24 h -0.3 Ah",
        "now 43 W, 3.10 A   today 95 Wh, 6.6 Ah",
        "now 0.13 A   computer 0.083 A   drawn in all 7.0 Ah a day",
        "today 55 min in 120 keyings   longest 3 min   duty 5.0 %",
        "bank 21/45   controller 31/75   enclosure 24/60   computer 49/80",
        "humidity 41 %   door shut",
        "controller <10 s, 0.033 % lost   shunt <10 s, 0 % lost",
        "group-mail 0 waiting, 12 taken",
        "trusted (kernel)   record stored <10 s ago   service up 3 d 2 h",
        "03:04 UTC",
    ):
        assert words in text
    assert ".." not in text


def alert(name: str, title: str, severity: str) -> AlertPicture:
    return {
        "alert": name,
        "rule": name.partition(":")[0],
        "title": title,
        "unit": "C",
        "severity": severity,
        "for_s": 12_000.0,
        "since_utc": "2026-01-02T03:04:05+00:00",
        "value": 47.25,
        "limit": 45.0,
        "meaning": "Heat ages the bank fast.",
        "to_do": "Give shade and air.",
        "acked": None,
    }


BANK_HOT = alert("bank-hot", "bank too hot", "act")
SHUNT_SILENT = alert("instrument-silent:shunt", "instrument silent", "advice")


def test_the_smallest_tells_the_worst_alert_and_the_reserve(full: Picture) -> None:
    full["alerts"] = [SHUNT_SILENT, {**BANK_HOT, "severity": "urgent"}]
    lines = screen(WatchState(), view_of(full), 20, 5).split("\n")
    assert lines[0] == "[!!!] bank too hot"
    assert "62 ±3 %" in "\n".join(lines)


def test_what_is_past_its_limit_comes_first_and_says_so(full: Picture) -> None:
    full["quantities"]["controller_c"]["value"] = 76.2
    assert "Heat C    controller 76/75 PAST" in screen(WatchState(), view_of(full))


def test_a_service_that_is_gone_never_looks_well(full: Picture) -> None:
    told = Told(live=False, why="service is not running", detail="nothing listens", age_s=3725.0)
    text = screen(WatchState(), view_of(full, told))
    assert "[?] Cold Fork Ridge: service is not running" in text
    assert "last words from 1 h 2 min ago; as it was then" in text
    assert "[ok]" not in text


def test_before_the_first_picture_it_says_what_it_waits_for() -> None:
    assert "asking the service" in screen(WatchState(), View())
    assert "no permission" in screen(WatchState(), View(trouble="service may not be asked: no permission"))


def test_small_ages_do_not_change_the_screen(full: Picture) -> None:
    before = screen(WatchState(), view_of(deepcopy(full)))
    full["at_s"] += 4.0
    full["record"]["last_commit_age_s"] = 8.2
    full["instruments"]["controller"]["age_s"] = 3.2
    assert screen(WatchState(), view_of(full)) == before


def test_a_record_that_cannot_be_read_is_said_in_place_of_the_curve(full: Picture) -> None:
    view = replace(view_of(full), past_why="record.db is damaged")
    assert "the record can't be read: record.db is damaged" in screen(WatchState(), view)


# -- keys --------------------------------------------------------------------------------------


def test_tab_goes_round_all_pages_and_numbers_go_straight(full: Picture) -> None:
    state, view = WatchState(), view_of(full)
    seen = []
    for _ in range(len(PAGES) + 1):
        seen.append(state.page)
        state.press("tab", view)
    assert seen == [0, 1, 2, 3, 0]
    press(state, view, "3")
    assert PAGES[state.page] == "alerts"
    state.press("backtab", view)
    assert PAGES[state.page] == "instruments"


def test_help_opens_and_any_key_closes_it_but_q_leaves(full: Picture) -> None:
    state, view = WatchState(), view_of(full)
    press(state, view, "?")
    assert "Keys" in screen(state, view)
    press(state, view, "x")
    assert state.mode == "page"
    press(state, view, "q")
    assert state.leaving


def with_alerts(full: Picture) -> View:
    full["alerts"] = [SHUNT_SILENT, BANK_HOT]
    return view_of(full)


def test_an_alert_that_was_taken_on_says_by_whom(full: Picture) -> None:
    full["alerts"] = [{**BANK_HOT, "acked": {"who": "Ada\x1b[2J", "note": "bringing a fan"}}]
    text = screen(WatchState(page=2), view_of(full))
    assert "ACT bank too hot, for 3 h 20 min, taken on: 47.2 C, limit 45" in text
    assert "taken on by Ada?[2J: bringing a fan" in text


def test_an_alert_is_taken_on_with_a_note(full: Picture) -> None:
    state, view = WatchState(), with_alerts(full)
    press(state, view, "a")
    assert "1 ACT bank too hot" in screen(state, view)
    assert press(state, view, "2going up q") == []
    assert "Note for instrument silent (shu..: going up q_" in screen(state, view)
    state.press("rub", view)
    told = state.press("enter", view)
    assert told == TakeOn("instrument-silent:shunt", "going up")
    assert state.mode == "page"


def test_escape_leaves_the_choice_and_the_note(full: Picture) -> None:
    state, view = WatchState(), with_alerts(full)
    press(state, view, "a")
    state.press("escape", view)
    assert state.mode == "page"
    press(state, view, "a1")
    state.press("escape", view)
    assert state.mode == "page"
    assert not state.leaving


def test_nothing_can_be_taken_on_without_alert_or_service(full: Picture) -> None:
    state = WatchState()
    press(state, view_of(full), "a")
    assert "no alert stands" in screen(state, view_of(full))
    gone = view_of(full, Told(live=False, why="gone"))
    press(state, gone, "a")
    assert "the service is not there" in screen(state, gone)


@given(
    st.lists(st.sampled_from([*"anp1234?hjkqx9", "tab", "up", "down", "page-down", "escape", "enter", "rub", "clear"]))
)
@example(["a", "9"])
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_keys_break_it(full: Picture, keys: list[str]) -> None:
    state, view = WatchState(), with_alerts(full)
    for key in keys:
        state.press(key, view)
        assert len(state.draw(view, 60, 18, RICH)) <= 18


def test_a_long_page_is_scrolled_to_its_end_and_says_how_much_is_left(worst: Picture) -> None:
    state, view = WatchState(page=1), view_of(worst)
    assert "more lines below" in screen(state, view)
    for _ in range(100):
        state.press("page-down", view)
    assert "-- the end; up goes back" in screen(state, view)
    state.press("up", view)
    assert "-- 1 more lines below" in screen(state, view)
