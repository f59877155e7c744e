"""The status screen and the short line: what they say, and that they never say more than fits."""

import copy
from collections.abc import Callable
from datetime import UTC, datetime
from typing import cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.picture import Picture, read_picture
from daemon.screens.lettering import GSM7, columns
from daemon.screens.status_line import status_line
from daemon.screens.status_screen import ASCII_BLOCKS, UNICODE_BLOCKS, Blocks, status_screen
from daemon.screens.verdict import Told

LIVE = Told(live=True)
DEAD = Told(
    live=False,
    why="service is not running",
    detail="nothing listens at /run/halfmark/halfmark.sock; start it: systemctl start halfmark",
    utc=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
    age_s=11_520.0,
    later_s=50.0,
)
UNDATED = Told(live=False, why="a copy of the record, not the service")
HOSTILE = "Ridge\x1b]0;owned\x07\x1b[2J\u202e\r\n\x9b31m"


def shown(picture: Picture, told: Told = LIVE, blocks: Blocks = ASCII_BLOCKS) -> str:
    """Draw through the same door as the command: the picture may come from anywhere."""
    rows = status_screen(read_picture(picture), told, blocks=blocks)
    assert len(rows) <= 24
    for row in rows:
        assert columns(row.text) <= 80
        assert row.text.isprintable()
        assert blocks is UNICODE_BLOCKS or row.text.isascii()
        assert row.tone in ("", "good", "warn", "bad")
    return "\n".join(row.text for row in rows)


def line_of(picture: Picture, told: Told = LIVE) -> str:
    line = status_line(read_picture(picture), told)
    assert len(line) <= 160
    assert set(line) <= GSM7
    return line


# ---- bounds, whatever the picture


@pytest.mark.parametrize("told", [LIVE, DEAD, UNDATED])
@pytest.mark.parametrize("blocks", [ASCII_BLOCKS, UNICODE_BLOCKS])
@pytest.mark.parametrize("name", ["full", "empty", "worst"])
def test_every_picture_fits_the_screen_and_the_message(
    name: str, blocks: Blocks, told: Told, request: pytest.FixtureRequest
) -> None:
    picture = request.getfixturevalue(name)
    assert shown(picture, told, blocks).count("\n") >= 9
    assert len(line_of(picture, told)) > 30


def test_a_hostile_name_reaches_no_terminal(full: Picture) -> None:
    full["site"] = full["bank_current"]["words"] = HOSTILE
    full["bank_current"]["from"] = "controllers"
    full["instruments"] = {HOSTILE: full["instruments"]["shunt"] | {"last_error": HOSTILE, "last_error_age_s": 1.0}}
    full["lines"] = {HOSTILE: {"up": False, "port": HOSTILE, "why": HOSTILE, "down_s": 1.0}}
    full["service"]["note"] = full["service"]["version"] = full["record"]["folder"] = HOSTILE
    full["clock"]["source"] = full["utc"] = HOSTILE
    full["quantities"]["bank_v"]["unit"] = HOSTILE
    full["absent"] = [{"quantity": HOSTILE, "why": HOSTILE}]
    way: dict[str, object] = {"waiting": 1, "failing_since_s": 1.0, "last_error": HOSTILE}
    full["sending"] = {HOSTILE: HOSTILE, "record_why": HOSTILE, "ways": {HOSTILE: way}}
    full["alerts"] = [
        {
            "alert": HOSTILE,
            "rule": HOSTILE,
            "title": HOSTILE,
            "unit": HOSTILE,
            "severity": HOSTILE,
            "for_s": 1.0,
            "since_utc": HOSTILE,
            "value": 1.0,
            "limit": 2.0,
            "meaning": HOSTILE,
            "to_do": HOSTILE,
            "acked": None,
        }
    ]
    assert "Ridge?]0;owned" in shown(full, blocks=UNICODE_BLOCKS)  # `shown` checks every character
    assert "Ridge??0;owned" in line_of(full)
    assert "Ridge?" in shown(full, Told(live=False, why="service is not running", detail=HOSTILE))


def _mutated(data: st.DataObject, value: object, depth: int) -> object:
    """Put junk into one place of a picture."""
    junk = st.sampled_from(
        [None, True, -1, 10**400, float("nan"), float("inf"), 1e300, "", HOSTILE, [], {}, [None], {"": 1}]
    )
    if depth == 0 or not isinstance(value, (dict, list)) or not value:
        return data.draw(junk)
    if isinstance(value, list):
        place = data.draw(st.integers(0, len(value) - 1))
        return [_mutated(data, v, depth - 1) if n == place else v for n, v in enumerate(value)]
    key = data.draw(st.sampled_from(sorted(value)))
    return {k: _mutated(data, v, depth - 1) if k == key else v for k, v in value.items()}


@given(st.data())
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_junk_anywhere_in_a_picture_spoils_no_screen(full: Picture, data: st.DataObject) -> None:
    picture: object = copy.deepcopy(full)
    for depth in (1, 2, 3):
        picture = _mutated(data, picture, depth)
    try:
        read_picture(picture)
    except ValueError:
        return  # said to be no picture, which is an answer as well
    shown(cast(Picture, picture))
    line_of(cast(Picture, picture))


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (None, "no picture"),
        ([], "no picture"),
        ({}, "no picture"),
        ({"v": "1"}, "no picture"),
        ({"v": 2, "half_mark": 0.5}, "version 2, this command reads up to 1"),
        ({"v": 1}, "no half mark"),
    ],
)
def test_what_is_no_picture_is_told(raw: object, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_picture(raw)


def test_a_complete_picture_is_read_as_it_is(full: Picture) -> None:
    full["later"] = {"v": 1}  # type: ignore[typeddict-unknown-key]  # a later addition
    full["lookahead"] = None
    read = read_picture(full)
    del full["later"]  # type: ignore[typeddict-item]
    assert read == full


# ---- the first glance


def first(picture: Picture, told: Told = LIVE) -> str:
    return shown(picture, told).split("\n")[0]


def test_all_is_well_only_when_it_is(full: Picture) -> None:
    assert first(full) == "[ok] Cold Fork Ridge: all well, no alert stands"


def silence_the_shunt(picture: Picture) -> None:
    picture["instruments"]["shunt"]["age_s"] = 30.0


def forget_the_charge(picture: Picture) -> None:
    picture["soc_frac"] = None


def sink_below(picture: Picture) -> None:
    picture["soc_frac"], picture["reserve_points"], picture["reserve_ah"] = 0.45, -5.0, -1.2


def cut_the_line(picture: Picture) -> None:
    picture["lines"]["rs485"] = {"up": False, "port": "/dev/ttyX", "why": "no such port", "down_s": 90.0}


def fill_the_disk(picture: Picture) -> None:
    picture["record"]["failing_s"], picture["record"]["why"] = 180.0, "the disk is full"


@pytest.mark.parametrize(
    ("spoil", "mark", "words"),
    [
        (silence_the_shunt, "[!] ", "shunt gives no answer"),
        (forget_the_charge, "[?] ", "charge is not known"),
        (sink_below, "[!] ", "below the half mark"),
        (cut_the_line, "[!] ", "line rs485 is down"),
        (fill_the_disk, "[!!] ", "nothing is stored for 3 min"),
    ],
)
def test_a_trouble_without_an_alert_is_not_well(
    full: Picture, spoil: Callable[[Picture], None], mark: str, words: str
) -> None:
    spoil(full)
    assert first(full).startswith(mark)
    assert words in first(full)


@pytest.mark.parametrize(
    ("severities", "mark"),
    [(["advice"], "[!] "), (["advice", "act"], "[!!] "), (["act", "urgent", "advice"], "[!!!] "), (["odd"], "[!!] ")],
)
def test_the_worst_alert_gives_the_mark_and_comes_first(full: Picture, severities: list[str], mark: str) -> None:
    full["alerts"] = [
        {
            "alert": f"{severity}-thing",
            "rule": "rule",
            "severity": severity,
            "for_s": 60.0,
            "since_utc": None,
            "value": None,
            "limit": None,
            "meaning": "",
            "to_do": "Do this.",
            "acked": None,
        }
        for severity in severities
    ]
    worst = next(s for s in ("urgent", "act", "advice", "odd") if s in severities)
    assert first(full).startswith(f"{mark}Cold Fork Ridge: {worst}-thing")
    alert_rows = [row for row in shown(full).split("\n") if "-thing, for 60 s" in row]
    assert len(alert_rows) == len(severities)
    assert alert_rows[0].startswith(worst.upper())
    assert f"{worst.upper()[:6]} {worst}-thing 1min" in line_of(full)


# ---- what the rest says


def test_the_full_screen_tells_the_site(full: Picture) -> None:
    text = shown(full, blocks=UNICODE_BLOCKS)
    for words in (
        "2026-01-02 03:04:05 UTC, trusted (kernel)",
        "12.4 points, 2.9 Ah over the half mark (50 %)",
        "charge 62.4 \u00b13.1 %",
        "12.84 V   -0.42 A draining   holds 23.4 \u00b11.2 Ah",
        "panel 43 W 17.2 V 2.52 A   charge 3.10 A",
        "0.13 A   12.80 V   computer 0.083 A",
        "bank 21.4 C of 45   controller 31.0 C of 75   enclosure 24.1 C of 60",
        "computer 48.6 C of 80",
        "humidity 41 %   door shut",
        "controller     7.2 s old, answered 26891 of 26900, silent 9",
        "stored 4.2 s ago, 26900 commits, 295900 readings, /var/lib/halfmark",
        "group-mail: 0 waiting, 12 taken, 0 refused, 0 dropped",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("soc", "sigma", "half", "bar"),
    [
        # 61 cells: cell n is from n/61 to (n+1)/61, the band reaches a standard error to both sides.
        (0.0, 0.0, 0.5, "=" + "." * 29 + "|" + "." * 30),
        (1.0, 0.0, 0.5, "#" * 30 + "|" + "#" * 29 + "="),
        (0.75, 0.1, 0.5, "#" * 30 + "|" + "#" * 8 + "=" * 13 + "." * 9),
        (0.2, 0.05, 0.3, "#" * 9 + "=" * 7 + "." * 2 + "|" + "." * 42),
        (None, None, 0.3, "." * 18 + "|" + "." * 42),
    ],
)
def test_the_bar_shows_charge_error_and_half_mark(
    full: Picture, soc: float | None, sigma: float | None, half: float, bar: str
) -> None:
    full["soc_frac"], full["soc_sigma"], full["half_mark"] = soc, sigma, half
    assert f"half at | 0 {bar} 100" in shown(full)


def test_what_is_old_missing_or_past_its_limit_is_said(full: Picture) -> None:
    full["quantities"]["panel_w"]["age_s"] = 300.0
    full["quantities"]["controller_c"]["value"] = 75.0
    full["quantities"]["door"]["value"] = 1.0
    del full["quantities"]["bank_c"]
    full["absent"] = [{"quantity": "bank_c", "why": "no thermometer at the bank"}]
    text = shown(full)
    assert "panel 43 W (5 min old)" in text
    assert "controller 75.0 C PAST 75" in text
    assert "door OPEN" in text
    assert "bank temperature: no thermometer at the bank" in text


def test_an_alert_says_its_age_value_limit_and_what_to_do(full: Picture) -> None:
    full["alerts"] = [
        {
            "alert": "below-half-mark",
            "rule": "below-half-mark",
            "title": "bank below its half mark",
            "unit": "share",
            "severity": "urgent",
            "for_s": 12_000.0,
            "since_utc": None,
            "value": 0.62,
            "limit": 0.5,
            "meaning": "",
            "to_do": "Cut the load: shorten long transmissions, lower the power, switch off what is not needed.",
            "acked": {"who": "someone"},
        }
    ]
    text = shown(full)
    assert "URGENT    bank below its half mark, for 3 h 20 min (taken on): 62 %, limit 50 %" in text
    assert (
        "Cut the load: shorten long transmissions, lower the power, switch off\n          what is not needed." in text
    )
    assert "Go up in company only, never in storm, ice or dark." in text


def test_too_many_alerts_and_instruments_are_counted_not_dropped(worst: Picture) -> None:
    rows = shown(worst).split("\n")
    assert any(row.strip() == "and 38 more alerts: status --json has them all" for row in rows)
    left_out = next(row for row in rows if row.endswith("more lines and instruments"))
    shown_rows = sum(row.startswith("line ") for row in rows)
    assert f"and {50 - shown_rows} more" in left_out


@pytest.mark.parametrize(("boot", "since"), [("0", " for 5 min"), ("1", "")])
def test_a_way_out_that_fails_comes_first_with_its_reason(full: Picture, boot: str, since: str) -> None:
    full["sending"] = {
        "boot_id": boot * 32,
        "record_why": None,
        "ways": {
            "journal": {"waiting": 0, "taken": 9},
            "group-mail": {"waiting": 3, "taken": 6, "failing_since_s": 269_700.0, "last_error": "server refuses"},
        },
    }
    text = shown(full)
    assert f"Sending   group-mail: 3 waiting, 6 taken, FAILING{since} (server refuses)" in text
    assert "journal: 0 waiting, 9 taken" in text


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (None, "nothing known of it"),
        ({"ways": {}}, "no way out is set up"),
        ({"record_why": "no permission", "ways": {}}, "CAN'T READ THE RECORD: no permission"),
        ({"ways": {}, "central": {"waiting_commits": 0, "set_aside": 0}}, "central: nothing waiting"),
        (
            {"ways": {}, "central": {"waiting_commits": 7, "unplaced_boots": 1, "set_aside": 2}},
            "central: 7 commits waiting, 1 boots undated, 2 set aside",
        ),
        (
            {"ways": {}, "central": {"waiting_commits": 7, "failing_since_s": 1.0, "last_error": "401\x1b[2J"}},
            "central: 7 commits waiting, FAILING (401",
        ),
        ({"ways": {}, "mqtt": {"connected": True}}, "mqtt: connected"),
        (
            {"ways": {}, "mqtt": {"connected": False, "failing_since_s": 1.0, "last_error": "no route\x1b[2J"}},
            "mqtt: not connected, FAILING (no route",
        ),
        ({"ways": {}, "metrics": {"listen": "127.0.0.1:7412", "last_error": None}}, "metrics: open"),
        ({"ways": {}, "metrics": {"last_error": "can't listen\x1b"}}, "metrics: FAILING (can't listen"),
    ],
)
def test_the_state_of_sending_in_words(full: Picture, state: dict[str, object] | None, words: str) -> None:
    full["sending"] = state
    assert f"Sending   {words}" in shown(full)


def test_without_a_clock_no_time_is_shown(empty: Picture) -> None:
    assert "clock NOT TRUSTED" in shown(empty)
    assert "UTC" not in shown(empty)


def test_last_words_are_not_taken_for_the_present(full: Picture) -> None:
    text = shown(full, DEAD)
    assert text.startswith("[?] Cold Fork Ridge: service is not running\n")
    assert "last words from 2026-01-02 03:04:05 UTC, 3 h 12 min ago; as it was then" in text
    assert "newest reading 50 s later" in " ".join(text.split())
    assert "all well" not in text
    assert "last words from a time not known" in shown(full, UNDATED)
    assert "service is not running, last words 3h ago, 62+-3%" in line_of(full, DEAD)


# ---- the short line


def test_the_line_tells_the_weightiest(full: Picture) -> None:
    assert line_of(full) == (
        "Cold Fork Ridge: 62+-3%, 12pt 2.9Ah over half mark, no alert, "
        "bank 12.84V -0.42A 21C, sun 43W, loads 0.13A, at 03:04Z"
    )


def test_the_line_of_a_bad_day_names_worst_and_count(worst: Picture) -> None:
    line = line_of(worst)
    assert "BELOW HALF MARK" in line
    assert "URGENT instrument-silent:" in line
    assert "+39 more" in line
