"""The sender's turns on an invented clock, with ways that do what the test says, and the real receipt file."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.errors import StoreError
from daemon.sending import sender as sender_file
from daemon.sending.receipts import ReceiptFile, sending_state
from daemon.sending.sender import RETRY_LEAST_S, RETRY_MOST_S, Sender
from daemon.sending.ways import Letter, Outcome


@dataclass
class Row:
    id: int
    body: dict[str, object]


@dataclass
class Queue:
    """The record's queue of notices."""

    rows: list[Row] = field(default_factory=list)
    why: str | None = None

    def add(self, *keys: str, severity: str = "urgent") -> None:
        for key in keys:
            body: dict[str, object] = {"key": key, "severity": severity, "subject": f"about {key}", "text": "x\n"}
            self.rows.append(Row(len(self.rows) + 1, body))

    def notices(self, after_id: int, limit: int) -> Sequence[Row]:
        return [row for row in self.rows if row.id > after_id][:limit]

    @contextmanager
    def open(self) -> Iterator["Queue"]:
        if self.why is not None:
            raise StoreError(self.why)
        yield self


class TestWay:
    """Takes everything, unless `answer` says otherwise; keeps what it was handed."""

    __test__ = False

    def __init__(self, name: str = "mail", least: str = "advice", recipients: tuple[str, ...] = ("a", "b")) -> None:
        self.name, self.least, self.recipients = name, least, recipients
        self.handed: list[str] = []
        self.rest: list[tuple[str, ...]] = []
        self.answer: Callable[[Letter, Sequence[str]], Outcome] = lambda letter, to: Outcome(taken=tuple(to))
        self.aborted = 0

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        self.handed.append(letter.key)
        self.rest.append(tuple(to))
        return self.answer(letter, to)

    def abort(self) -> None:
        self.aborted += 1


class Site:
    """A sender with its queue and ways, which can be killed and started again."""

    def __init__(self, folder: Path, *ways: TestWay) -> None:
        self.folder = folder
        self.queue = Queue()
        self.beside = Queue()  # what waits for the record
        self.ways = {way.name: way for way in ways or (TestWay(),)}
        self.now_s = 1000.0
        self.receipts = ReceiptFile(folder)
        self.start()

    def start(self) -> None:
        """Begin as a new process would, with what is on the disk."""
        self.back: list[tuple[str, Outcome]] = []
        self.hangs: set[str] = set()
        if self.receipts._db is not None:
            self.receipts._db.close()  # as a kill does it: nothing more is written
        self.receipts = ReceiptFile(self.folder)
        self.sender = Sender(
            self.ways,
            dict.fromkeys(self.ways, "mail"),
            self,
            self.receipts,
            self.queue.open,
            boot_id="b",
            beside=self._from_beside,
        )

    def _from_beside(self) -> list[dict[str, object]]:
        if self.beside.why is not None:
            raise StoreError(self.beside.why)
        return [row.body for row in self.beside.rows]

    def hand(self, way: str, letter: Letter, to: Sequence[str]) -> None:
        outcome = self.ways[way].send(letter, to)
        if way not in self.hangs:
            self.back.append((way, outcome))

    def outcomes(self) -> list[tuple[str, Outcome]]:
        back, self.back = self.back, []
        return back

    def abort(self, way: str) -> None:
        self.ways[way].abort()

    def turn(self, wait_s: float = 0.0) -> float | None:
        self.now_s += wait_s
        return self.sender.turn(self.now_s)

    def settle(self) -> None:
        """Turn until nothing more happens at this moment."""
        for _ in range(1000):
            handed = sum(len(way.handed) for way in self.ways.values())
            self.turn()
            if not self.back and handed == sum(len(way.handed) for way in self.ways.values()):
                return
        raise AssertionError("it never comes to rest")

    def state(self) -> dict[str, object]:
        state = sending_state(self.folder)
        assert state is not None
        return state

    def way_state(self, name: str = "mail") -> dict[str, object]:
        ways = self.state()["ways"]
        assert isinstance(ways, dict)
        row = ways[name]
        assert isinstance(row, dict)
        return row


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    site = Site(tmp_path)
    yield site
    site.receipts.close()


def broken(letter: Letter, to: Sequence[str]) -> Outcome:
    return Outcome(broken="no connection")


def test_what_waits_for_the_record_is_sent_in_order_and_not_again_when_it_is_there(site: Site) -> None:
    way = site.ways["mail"]
    site.queue.add("k1")
    site.queue.why = "disk I/O error"
    site.beside.add("k2", "k3")
    site.settle()
    assert way.handed == ["k2", "k3"]
    site.start()
    site.settle()
    assert way.handed == ["k2", "k3"], "the receipts know them"
    site.queue.why, site.beside.rows = None, []
    site.queue.add("k2", "k3", "k4")
    site.settle()
    assert way.handed == ["k2", "k3", "k1", "k4"]
    assert site.way_state()["taken"] == 4


def test_a_file_beside_the_record_that_makes_no_sense_holds_the_record_s_notices_back_not_at_all(
    site: Site, caplog: pytest.LogCaptureFixture
) -> None:
    site.queue.add("k1")
    site.beside.why = "waiting.json can't be read"
    site.settle()
    assert site.ways["mail"].handed == ["k1"]
    assert "waiting.json can't be read" in caplog.text
    site.beside.why = None
    site.beside.add("k2")
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2"]


def put_off(letter: Letter, to: Sequence[str]) -> Outcome:
    return Outcome(later=dict.fromkeys(to, "451 later"))


def test_letters_go_out_in_order_and_once(site: Site) -> None:
    site.queue.add("k1", "k2", "k3")
    site.settle()
    site.queue.add("k4")
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2", "k3", "k4"]
    assert site.way_state()["taken"] == 4
    assert site.way_state()["waiting"] == 0
    assert site.way_state()["last_taken"] == {"subject": "about k4", "at_s": site.now_s}


def test_a_restart_sends_nothing_again(site: Site) -> None:
    site.queue.add("k1", "k2")
    site.settle()
    site.start()
    site.queue.add("k3")
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2", "k3"]
    assert site.way_state()["taken"] == 3


def test_a_way_that_fails_keeps_the_order_and_says_since_when(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = broken
    site.queue.add("k1", "k2")
    site.settle()
    due_s = site.turn()
    assert due_s is not None
    site.turn(due_s - site.now_s - 0.001)
    assert way.handed == ["k1"], "not before its time"
    site.turn(0.001)
    assert way.handed == ["k1", "k1"]
    site.settle()
    assert (site.way_state()["failing_since_s"], site.way_state()["last_error"]) == (1000.0, "no connection")
    assert (site.way_state()["waiting"], site.way_state()["next_try_s"]) == (2, due_s + 2 * RETRY_LEAST_S)
    way.answer = TestWay().answer
    site.turn(2 * RETRY_LEAST_S)
    site.settle()
    assert way.handed[2:] == ["k1", "k2"]
    assert (site.way_state()["failing_since_s"], site.way_state()["last_error"]) == (None, None)


def test_a_way_that_asks_to_be_left_alone_is(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = lambda letter, to: Outcome(broken="429", wait_s=900.0)
    site.queue.add("k1")
    site.settle()
    assert site.turn() == site.now_s + 900.0
    way.answer = lambda letter, to: Outcome(later=dict.fromkeys(to, "503"), wait_s=700.0)
    site.turn(900.0)
    site.settle()
    assert site.turn() == site.now_s + 700.0


def test_the_times_between_tries(site: Site) -> None:
    site.ways["mail"].answer = broken
    site.queue.add("k1")
    times = []
    for _ in range(9):
        site.turn()
        times.append(site.now_s)
        due_s = site.turn()
        assert due_s is not None
        site.now_s = due_s
    gaps = [round(after - before, 6) for before, after in zip(times, times[1:], strict=False)]
    assert gaps == [15.0, 30.0, 60.0, 120.0, 240.0, 480.0, 600.0, 600.0]
    assert (gaps[0], gaps[-1]) == (RETRY_LEAST_S, RETRY_MOST_S)


def test_put_off_then_taken_then_the_next_one(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = put_off
    site.queue.add("k1", "k2")
    site.settle()
    assert way.handed == ["k1"]
    assert site.way_state()["last_error"] == "a: 451 later; b: 451 later"
    way.answer = TestWay().answer
    site.turn(RETRY_LEAST_S)
    site.settle()
    assert way.handed == ["k1", "k1", "k2"]


def test_a_letter_that_is_put_off_for_ever_steps_aside(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = lambda letter, to: put_off(letter, to) if letter.key == "k1" else Outcome(taken=tuple(to))
    site.queue.add("k1", "k2", "k3")
    for _ in range(sender_file.ASIDE_AFTER_TRIES + 2):
        site.settle()
        due_s = site.turn()
        assert due_s is not None
        site.now_s = due_s
    assert way.handed[: sender_file.ASIDE_AFTER_TRIES] == ["k1"] * sender_file.ASIDE_AFTER_TRIES
    assert [key for key in way.handed if key != "k1"] == ["k2", "k3"]
    assert site.way_state()["waiting"] == 1, "and is still tried"
    assert way.handed[-1] == "k1"


def test_one_recipient_put_off_holds_up_nobody(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = lambda letter, to: Outcome(
        taken=tuple(who for who in to if who != "b"), later={"b": "450 busy"} if "b" in to else {}
    )
    site.queue.add("k1", "k2")
    site.settle()
    assert list(zip(way.handed, way.rest, strict=True)) == [("k1", ("a", "b")), ("k2", ("a", "b"))]
    way.answer = TestWay().answer
    site.turn(RETRY_LEAST_S)
    site.settle()
    assert list(zip(way.handed, way.rest, strict=True))[2:] == [("k1", ("b",)), ("k2", ("b",))]
    assert site.way_state()["waiting"] == 0


def test_refused_for_good_is_written_down_and_not_tried_again(site: Site) -> None:
    way = site.ways["mail"]
    way.answer = lambda letter, to: Outcome(refused=dict.fromkeys(to, "552 too big"))
    site.queue.add("k1")
    site.settle()
    way.answer = TestWay().answer
    site.queue.add("k2")
    site.turn(3600.0)
    site.settle()
    assert way.handed == ["k1", "k2"]
    refused = site.way_state()["last_refused"]
    assert isinstance(refused, dict)
    assert refused["subject"] == "about k1"
    assert "552 too big" in str(refused["why"])
    assert (site.way_state()["refused"], site.way_state()["taken"]) == (1, 1)


def test_a_way_carries_only_what_is_grave_enough(tmp_path: Path) -> None:
    site = Site(tmp_path, TestWay("mail", "act"), TestWay("pager", "urgent"), TestWay("journal"))
    for severity in ("advice", "act", "urgent", "of-the-future"):
        site.queue.add(severity, severity=severity)
    site.settle()
    assert site.ways["journal"].handed == ["advice", "act", "urgent", "of-the-future"]
    assert site.ways["mail"].handed == ["act", "urgent", "of-the-future"]
    assert site.ways["pager"].handed == ["urgent", "of-the-future"]
    site.receipts.close()


def test_a_way_that_hangs_holds_up_no_other_and_is_cut_short(tmp_path: Path) -> None:
    site = Site(tmp_path, TestWay("mail"), TestWay("journal"))
    site.hangs = {"mail"}
    site.queue.add("k1", "k2")
    site.settle()
    assert (site.ways["mail"].handed, site.ways["journal"].handed) == (["k1"], ["k1", "k2"])
    assert site.turn() == 1000.0 + sender_file.ATTEMPT_MOST_S
    site.turn(sender_file.ATTEMPT_MOST_S)
    site.turn(1.0)
    assert site.ways["mail"].aborted == 1
    site.receipts.close()


def test_killed_between_hand_over_and_receipt_costs_one_duplicate(site: Site) -> None:
    site.queue.add("k1", "k2", "k3")
    site.turn()  # k1 is handed over, its outcome has come back but is not settled
    assert site.back
    site.start()
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k1", "k2", "k3"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(["add", "turn", "kill", "fail", "work", "wait"]), max_size=40))
def test_whatever_happens_nothing_is_lost_and_a_kill_costs_at_most_one_duplicate(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str]
) -> None:
    site = Site(tmp_path_factory.mktemp("site"))
    way, kills = site.ways["mail"], 0
    taken: list[str] = []

    def take(letter: Letter, to: Sequence[str]) -> Outcome:
        taken.append(letter.key)
        return Outcome(taken=tuple(to))

    way.answer = take
    site.turn()
    for step in steps:
        if step == "add":
            site.queue.add(f"k{len(site.queue.rows)}")
        elif step == "turn":
            site.turn()
        elif step == "wait":
            site.turn(RETRY_MOST_S)
        elif step == "kill":
            kills += bool(site.back)
            site.start()
        else:
            way.answer = take if step == "work" else broken
    way.answer = take
    site.turn(RETRY_MOST_S)
    site.turn(RETRY_MOST_S)
    site.settle()
    keys = [str(row.body["key"]) for row in site.queue.rows]
    assert list(dict.fromkeys(taken)) == keys
    assert len(taken) - len(keys) <= kills
    site.receipts.close()


def test_a_record_that_can_t_be_read_is_waited_for_and_said(site: Site) -> None:
    site.queue.why = "there is no record"
    site.settle()
    assert site.state()["record_why"] == "there is no record"
    assert site.sender.record_why == "there is no record"
    site.queue.why = None
    site.queue.add("k1")
    site.settle()
    assert site.ways["mail"].handed == ["k1"]
    assert site.state()["record_why"] is None


def test_what_was_taken_in_goes_out_without_the_record(site: Site) -> None:
    site.ways["mail"].answer = broken
    site.queue.add("k1")
    site.settle()
    site.queue.why = "gone"
    site.ways["mail"].answer = TestWay().answer
    site.start()
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k1"]


def test_a_record_that_was_replaced_is_read_from_its_start(site: Site) -> None:
    site.queue.add("k1", "k2", "k3")
    site.settle()
    site.queue.rows.clear()
    site.queue.add("n1")
    site.settle()
    site.queue.rows.clear()
    site.queue.add("m1", "m2", "m3")
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2", "k3", "n1", "m1", "m2", "m3"]


def test_a_record_whose_oldest_notices_are_gone_is_the_same_record(site: Site) -> None:
    site.queue.add("k1", "k2")
    site.settle()
    site.queue.add("k3")
    del site.queue.rows[:2]
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2", "k3"]


def test_without_receipts_only_the_newest_of_a_long_queue_go_out(site: Site) -> None:
    count = sender_file.PAGE + sender_file.LOOK_BACK + 7
    site.queue.add(*(f"k{n}" for n in range(count)))
    site.settle()
    assert site.ways["mail"].handed == [f"k{n}" for n in range(count - sender_file.LOOK_BACK, count)]


def test_a_new_way_gets_what_comes_from_now_on_and_a_removed_one_is_dropped(site: Site) -> None:
    site.ways["mail"].answer = broken
    site.queue.add("k1")
    site.settle()
    site.ways = {"other": TestWay("other")}
    site.start()
    site.queue.add("k2")
    site.settle()
    assert site.ways["other"].handed == ["k2"]
    site.ways["mail"] = TestWay()
    site.start()
    site.settle()
    assert site.ways["mail"].handed == []


def test_of_a_queue_that_grows_too_long_the_oldest_is_dropped_and_counted(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender_file, "WAITING_MOST", 3)
    way = site.ways["mail"]
    way.answer = broken
    site.queue.add(*(f"k{n}" for n in range(6)))
    site.settle()
    assert (site.way_state()["waiting"], site.way_state()["dropped"]) == (3, 3)
    way.answer = TestWay().answer
    site.turn(RETRY_LEAST_S)
    site.settle()
    assert way.handed[1:] == ["k3", "k4", "k5"]


def test_a_full_disk_keeps_no_letter_back_and_none_goes_twice(site: Site) -> None:
    site.queue.add("k1")
    site.settle()
    db = site.receipts._db
    assert db is not None
    (pages,) = db.execute("pragma page_count").fetchone()
    db.execute(f"pragma max_page_count={pages}")  # as a full disk: SQLITE_FULL
    long = "x" * 20_000
    site.queue.rows.append(Row(2, {"key": "k2", "severity": "urgent", "subject": "about k2", "text": long}))
    site.settle()
    assert site.receipts.unsaved > 0
    assert "full" in str(site.sender.receipts_why)
    assert site.ways["mail"].handed == ["k1", "k2"]
    db.execute("pragma max_page_count=100000")
    site.settle()
    assert (site.receipts.unsaved, site.sender.receipts_why) == (0, None)
    site.start()
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k2"]


def test_receipts_that_can_t_be_opened_are_done_without_after_a_while_and_joined_later(tmp_path: Path) -> None:
    folder = tmp_path / "sending"
    site = Site(folder)
    site.queue.add("k1")
    site.settle()
    site.receipts.close()
    hidden = folder.rename(tmp_path / "hidden")
    folder.write_text("in the way")
    site.start()
    site.queue.add("k2", "k3")
    site.settle()
    assert site.ways["mail"].handed == ["k1"], "it waits for its receipts first"
    site.ways["mail"].answer = lambda letter, to: Outcome(taken=tuple(to)) if letter.key != "k3" else broken(letter, to)
    site.turn(sender_file.WITHOUT_RECEIPTS_S)
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k1", "k2", "k3"], "k1 twice: nobody can know"
    folder.unlink()
    hidden.rename(folder)
    site.ways["mail"].answer = TestWay().answer
    site.turn(RETRY_LEAST_S)
    site.settle()
    site.start()
    site.queue.add("k4")
    site.settle()
    assert site.ways["mail"].handed == ["k1", "k1", "k2", "k3", "k3", "k4"]
    site.receipts.close()
