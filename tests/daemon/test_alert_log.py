"""Alerts of the past: put together from their changes, with honest times."""

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.alert_log import AskedAlerts, run_alerts
from daemon.main import main
from servers.invented_past import event, make_past

HOT = [event(1, "bank-hot", "raised", 3600.0), event(2, "bank-hot", "cleared", 7200.0, value=39.0)]
SILENT = event(3, "instrument-silent:shunt", "raised", 9000.0, value=150.0)
TAKEN = replace(event(4, "instrument-silent:shunt", "acknowledged", 9600.0), who="Ann", note="cable\x1b[31m loose")


def shown(store: Path, **asked: object) -> list[str]:
    out = io.StringIO()
    assert run_alerts(store, AskedAlerts(**asked), out=out) == 0  # type: ignore[arg-type]
    return out.getvalue().splitlines()


def test_what_stands_comes_first_then_what_is_over(tmp_path: Path) -> None:
    """Event times are seconds after 14:13:20 UTC, shown in New York time; each value passed its limit 60 s before."""
    store = make_past(tmp_path, hours=4.0, timezone="America/New_York", events=[*HOT, SILENT, TAKEN])
    assert shown(store, plain=True) == [
        "1 alert stands:",
        "act    instrument-silent:shunt, instrument does not answer",
        "  since 2026-09-21 12:42, for 1 h 30 min; worst 2 min",
        "  taken on by Ann at 2026-09-21 12:53: cable?[31m loose",
        "",
        "1 alert is over:",
        "act    bank-hot, bank too hot",
        "  2026-09-21 11:12 to 2026-09-21 12:13, 1 h 1 min; worst 39.0 C",
    ]


def test_the_same_for_programs(tmp_path: Path) -> None:
    rows = json.loads("\n".join(shown(make_past(tmp_path, hours=4.0, events=[*HOT, SILENT, TAKEN]), form="json")))
    assert [(row["alert"], row["stands"], row["lasted_s"]) for row in rows] == [
        ("bank-hot", False, 3660.0),
        ("instrument-silent:shunt", True, 14_400.0 - 60.0 - 8940.0),
    ]
    assert rows[0]["begin_utc"] == "2026-09-21T15:12:20+00:00"
    assert rows[1]["acknowledged"][0]["who"] == "Ann"


def test_since_leaves_out_what_was_over_before_and_keeps_what_stands(tmp_path: Path) -> None:
    store = make_past(tmp_path, hours=4.0, events=[*HOT, SILENT])
    names = [
        [row["alert"] for row in json.loads("\n".join(shown(store, form="json", since=s)))] for s in ("30min", "3h")
    ]
    assert names == [["instrument-silent:shunt"], ["bank-hot", "instrument-silent:shunt"]]
    before = json.loads("\n".join(shown(store, form="json", until="2026-09-21 15:30")))
    assert [(row["alert"], row["stands"]) for row in before] == [("bank-hot", True)]


def test_an_alert_of_an_undated_boot_has_no_date(tmp_path: Path) -> None:
    store = make_past(tmp_path, hours=4.0, dated=(), events=HOT)
    assert shown(store)[-1] == "  boot 1 +59 min to boot 1 +2 h, 1 h 1 min; worst 39.0 C"


def test_an_age_over_a_gap_nobody_timed_is_at_least_that_long(tmp_path: Path) -> None:
    store = make_past(tmp_path, hours=4.0, events=[replace(SILENT, since_exact=False)])
    assert "for at least 1 h 30 min" in shown(store)[2]


def test_a_rule_of_another_release_is_shown_all_the_same(tmp_path: Path) -> None:
    store = make_past(tmp_path, hours=4.0, events=[event(1, "moon-full", "raised", 60.0, severity="grave")])
    assert shown(store)[1] == "grave  moon-full"


def test_nothing_at_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = make_past(tmp_path, hours=1.0)
    assert main(["alerts", "--store", str(store)]) == 0
    assert capsys.readouterr().out == "no alert stands\n"


@pytest.mark.parametrize("width", [20, 40, 80])
def test_any_width_holds(tmp_path: Path, width: int) -> None:
    lines = shown(make_past(tmp_path, hours=4.0, events=[*HOT, SILENT, TAKEN]), width=width)
    assert max(map(len, lines)) <= width
    assert "\x1b" not in "".join(lines)
