import io
import logging
import threading
from collections.abc import Sequence

import pytest

from daemon.sending.crew import Crew
from daemon.sending.journal import JournalWay
from daemon.sending.ways import Letter, Outcome

LIMIT_S = 10.0
LETTER = Letter("k1", "bank-hot", "raised", "urgent", None, "Ridge", "Ridge: bank too hot", "text\n", "Ridge hot")


class HangingWay:
    """Hangs until it is aborted."""

    name, least, recipients = "mail", "advice", ("a",)

    def __init__(self) -> None:
        self._aborted = threading.Event()

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        assert self._aborted.wait(LIMIT_S)
        return Outcome(broken="cut short")

    def abort(self) -> None:
        self._aborted.set()


class WrongWay(HangingWay):
    """Has a mistake in it."""

    def send(self, letter: Letter, to: Sequence[str]) -> Outcome:
        raise ZeroDivisionError("a mistake")


def test_a_way_that_hangs_holds_up_no_other_until_it_is_cut_short() -> None:
    rung = threading.Semaphore(0)
    out = io.StringIO()
    crew = Crew({"mail": HangingWay(), "journal": JournalWay(out=out)}, rung.release)
    crew.hand("mail", LETTER, ("a",))
    crew.hand("journal", LETTER, ("journal",))
    assert rung.acquire(timeout=LIMIT_S)
    assert crew.outcomes() == [("journal", Outcome(taken=("journal",)))]
    crew.abort("mail")
    assert rung.acquire(timeout=LIMIT_S)
    assert crew.outcomes() == [("mail", Outcome(broken="cut short"))]


def test_a_mistake_in_a_way_is_its_trouble_and_is_told_with_its_trace(caplog: pytest.LogCaptureFixture) -> None:
    rung = threading.Semaphore(0)
    crew = Crew({"mail": WrongWay()}, rung.release)
    with caplog.at_level(logging.ERROR):
        for _ in range(2):
            crew.hand("mail", LETTER, ("a",))
            assert rung.acquire(timeout=LIMIT_S)
    outcomes = crew.outcomes()
    assert len(outcomes) == 2
    assert outcomes[1][1].broken is not None and "a mistake" in outcomes[1][1].broken
    assert "ZeroDivisionError" in caplog.text


@pytest.mark.parametrize(("severity", "state", "mark"), [
    # RFC 5424 6.2.1: critical 2, warning 4, notice 5.
    ("urgent", "raised", "<2>"), ("act", "raised", "<4>"), ("advice", "raised", "<5>"), ("urgent", "cleared", "<5>"),
])  # fmt: skip
def test_the_journal_gets_two_marked_lines(severity: str, state: str, mark: str) -> None:
    out = io.StringIO()
    hostile = "Ridge\n<0>forged\x1b[2J"
    letter = Letter("k1", "bank-hot", state, severity, None, "Ridge", hostile, "text\n", "short")
    assert JournalWay(out=out, prefix=True).send(letter, ("journal",)).taken == ("journal",)
    assert out.getvalue() == f"{mark}notice Ridge <0>forged [2J\n{mark}notice short\n"


def test_without_a_journal_there_is_no_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("JOURNAL_STREAM", raising=False)
    out = io.StringIO()
    JournalWay(out=out).send(LETTER, ("journal",))
    assert out.getvalue() == "notice Ridge: bank too hot\nnotice Ridge hot\n"


def test_a_journal_that_is_gone_is_the_way_s_trouble() -> None:
    out = io.StringIO()
    out.close()
    outcome = JournalWay(out=out).send(LETTER, ("journal",))
    assert outcome.broken is not None and outcome.taken == ()
