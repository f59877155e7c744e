"""The copy to the central store on an invented clock, with a real record and a server that does what the test says."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from daemon.record import Batch
from daemon.sending.central import (
    ASIDE_MOST,
    POST_LINES_LEAST,
    RETRY_LEAST_S,
    RETRY_MOST_S,
    SLOW_LEAST_S,
    SLOW_MOST_S,
    STANDING_EVERY_S,
)
from daemon.sending.central_feed import BATCH_LINES
from daemon.sending.central_link import CentralRefused
from daemon.sending.central_memory import ASIDE_KEPT, CentralMemory, Position, lines_set_aside
from servers.central_rig import BOOT, START_UTC_S, Hill, down, hung, refusing, times
from shared.alerts import AlertEvent
from shared.readings import Reading

HOUR_S = 3600


@pytest.fixture
def hill(tmp_path: Path) -> Iterator[Hill]:
    hill = Hill(tmp_path)
    yield hill
    hill.close()


def an_event(number: int, at_s: float, state: str = "raised") -> AlertEvent:
    return AlertEvent(
        id=number, alert="below-half-mark", rule="below-half-mark", state=state, at_s=at_s, since_s=at_s,
        since_exact=True, value=0.9, worst=0.9, limit=0.5, severity="urgent", why="by value",
    )  # fmt: skip


def test_everything_arrives_once_in_order_and_then_only_what_is_new(hill: Hill) -> None:
    hill.grow(10, 95)
    assert hill.turn() == 60.0
    assert times(hill.link.taken) == list(range(10, 105))
    hill.grow(105, 30)
    hill.turn()
    hill.turn()
    assert times(hill.link.taken) == list(range(10, 135))
    assert len(hill.link.posts) == 2, "one post a turn, none when there is nothing"
    assert hill.link.taken[0] == r"halfmark,instrument=shunt,site=Cold\ Fork\ Ridge bank_v=12.01 1780000010000"
    assert hill.state()["last_sent_utc_s"] == START_UTC_S + 134.0


def test_days_without_a_server_catch_up_in_order_in_bounded_posts(hill: Hill) -> None:
    hill.link.judge = down
    waits = []
    for hour in range(6):
        hill.grow(10 + hour * 900, 900)
        waits.append(hill.turn(HOUR_S))
    assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0]
    assert (hill.state()["failing_since_s"], hill.state()["last_error"]) == (1_000_000.0 + HOUR_S, "nobody there")
    assert hill.state()["waiting_commits"] == pytest.approx(540, abs=1)
    assert hill.link.taken == []
    hill.link.judge = lambda lines: None
    assert hill.turn(HOUR_S) == 60.0
    assert times(hill.link.taken) == list(range(10, 10 + 6 * 900))
    assert max(hill.link.posts) <= BATCH_LINES + 10
    assert (hill.state()["failing_since_s"], hill.state()["waiting_commits"]) == (None, 0)


def test_it_does_not_try_before_its_time_and_backs_off_to_a_cap(hill: Hill) -> None:
    hill.grow(10, 10)
    hill.link.judge = down
    wait_s = hill.turn()
    assert wait_s == RETRY_LEAST_S
    hill.turn(wait_s - 0.1)
    assert len(hill.link.posts) == 1
    for _ in range(10):
        wait_s = hill.turn(wait_s + 1.0)
    assert wait_s == RETRY_MOST_S


@pytest.mark.parametrize("status", [429, 503])
def test_a_server_that_asks_for_time_gets_it(hill: Hill, status: int) -> None:
    hill.grow(10, 10)
    hill.link.judge = refusing(status, wait_s=700.0)
    assert hill.turn() == 700.0
    hill.link.judge = lambda lines: None
    assert hill.turn(700.0) == 60.0
    assert len(hill.link.taken) == 10


@pytest.mark.parametrize(
    ("status", "words"), [(401, "token is refused"), (403, "token is refused"), (404, "no such"), (308, "308")]
)
def test_what_a_person_must_correct_is_told_as_such_and_tried_slowly(hill: Hill, status: int, words: str) -> None:
    hill.grow(10, 10)
    hill.link.judge = refusing(status)
    wait_s = hill.turn()
    assert wait_s == SLOW_LEAST_S
    assert words in str(hill.state()["last_error"])
    for _ in range(6):
        wait_s = hill.turn(wait_s)
    assert wait_s == SLOW_MOST_S


def test_a_corrected_token_needs_no_restart(hill: Hill) -> None:
    hill.grow(10, 10)
    hill.token = None
    assert hill.turn() == SLOW_LEAST_S
    assert hill.state()["last_error"] == "influx-token: does not exist"
    hill.token = "wrong"
    hill.link.judge = refusing(401)
    hill.turn(SLOW_LEAST_S)
    hill.link.judge = lambda lines: None
    hill.token = "right"
    hill.turn(SLOW_MOST_S)
    assert hill.link.tokens == ["wrong", "closed wrong", "right"]
    assert len(hill.link.taken) == 10


@pytest.mark.parametrize("poison", [(0,), (99,), (41, 42), (0, 50, 99)])
def test_poison_lines_are_set_aside_with_the_reason_and_the_rest_goes_on(hill: Hill, poison: tuple[int, ...]) -> None:
    hill.grow(0, 100)
    bad = [f" {round((START_UTC_S + at_s) * 1000)}" for at_s in poison]
    hill.link.judge = refusing(400, *bad)
    assert hill.turn() == 60.0
    assert times(hill.link.taken) == [at_s for at_s in range(100) if at_s not in poison]
    hill.memory.save()
    aside = lines_set_aside(hill.folder / "sending")
    assert [int(line.rsplit(" ", 1)[1]) for line, _ in aside] == [int(ms) for ms in bad]
    assert {why for _, why in aside} == {"400 refused"}
    hill.kill()
    hill.turn()
    assert len(hill.link.taken) == 100 - len(poison), "not tried again"
    assert hill.memory.aside_count == len(poison)


def test_a_server_that_refuses_everything_loses_nothing(hill: Hill) -> None:
    """A bucket with another type for the field, a wrong organisation: no line is to blame."""
    hill.grow(0, 400)
    hill.link.judge = refusing(400)
    assert hill.turn() == SLOW_LEAST_S
    assert "nothing is set aside" in str(hill.state()["last_error"])
    assert len(hill.link.posts) < 10 * ASIDE_MOST
    hill.grow(400, 1)
    hill.turn(SLOW_LEAST_S)
    hill.link.judge = lambda lines: None
    hill.turn(SLOW_MOST_S)
    assert times(hill.link.taken) == list(range(401))
    assert hill.memory.aside_count == 0


def test_a_short_batch_that_is_refused_whole_waits_for_more_to_be_judged_by(hill: Hill) -> None:
    hill.grow(0, 1)
    hill.link.judge = refusing(400, " 1780000000000")
    assert hill.turn() == SLOW_LEAST_S
    hill.grow(1, 10)
    hill.turn(SLOW_LEAST_S)
    assert times(hill.link.taken) == list(range(1, 11))
    assert hill.memory.aside_count == 1


def test_a_server_that_finds_it_too_large_gets_less(hill: Hill) -> None:
    def judge(lines: Sequence[str]) -> None:
        if len(lines) > 300:
            raise CentralRefused(413, "413 too large")

    hill.link.judge = judge
    hill.grow(0, 3 * BATCH_LINES, each=50)
    assert hill.turn() == 60.0
    assert times(hill.link.taken) == list(range(3 * BATCH_LINES))
    refused = [size for size in hill.link.posts if size > 300]
    assert len(refused) < 10, "what it bears is remembered"


def test_a_link_that_is_too_slow_gets_less_at_once_until_it_bears_it(hill: Hill) -> None:
    hill.grow(0, BATCH_LINES, each=50)
    hill.link.judge = hung
    wait_s = 60.0
    for _ in range(8):
        wait_s = hill.turn(wait_s)
    assert hill.link.posts[-1] == POST_LINES_LEAST
    hill.link.judge = lambda lines: None
    hill.turn(wait_s)
    hill.grow(BATCH_LINES, BATCH_LINES, each=50)
    hill.turn()
    assert times(hill.link.taken) == list(range(2 * BATCH_LINES))
    assert hill.link.posts[-1] > POST_LINES_LEAST


# -- kills -------------------------------------------------------------------------------------


def test_killed_at_any_post_it_sends_the_same_points_again_and_no_others(hill: Hill) -> None:
    """The server took them, the answer never came; and the clock is known better at the next start."""
    count = 5 * BATCH_LINES
    hill.grow(0, count, each=50)
    for at in range(1, 5):
        last = len(hill.link.posts) + 2

        def judge(lines: Sequence[str], last: int = last) -> None:
            if len(hill.link.posts) == last:
                hill.link.taken.extend(lines)
                raise KeyboardInterrupt

        hill.link.judge = judge
        with pytest.raises(KeyboardInterrupt):
            hill.turn()
        hill.kill()
        hill.place(at * BATCH_LINES, START_UTC_S + at * BATCH_LINES + 0.2 * at)
    hill.link.judge = lambda lines: None
    hill.turn()
    assert len(hill.link.taken) == count + 4 * BATCH_LINES
    assert len(set(hill.link.taken)) == count
    volts = {line.rsplit(" ", 2)[1] for line in hill.link.taken}
    assert volts == {f"bank_v={round(12.0 + s / 1000.0, 3)!r}" for s in range(count)}


def test_an_answer_that_is_lost_moves_no_point(hill: Hill) -> None:
    """The server took it and the link broke: what is sent again is the same, whatever the clock says since."""
    hill.grow(0, 100)

    def judge(lines: Sequence[str]) -> None:
        hill.link.taken.extend(lines)
        hung(lines)

    hill.turn()
    hill.grow(100, 100)
    hill.link.judge = judge
    wait_s = hill.turn()
    hill.place(200.0, START_UTC_S + 203.0)
    hill.link.judge = lambda lines: None
    hill.turn(wait_s)
    assert len(set(hill.link.taken)) == 200
    hill.grow(200, 10)
    hill.turn()
    assert times(hill.link.taken)[-1] == 212, "from here on the better time counts"


# -- time --------------------------------------------------------------------------------------


def test_a_boot_nobody_has_placed_waits_and_keeps_no_later_one_waiting(hill: Hill) -> None:
    hill.grow(0, 20)
    hill.reboot("d1" * 16)
    hill.grow(5, 20)
    hill.record.commit(Batch(events=[an_event(1, 10.0)], until_s=25.0))
    hill.reboot("d2" * 16)
    hill.place(0.0, START_UTC_S + 2000.0)
    hill.grow(0, 20)
    hill.turn()
    assert times(hill.link.taken) == [*range(20), *range(2000, 2020)]
    assert hill.state()["unplaced_boots"] == 1
    assert hill.state()["waiting_commits"] == pytest.approx(2, abs=1)
    hill.place(0.0, START_UTC_S + 1000.0, boot=2)
    hill.turn()
    later = hill.link.taken[40:]
    assert times(hill.link.taken)[40:] == [*range(1005, 1025), 1010]
    assert later[-1].startswith("halfmark_alert,alert=below-half-mark,")
    assert hill.state()["unplaced_boots"] == 0
    hill.turn()
    assert len(hill.link.taken) == 61


def test_no_point_from_before_the_release_or_long_after_it_is_ever_sent(hill: Hill) -> None:
    for boot, utc_s in (("d1", 0.0), ("d2", 86_400.0), ("d3", 1_700_000_000.0), ("d4", 9_000_000_000.0)):
        hill.reboot(boot * 16)
        hill.place(0.0, utc_s)
        hill.grow(0, 10)
    hill.turn()
    assert hill.link.taken == []
    assert hill.state()["unplaced_boots"] == 4


def test_a_reading_that_reached_the_record_late_is_sent_too(hill: Hill) -> None:
    hill.grow(100, 10)
    hill.turn()
    hill.record.commit(Batch(readings=[Reading("controller", 50.0, {"panel_v": 18.0})], until_s=110.0))
    hill.turn()
    assert times(hill.link.taken) == [*range(100, 110), 50]


def test_what_the_record_seals_meanwhile_is_neither_lost_nor_another_point(hill: Hill) -> None:
    count = 5 * HOUR_S
    hill.grow(0, 2000, each=50)
    hill.turn()
    late = Reading("controller", 1999.25, {"panel_v": 18.0})  # as a poll that was still under way at the commit
    hill.record.commit(Batch(readings=[late], until_s=2001.0))
    hill.grow(2001, count - 2001, each=50)
    hill.record.seal_all(3 * HOUR_S)
    stop = len(hill.link.posts) + 4

    def judge(lines: Sequence[str]) -> None:
        if len(hill.link.posts) == stop:
            hill.link.taken.extend(lines)
            raise KeyboardInterrupt

    hill.link.judge = judge
    with pytest.raises(KeyboardInterrupt):
        hill.turn()
    hill.kill()
    hill.record.seal_all(count + HOUR_S)
    assert hill.record.sealed.hours >= 4
    hill.link.judge = lambda lines: None
    hill.turn()
    lines = set(hill.link.taken)
    shunt = {line for line in lines if "instrument=shunt" in line}
    assert sorted(times(list(shunt))) == [s for s in range(count) if s != 2000]
    assert len(lines - shunt) == 1
    assert hill.state()["waiting_commits"] == 0


@pytest.mark.parametrize("killed", [False, True])
def test_sealing_moves_times_and_still_no_point_comes_twice(hill: Hill, killed: bool) -> None:
    """Sent, then the answer to the last post is lost; hours pass, and the record seals what was sent."""
    hill.grow_unevenly(0, 1800)
    hill.turn()
    hill.grow_unevenly(1800, 600)

    def judge(lines: Sequence[str]) -> None:
        hill.link.taken.extend(lines)
        raise CentralRefused(502, "502 the answer was lost")

    hill.link.judge = judge
    hill.turn()
    if killed:
        hill.kill()
    hill.link.judge = down
    hill.grow_unevenly(2400, 3 * HOUR_S)
    hill.turn(700.0)
    hill.record.seal_all(2400.0 + 3 * HOUR_S)
    assert hill.record.sealed.hours >= 2
    hill.link.judge = lambda lines: None
    hill.turn(700.0)
    lines = list(dict.fromkeys(hill.link.taken))
    volts = [line.rsplit(" ", 2)[1] for line in lines if "instrument=shunt" in line]
    assert volts == [f"bank_v={s / 1000.0!r}" for s in range(2400 + 3 * HOUR_S)]
    panel = [line.rsplit(" ", 2)[1] for line in lines if "instrument=controller" in line]
    assert panel == [f"panel_v={s / 100.0!r}" for s in range(0, 2400 + 3 * HOUR_S, 10)]
    assert hill.memory.unsure is None


def test_a_record_begun_anew_is_sent_from_its_start(hill: Hill) -> None:
    hill.grow(0, 50)
    hill.turn()
    hill.record.close()
    for path in (hill.folder / "state").iterdir():
        path.unlink()
    hill.record = hill.open_record(BOOT, 100.0)
    hill.place(100.0, START_UTC_S + 100.0)
    hill.grow(100, 10)
    hill.turn()
    assert times(hill.link.taken)[50:] == list(range(100, 110))


# -- alerts and standing -----------------------------------------------------------------------


def test_alerts_are_sent_with_the_readings_of_their_time(hill: Hill) -> None:
    hill.grow(0, 20)
    hill.record.commit(Batch(events=[an_event(1, 15.0)], until_s=20.0))
    hill.turn()
    hill.record.commit(Batch(events=[an_event(2, 25.0, "cleared")], until_s=30.0))
    hill.turn()
    alerts = [line for line in hill.link.taken if line.startswith("halfmark_alert")]
    head = r"halfmark_alert,alert=below-half-mark,site=Cold\ Fork\ Ridge limit=0.5,severity=3.0,standing="
    assert alerts == [f"{head}1.0,value=0.9 1780000015000", f"{head}0.0,value=0.9 1780000025000"]


def test_the_site_s_standing_is_told_at_once_when_it_changes_and_rarely_else(hill: Hill) -> None:
    alert = {"alert": "below-half-mark", "severity": "urgent", "value": 0.9, "limit": 0.5}

    def picture(at_s: float, *alerts: dict[str, object]) -> None:
        body: dict[str, object] = {"half_mark": 0.5, "capacity_ah": 23.5, "alerts": list(alerts)}
        hill.record.commit(Batch(state={"picture": body}, until_s=at_s))

    picture(10.0)
    hill.turn()
    picture(20.0)
    hill.turn()
    picture(30.0, alert)
    hill.turn()
    picture(40.0, alert | {"value": 0.95})
    hill.turn()
    hill.turn(STANDING_EVERY_S)
    head = r"halfmark_site,site=Cold\ Fork\ Ridge capacity_ah=23.5,half_mark=0.5,standing="
    assert [line for line in hill.link.taken if line.startswith("halfmark_site")] == [
        f"{head}0.0,worst=0.0 1780000010000",
        f"{head}1.0,worst=3.0 1780000030000",
        f"{head}1.0,worst=3.0 1780000040000",
    ]
    told = [line for line in hill.link.taken if line.startswith("halfmark_alert")]
    assert [line.rsplit(" ", 1)[1] for line in told] == ["1780000030000", "1780000040000"]


# -- troubles of its own -----------------------------------------------------------------------


def test_a_record_that_can_t_be_read_is_told(hill: Hill) -> None:
    hill.grow(0, 10)
    hill.record.close()
    record = hill.folder / "state" / "record.db"
    record.rename(record.with_name("away"))
    assert hill.turn() == RETRY_LEAST_S
    assert "record" in str(hill.state()["last_error"])
    record.with_name("away").rename(record)
    hill.turn(RETRY_LEAST_S)
    assert len(hill.link.taken) == 10
    hill.record = hill.open_record(BOOT, 10.0)


def limited(open_: Callable[[CentralMemory], bool], pages: int) -> Callable[[CentralMemory], bool]:
    def wrapped(memory: CentralMemory) -> bool:
        done = open_(memory)
        if memory._db is not None:
            memory._db.execute(f"pragma max_page_count={pages}")
        return done

    return wrapped


def test_with_the_disk_full_it_goes_on_and_remembers_when_there_is_room(
    hill: Hill, monkeypatch: pytest.MonkeyPatch
) -> None:
    hill.grow(0, 30)
    hill.turn()
    monkeypatch.setattr(CentralMemory, "open", limited(CentralMemory.open, 1))
    hill.grow(30, 3000, each=50)
    hill.link.judge = refusing(400, *(f" {1_780_000_000_000 + s * 1000}" for s in (40, 50)))
    filler = "x" * 200_000  # SQLite rounds a limit below the file's size up to it: what is to be written must not fit
    hill.memory.put(Position(filler, 9, 9))
    assert hill.turn() == 60.0
    assert times(hill.link.taken) == [s for s in range(3030) if s not in (40, 50)]
    assert "full" in (hill.memory.why or "")
    monkeypatch.undo()
    assert hill.memory._db is not None
    hill.memory._db.execute("pragma max_page_count=100000")
    hill.turn()
    assert hill.memory.why is None
    hill.kill()
    hill.turn()
    assert len(hill.link.taken) == 3028, "nothing is sent twice"
    assert hill.memory.aside_count == len(lines_set_aside(hill.folder / "sending")) == 2


def test_without_its_memory_it_waits(hill: Hill) -> None:
    hill.grow(0, 10)
    (hill.folder / "sending").write_text("in the way")
    assert hill.turn() == RETRY_LEAST_S
    assert "how far" in str(hill.state()["last_error"])
    (hill.folder / "sending").unlink()
    hill.turn(RETRY_LEAST_S)
    assert len(hill.link.taken) == 10


def test_another_store_is_begun_from_the_start(tmp_path: Path) -> None:
    first = CentralMemory(tmp_path, "http://a hill sites")
    assert first.open()
    first.put(Position(BOOT, 1, 0, ms=500))
    assert first.save({})
    first.close()
    for store, ms in (("http://a hill sites", 500), ("http://b hill sites", -1)):
        memory = CentralMemory(tmp_path, store)
        assert memory.open()
        assert memory.position(BOOT, 1, 0).ms == ms
        memory.close()


def test_lines_set_aside_are_kept_up_to_a_number_and_all_counted(tmp_path: Path) -> None:
    memory = CentralMemory(tmp_path, "s")
    assert memory.open()
    for part in range(3):
        memory.put(Position(BOOT, 1, 0), [(f"line {part} {n}", "why") for n in range(ASIDE_KEPT // 2)])
        assert memory.save()
    memory.close()
    kept = lines_set_aside(tmp_path)
    assert (len(kept), kept[-1][0]) == (ASIDE_KEPT, f"line 2 {ASIDE_KEPT // 2 - 1}")
    assert lines_set_aside(tmp_path / "none") == []
    memory = CentralMemory(tmp_path, "s")
    assert memory.open()
    assert memory.aside_count == 3 * ASIDE_KEPT // 2
    memory.close()


def test_told_to_stop_it_ends_between_two_posts(hill: Hill) -> None:
    hill.grow(0, 3 * BATCH_LINES, each=50)

    def judge(lines: Sequence[str]) -> None:
        hill.stop = len(hill.link.posts) == 2

    hill.link.judge = judge
    hill.turn()
    assert len(hill.link.posts) == 2
    with sqlite3.connect(hill.folder / "sending" / "sent.db") as db:
        assert db.execute("select count(*) from central_boot").fetchone() == (1,)
    db.close()
    hill.stop = False
    hill.kill()
    hill.turn()
    assert times(list(dict.fromkeys(hill.link.taken))) == list(range(3 * BATCH_LINES))
