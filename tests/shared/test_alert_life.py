"""What happens to an alert while it stands: reminders, growth, covers, coming and going."""

import json
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.alerts import (
    BARE_S,
    BY_CONDITION,
    BY_FLAPPING,
    BY_TIME,
    BY_VALUE,
    FLAPS_MOST,
    AlertBook,
    AlertEvent,
)
from shared.reminders import REMIND_S, REMIND_TAKEN_S, reminder_age_s
from shared.rule import HOLD_S, Growth, Rule, Watch
from shared.site import SEVERITIES

H, D = 3600.0, 86_400.0
HOT_NOW: dict[str, float | None] = {"hot_c": 50.0}
ALL_GONE: dict[str, float | None] = {"line_s": 50.0, "silent_s": 50.0}
HOT = Rule(
    name="hot", fact="hot_c", kind="high", raise_at=45.0, clear_at=40.0, dwell_s=0.0, severity="act", unit="C",
    least=0.0, most=90.0, title="hot", value_name="heat", meaning="It is hot.", to_do="Cool it.", source="invented",
)  # fmt: skip
HOT_WATCH = Watch("hot", "hot_c", HOT)
SILENT_WATCH = Watch("silent:probe", "silent_s", replace(HOT, name="silent", fact="silent_s"))
LINE_WATCH = Watch("line:a", "line_s", replace(HOT, name="line", fact="line_s"))
COVERED = (
    LINE_WATCH,
    replace(SILENT_WATCH, covers=(("line:a",),)),
    replace(HOT_WATCH, covers=(("silent:probe",),)),
)


def told(events: list[AlertEvent]) -> list[tuple[str, str]]:
    return [(event.alert, event.state) for event in events if event.told]


def run(book: AlertBook, *rows: tuple[float, Mapping[str, float | None]]) -> list[AlertEvent]:
    return [event for now_s, facts in rows for event in book.step(now_s, facts)]


def restarted(book: AlertBook, watches: tuple[Watch, ...]) -> AlertBook:
    return AlertBook.resume(watches, json.loads(json.dumps(book.snapshot())))


# -- reminders ---------------------------------------------------------------------------------


@pytest.mark.parametrize("severity", SEVERITIES)
@pytest.mark.parametrize("taken", [False, True])
def test_reminders_become_ever_rarer_and_go_on(severity: str, taken: bool) -> None:
    ages = [reminder_age_s(severity, count, taken=taken) for count in range(8)]
    if severity == "advice" and taken:
        assert ages == [None] * 8
        return
    steps = [later - earlier for earlier, later in zip([0.0, *ages], ages, strict=False)]  # type: ignore[operator]
    assert all(step > 0.0 for step in steps)
    times = (REMIND_TAKEN_S if taken else REMIND_S)[severity]
    assert all(later >= earlier for earlier, later in zip(steps, steps[1:], strict=False))
    assert steps[-1] == times[-1]


def test_an_urgent_alert_is_told_again_after_six_hours_a_day_three_days_and_each_week() -> None:
    book = AlertBook((replace(HOT_WATCH, rule=replace(HOT, severity="urgent")),))
    events = run(book, *((hour * H, HOT_NOW) for hour in range(0, 24 * 22)))
    assert [(e.state, e.at_s / H, e.count) for e in events] == [
        ("raised", 0.0, 0), ("reminded", 6.0, 1), ("reminded", 24.0, 2), ("reminded", 72.0, 3), ("reminded", 168.0, 4),
        ("reminded", 336.0, 5), ("reminded", 504.0, 6),
    ]  # fmt: skip
    assert all(e.told and e.why == BY_TIME for e in events[1:])


def test_who_takes_it_on_hears_of_it_less_often() -> None:
    book = AlertBook((HOT_WATCH,))
    run(book, (0.0, {"hot_c": 50.0}))
    book.acknowledge("hot", "Ann", "part is ordered", 2.0 * H)
    events = run(book, *((hour * H, HOT_NOW) for hour in range(3, 24 * 10)))
    assert [(e.state, e.at_s) for e in events] == [("reminded", 7.0 * D + 2.0 * H)]
    assert (events[0].who, events[0].note) == ("Ann", "part is ordered")


def test_what_was_due_while_the_power_was_off_is_one_reminder() -> None:
    book = AlertBook((HOT_WATCH,))
    run(book, (0.0, {"hot_c": 50.0}))
    book = restarted(book, (HOT_WATCH,))
    book.bridge(60.0, 5.0 * D)
    events = run(book, (60.0, {"hot_c": 50.0}), (70.0, {"hot_c": 50.0}))
    assert [(e.state, e.count) for e in events] == [("reminded", 2)]


def test_nobody_is_reminded_of_what_is_calm_just_now() -> None:
    book = AlertBook((replace(HOT_WATCH, rule=replace(HOT, calm_s=9.0 * D)),))
    assert told(run(book, (0.0, {"hot_c": 50.0}), (1.0, {"hot_c": 10.0}), (2.0 * D, {"hot_c": 10.0}))) == [
        ("hot", "raised")
    ]


# -- growing -----------------------------------------------------------------------------------


def test_it_becomes_graver_with_its_value_once_and_never_milder() -> None:
    rule = replace(HOT, grows=(Growth("urgent", at=55.0), Growth("act", at=50.0)))
    book = AlertBook((replace(HOT_WATCH, rule=rule),))
    events = run(book, *((10.0 * n, {"hot_c": value}) for n, value in enumerate([46.0, 52.0, 55.0, 46.0, 60.0, 39.0])))
    assert [(e.state, e.severity, e.limit, e.why) for e in events] == [
        ("raised", "act", 45.0, BY_VALUE), ("grown", "urgent", 55.0, BY_VALUE), ("cleared", "urgent", 40.0, BY_VALUE)
    ]  # fmt: skip


def test_it_becomes_graver_with_time_and_reminders_begin_anew() -> None:
    rule = replace(HOT, severity="advice", grows=(Growth("act", after_s=2.0 * D),))
    book = AlertBook((replace(HOT_WATCH, rule=rule),))
    events = run(book, *((hour * H, HOT_NOW) for hour in range(0, 24 * 4)))
    assert [(e.state, e.at_s, e.severity, e.why) for e in events] == [
        ("raised", 0.0, "advice", BY_VALUE), ("grown", 2.0 * D, "act", BY_TIME), ("reminded", 3.0 * D, "act", BY_TIME)
    ]  # fmt: skip


# -- covered -----------------------------------------------------------------------------------


def test_what_another_alert_explains_is_kept_quiet_and_names_the_root() -> None:
    book = AlertBook(COVERED)
    events = run(book, (0.0, {"line_s": 50.0, "silent_s": 50.0, "hot_c": 50.0}))
    assert told(events) == [("line:a", "raised")]
    assert {row.alert: row.covered_by for row in book.standing} == {
        "line:a": None, "silent:probe": "line:a", "hot": "line:a"
    }  # fmt: skip
    events = run(book, *((day * D, ALL_GONE) for day in range(1, 4)))
    assert told(events) == [("line:a", "reminded"), ("line:a", "reminded")], "nobody is reminded of the others"


def test_what_ends_with_its_explanation_was_never_told() -> None:
    book = AlertBook(COVERED)
    run(book, (0.0, {"line_s": 50.0, "silent_s": 50.0}))
    events = run(book, (10.0, {"line_s": 0.0, "silent_s": 0.0}), (2.0 * BARE_S, {"line_s": 0.0, "silent_s": 0.0}))
    assert told(events) == [("line:a", "cleared")]
    assert [(e.alert, e.state) for e in events if not e.told] == [("silent:probe", "cleared")]


def test_what_outlives_its_explanation_is_told_after_a_while() -> None:
    book = AlertBook(COVERED)
    run(book, (0.0, {"line_s": 50.0, "silent_s": 50.0}))
    assert told(run(book, (10.0, {"line_s": 0.0, "silent_s": 50.0}))) == [("line:a", "cleared")]
    assert run(book, (10.0 + BARE_S - 1.0, {"silent_s": 50.0})) == []
    book = restarted(book, COVERED)
    assert told(run(book, (10.0 + BARE_S, {"silent_s": 50.0}))) == [("silent:probe", "uncovered")]
    assert run(book, (20.0 + BARE_S, {"silent_s": 50.0})) == []
    assert told(run(book, (30.0 + BARE_S, {"silent_s": 0.0}))) == [("silent:probe", "cleared")]


def test_what_was_told_before_it_was_covered_is_not_told_again_when_the_cover_goes() -> None:
    book = AlertBook(COVERED)
    run(book, (0.0, {"silent_s": 50.0}))
    events = run(book, (10.0, {"line_s": 50.0}), (20.0, {"line_s": 0.0}), (400.0, {}), (500.0, {"silent_s": 0.0}))
    assert told(events) == [("line:a", "raised"), ("line:a", "cleared"), ("silent:probe", "cleared")]


def test_growth_under_a_cover_is_told_with_the_alert() -> None:
    rule = replace(HOT, severity="advice", grows=(Growth("urgent", at=55.0),))
    watches = (SILENT_WATCH, replace(HOT_WATCH, rule=rule, covers=(("silent:probe",),)))
    book = AlertBook(watches)
    run(book, (0.0, {"silent_s": 50.0, "hot_c": 46.0}))
    assert told(run(book, (10.0, {"hot_c": 60.0}))) == []
    events = run(book, (20.0, {"silent_s": 0.0, "hot_c": 60.0}), (20.0 + BARE_S, {"hot_c": 60.0}))
    assert [(e.alert, e.state, e.severity) for e in events if e.told] == [
        ("silent:probe", "cleared", "act"), ("hot", "uncovered", "urgent")
    ]  # fmt: skip


# -- coming and going --------------------------------------------------------------------------


def bursts(count: int, every_s: float) -> list[tuple[float, dict[str, float | None]]]:
    return [
        (n * every_s + at_s, {"hot_c": value})
        for n in range(count)
        for at_s, value in ((0.0, 50.0), (every_s / 2, 20.0))
    ]


def test_what_comes_and_goes_is_told_once_more_and_held_until_it_has_long_been_calm() -> None:
    book = AlertBook((HOT_WATCH,))
    events = run(book, *bursts(40, 600.0))
    assert told(events) == [("hot", "raised"), ("hot", "cleared")] * FLAPS_MOST + [("hot", "raised")]
    assert events[-1].why == BY_FLAPPING
    last_s = 39.5 * 600.0
    assert run(book, (last_s + HOLD_S - 1.0, {"hot_c": 20.0})) == []
    assert told(run(book, (last_s + HOLD_S, {"hot_c": 20.0}))) == [("hot", "cleared")]


def test_a_heat_of_each_afternoon_is_one_alert_after_three() -> None:
    book = AlertBook((HOT_WATCH,))
    events = run(book, *bursts(30, D))
    assert told(events) == [("hot", "raised"), ("hot", "cleared")] * FLAPS_MOST + [("hot", "raised")] + [
        ("hot", "reminded") for _ in (1, 3, 7)
    ]
    assert len(book.standing) == 1


def test_a_rule_may_refuse_to_be_held() -> None:
    book = AlertBook((replace(HOT_WATCH, rule=replace(HOT, hold_s=0.0)),))
    assert len(told(run(book, *bursts(20, 600.0)))) == 40


def test_how_often_it_came_is_known_after_a_reboot() -> None:
    book = AlertBook((HOT_WATCH,))
    run(book, *bursts(FLAPS_MOST, 600.0))
    book = restarted(book, (HOT_WATCH,))
    book.bridge(5.0, 3600.0)
    (event,) = run(book, (6.0, {"hot_c": 50.0}))
    assert event.why == BY_FLAPPING
    book.bridge(5.0, 80.0 * H)
    rows: list[tuple[float, dict[str, float | None]]] = [(6.0, {"hot_c": 20.0}), (6.0 + HOLD_S, {"hot_c": 20.0})]
    assert told(run(book, *rows, (7.0 + HOLD_S, {"hot_c": 50.0}))) == [("hot", "cleared"), ("hot", "raised")]


# -- conditions --------------------------------------------------------------------------------

CHARGING = replace(HOT, kind="low", raise_at=0.0, clear_at=2.0, only_if="charging")


def test_a_rule_counts_only_while_its_condition_holds() -> None:
    book = AlertBook((replace(HOT_WATCH, rule=CHARGING),))
    assert run(book, (0.0, {"hot_c": -5.0, "charging": 0.0}), (1.0, {"hot_c": -5.0}), (2.0, {"charging": 1.0})) == []
    events = run(
        book,
        (3.0, {"hot_c": -5.0, "charging": 1.0}),
        (4.0, {"hot_c": -5.0, "charging": None}),
        (5.0, {"hot_c": None, "charging": 1.0}),
        (6.0, {"hot_c": -6.0, "charging": 0.0}),
    )
    assert [(e.state, e.at_s, e.value, e.worst, e.why) for e in events] == [
        ("raised", 3.0, -5.0, -5.0, BY_VALUE), ("cleared", 6.0, -6.0, -5.0, BY_CONDITION)
    ]  # fmt: skip


def test_the_end_of_a_passing_event_is_kept_and_not_told() -> None:
    book = AlertBook((replace(HOT_WATCH, rule=replace(HOT, tells_end=False)),))
    raised, cleared = run(book, (0.0, {"hot_c": 50.0}), (1.0, {"hot_c": 10.0}))
    assert (raised.told, cleared.state, cleared.told) == (True, "cleared", False)


def test_words_of_a_fact_stay_with_the_alert() -> None:
    book = AlertBook((HOT_WATCH,))
    (event,) = book.step(0.0, {"hot_c": 50.0}, {"hot_c": "after a power cut"}.get)
    assert event.words == "after a power cut"
    (cleared,) = restarted(book, (HOT_WATCH,)).step(1.0, {"hot_c": 0.0})
    assert cleared.words == "after a power cut"


# -- whatever happens --------------------------------------------------------------------------

VALUES = st.one_of(st.none(), st.floats(30.0, 60.0))
STEPS = st.lists(
    st.tuples(st.floats(1.0, 40_000.0), VALUES, VALUES, VALUES, st.sampled_from(["", "restart", "reboot", "gap"])),
    max_size=50,
)


@given(STEPS)
def test_whatever_comes_a_told_alert_was_raised_once_and_ends_once(
    rows: list[tuple[float, float | None, float | None, float | None, str]],
) -> None:
    """Seen from the notices alone: begun (raised or uncovered), then anything, then over; numbers never repeat."""
    growing = replace(HOT, calm_s=50.0, grows=(Growth("urgent", at=55.0),))
    watches = (*COVERED[:2], replace(COVERED[2], rule=growing))
    book, now_s = AlertBook(watches), 0.0
    events: list[AlertEvent] = []
    for dt_s, line_s, silent_s, hot_c, how in rows:
        now_s += dt_s
        if how:
            book = restarted(book, watches)
        if how in ("reboot", "gap"):
            now_s = 10.0
            book.bridge(now_s, 500.0 if how == "gap" else None)
        events += book.step(now_s, {"line_s": line_s, "silent_s": silent_s, "hot_c": hot_c})
    assert [e.id for e in events] == list(range(1, len(events) + 1))
    for name in ("line:a", "silent:probe", "hot"):
        state = "over"
        for event in (e for e in events if e.alert == name and e.told):
            if state == "over":
                assert event.state in ("raised", "uncovered")
                state = "stands"
            else:
                assert event.state in ("reminded", "grown", "cleared")
                state = "over" if event.state == "cleared" else "stands"
    assert {e.alert for e in events if e.told and e.covered_by and e.state != "cleared"} == set()


def test_reminders_of_what_was_told_begin_anew_when_its_cover_goes() -> None:
    book = AlertBook((LINE_WATCH, replace(HOT_WATCH, covers=(("line:a",),))))
    run(book, (0.0, {"hot_c": 50.0}), (10.0, {"hot_c": 50.0, "line_s": 50.0}))
    events = run(book, (3.0 * D, {"hot_c": 50.0, "line_s": 0.0}), (3.9 * D, HOT_NOW), (4.0 * D, HOT_NOW))
    assert [(e.alert, e.state, e.at_s) for e in events if e.told] == [
        ("line:a", "cleared", 3.0 * D), ("hot", "reminded", 4.0 * D)
    ]  # fmt: skip
