import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.alerts import NOT_WATCHED, AlertBook, AlertEvent
from shared.rules import RULES, Rule, Watch

HOT = Rule(
    name="bank-hot",
    fact="bank_c",
    kind="high",
    raise_at=45.0,
    clear_at=40.0,
    dwell_s=300.0,
    severity="act",
    unit="C",
    least=20.0,
    most=80.0,
    title="bank too hot",
    value_name="bank temperature",
    meaning="It is hot.",
    to_do="Cool it.",
    source="invented for the test",
)
COLD = replace(HOT, name="bank-cold", kind="low", raise_at=2.0, clear_at=4.0, dwell_s=0.0)
WATCHES = (Watch("bank-hot", "bank_c", HOT),)


def fold(book: AlertBook, *rows: tuple[float, float | None]) -> list[AlertEvent]:
    return [event for now_s, value in rows for event in book.step(now_s, {"bank_c": value})]


def told(events: list[AlertEvent]) -> list[tuple[int, str, float]]:
    return [(event.id, event.state, event.at_s) for event in events]


def through_json(book: AlertBook) -> dict[str, object]:
    snapshot = json.loads(json.dumps(book.snapshot()))
    assert isinstance(snapshot, dict)
    return snapshot


def test_it_raises_after_the_dwell_and_clears_below_the_lower_limit() -> None:
    book = AlertBook(WATCHES)
    events = fold(book, (0.0, 44.9), (10.0, 45.0), (309.0, 46.0), (310.0, 47.0), (320.0, 40.0), (330.0, 39.9))
    assert told(events) == [(1, "raised", 310.0), (2, "cleared", 330.0)]
    raised, cleared = events
    assert (raised.since_s, raised.value, raised.limit, raised.severity) == (10.0, 47.0, 45.0, "act")
    assert (cleared.since_s, cleared.value, cleared.worst, cleared.limit) == (10.0, 39.9, 47.0, 40.0)
    assert book.standing == []


def test_a_value_between_the_limits_ends_a_dwell_but_not_an_alert() -> None:
    book = AlertBook(WATCHES)
    assert fold(book, (0.0, 46.0), (299.0, 43.0), (300.0, 46.0), (599.0, 46.0)) == []
    assert told(fold(book, (600.0, 46.0), (700.0, 43.0), (9000.0, 40.0))) == [(1, "raised", 600.0)]
    assert [alert.value for alert in book.standing] == [40.0]


@pytest.mark.parametrize("nothing", [None, float("nan"), float("inf"), float("-inf")])
def test_what_is_not_known_neither_raises_nor_clears(nothing: float | None) -> None:
    book = AlertBook(WATCHES)
    assert fold(book, (0.0, nothing), (1000.0, nothing)) == []
    fold(book, (2000.0, 46.0), (2300.0, 46.0))
    assert fold(book, (2400.0, nothing), (80_000.0, nothing)) == []
    assert book.step(80_010.0, {}) == []
    assert [alert.value for alert in book.standing] == [46.0]


def test_a_low_rule_is_the_mirror_image() -> None:
    book = AlertBook((Watch("bank-cold", "bank_c", COLD),))
    events = fold(book, (0.0, 2.1), (1.0, 2.0), (2.0, -3.0), (3.0, 4.0), (4.0, 4.1))
    assert told(events) == [(1, "raised", 1.0), (2, "cleared", 4.0)]
    assert events[1].worst == -3.0


def test_a_rule_may_ask_for_calm_before_it_clears() -> None:
    book = AlertBook((Watch("bank-hot", "bank_c", replace(HOT, dwell_s=0.0, calm_s=30.0)),))
    rows = [(0.0, 50.0), (1.0, 30.0), (30.0, 30.0), (30.5, 41.0), (40.0, 30.0), (69.0, 30.0), (70.0, 30.0)]
    assert told(fold(book, *rows)) == [(1, "raised", 0.0), (2, "cleared", 70.0)]


def test_a_restart_raises_nothing_twice_and_numbers_go_on() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (300.0, 48.0))
    again = AlertBook.resume(WATCHES, through_json(book))
    assert again.standing == book.standing
    assert told(fold(again, (310.0, 46.0), (9000.0, 46.0), (9010.0, 30.0))) == [(2, "cleared", 9010.0)]


def test_a_restart_in_the_same_boot_keeps_the_dwell() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (200.0, 46.0))
    assert told(fold(AlertBook.resume(WATCHES, through_json(book)), (300.0, 46.0))) == [(1, "raised", 300.0)]


def test_over_a_reboot_ages_are_kept_and_dwells_begin_again() -> None:
    both = (*WATCHES, Watch("bank-cold", "cold_c", COLD))
    book = AlertBook(both)
    book.step(7000.0, {"cold_c": 1.0, "bank_c": 46.0})
    book.step(7100.0, {"cold_c": 1.0, "bank_c": 46.0})
    again = AlertBook.resume(both, through_json(book))
    again.bridge(20.0, gap_s=3600.0)
    (cold,) = again.standing
    assert (cold.alert, cold.since_s, cold.since_exact) == ("bank-cold", 20.0 - 3600.0 - 100.0, True)
    assert fold(again, (21.0, 46.0), (320.0, 46.0)) == [], "the dwell of the hot bank begins at 21"
    assert told(fold(again, (321.0, 46.0))) == [(2, "raised", 321.0)]


def test_a_gap_of_unknown_length_leaves_the_age_that_was_seen() -> None:
    book = AlertBook(WATCHES)
    fold(book, (1000.0, 46.0), (1300.0, 46.0))
    book.bridge(5.0)
    (alert,) = book.standing
    assert (5.0 - alert.since_s, alert.since_exact) == (300.0, False)
    (cleared,) = fold(book, (6.0, 20.0))
    assert not cleared.since_exact


def test_time_that_runs_backwards_is_a_new_boot() -> None:
    book = AlertBook(WATCHES)
    fold(book, (1000.0, 46.0), (1300.0, 46.0))
    assert fold(book, (3.0, 46.0)) == []
    assert book.standing[0].since_s == 3.0 - 300.0


def test_event_numbers_are_never_below_what_the_record_has() -> None:
    book = AlertBook(WATCHES, last_event_id=41)
    assert [e.id for e in fold(book, (0.0, 46.0), (300.0, 46.0))] == [42]
    older = through_json(book)
    again = AlertBook.resume(WATCHES, older, last_event_id=99)
    assert [e.id for e in fold(again, (400.0, 10.0))] == [100]


def test_what_is_not_watched_any_more_is_cleared_and_says_so() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (300.0, 46.0))
    again = AlertBook.resume((), through_json(book))
    (event,) = again.step(400.0, {"bank_c": 46.0})
    assert (event.state, event.why, event.value, event.alert) == ("cleared", NOT_WATCHED, None, "bank-hot")
    assert again.step(401.0, {"bank_c": 46.0}) == []


@pytest.mark.parametrize("snapshot", [{}, {"version": 3}, {"version": 2}, {"version": 1, "standing": 3}])
def test_a_strange_snapshot_is_refused(snapshot: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="alert book"):
        AlertBook.resume(WATCHES, snapshot)


@given(
    st.lists(st.tuples(st.floats(0.0, 200.0), st.one_of(st.none(), st.floats(30.0, 50.0)), st.booleans()), max_size=60)
)
def test_restarts_at_any_moment_change_nothing(rows: list[tuple[float, float | None, bool]]) -> None:
    """A book restarted at will tells the same as one that never was, and raised and cleared alternate."""
    plain, restarted = AlertBook(WATCHES), AlertBook(WATCHES)
    now_s, events = 0.0, []
    for dt_s, value, restart in rows:
        now_s += dt_s
        expected = plain.step(now_s, {"bank_c": value})
        if restart:
            restarted = AlertBook.resume(WATCHES, through_json(restarted))
        assert restarted.step(now_s, {"bank_c": value}) == expected
        events += expected
    assert [e.state for e in events] == ["raised", "cleared"] * (len(events) // 2) + ["raised"] * (len(events) % 2)
    assert [e.id for e in events] == list(range(1, len(events) + 1))


def test_the_half_mark_rule_asks_for_ten_minutes_of_even_odds_and_six_calm_hours() -> None:
    book = AlertBook((Watch("below-half-mark", "share_below_half", RULES["below-half-mark"]),))
    rows = [
        (0.0, 0.49),
        (60.0, 0.5),
        (659.0, 0.9),
        (660.0, 0.9),
        (700.0, 0.3),
        (800.0, 0.19),
        (22_399.0, 0.0),
        (22_400.0, 0.0),
    ]
    events = [event for now_s, share in rows for event in book.step(now_s, {"share_below_half": share})]
    assert told(events) == [(1, "raised", 660.0), (2, "cleared", 22_400.0)]
    assert events[0].severity == "urgent"


def test_an_acknowledged_alert_goes_on_standing_and_says_who_took_it_on() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (300.0, 47.0))
    event = book.acknowledge("bank-hot", "Ann", "on my way", 400.0)
    assert told([event]) == [(2, "acknowledged", 400.0)]
    assert (event.who, event.note, event.why, event.value, event.since_s) == ("Ann", "on my way", "person", 47.0, 0.0)
    book.acknowledge("bank-hot", "Ben", None, 500.0)
    alert = book.standing[0]
    assert (alert.acked_by, alert.acked_note, alert.acked_s, alert.raised_s) == ("Ben", None, 500.0, 300.0)
    assert told(fold(book, (600.0, 46.0), (700.0, 39.0))) == [(4, "cleared", 700.0)]


def test_only_what_stands_can_be_acknowledged_and_a_new_alert_is_new() -> None:
    book = AlertBook(WATCHES)
    with pytest.raises(LookupError):
        book.acknowledge("bank-hot", "Ann", None, 1.0)
    fold(book, (0.0, 46.0), (300.0, 47.0))
    book.acknowledge("bank-hot", "Ann", None, 301.0)
    fold(book, (400.0, 39.0), (500.0, 46.0), (800.0, 46.0))
    assert book.standing[0].acked_by is None


def test_who_took_it_on_survives_restart_and_reboot() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (300.0, 47.0))
    book.acknowledge("bank-hot", "Ann", "on my way", 400.0)
    book = AlertBook.resume(WATCHES, through_json(book), last_event_id=2)
    book.bridge(10.0, 90.0)  # 100 s have passed since the last step at 300 s
    alert = book.standing[0]
    assert (alert.acked_by, alert.acked_note, alert.acked_s) == ("Ann", "on my way", 20.0)


def test_a_snapshot_from_before_alerts_could_be_acknowledged_is_taken_up() -> None:
    book = AlertBook(WATCHES)
    fold(book, (0.0, 46.0), (300.0, 47.0))
    snapshot = through_json(book)
    rows = snapshot["standing"]
    assert isinstance(rows, list)
    for row in rows:
        for name in set(row) - {
            "alert", "rule", "severity", "since_s", "raised_s", "value", "worst", "limit", "since_exact"
        }:  # fmt: skip
            del row[name]
    snapshot["version"] = 1
    del snapshot["raises"]
    book = AlertBook.resume(WATCHES, snapshot)
    assert (book.standing[0].acked_by, book.standing[0].told_s) == (None, 300.0)
    (cleared,) = fold(book, (400.0, 20.0))
    assert cleared.told, "it was told before the update, so its end is told too"
