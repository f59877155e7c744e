"""What people ask of the service: weighed, written down, on the disk before it is answered; abuse is refused."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest

from daemon.clock import RELEASE_UTC, Anchor
from daemon.commands_people import MEASURED
from daemon.errors import ConfigError, ServiceError
from daemon.operator_requests import ENTRIES_A_MINUTE, TEXT_MOST, OperatorRequests
from daemon.record import RecordReader
from daemon.recorder import Recorder
from servers.records import open_record
from shared.field_measurements import MEASUREMENTS
from shared.readings import Reading
from shared.site import Bank, Instrument, Line, Place, Site
from shared.station import Station

NOW_UTC_S = RELEASE_UTC.timestamp() + 40 * 86_400.0
T = TypeVar("T")

SITE = Site(
    place=Place("Cold Fork Ridge", 37.284, -81.139),
    bank=Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024),
    lines={"a": Line("a", port="/dev/ttyUSB0")},
    instruments={
        "shunt": Instrument(
            "shunt", "a", "register-map", 1.0, unit=2, measures={"bank_a": ("bank", "bank")}, gives=("bank_v", "bank_a")
        )
    },
)


class Keeper:
    """A service's inside, as far as the requests reach, with a real record."""

    def __init__(self, folder: Path, site: Site = SITE) -> None:
        self.site = site
        self.station = Station(site)
        self.now_s = 1000.0
        self.anchor: Anchor | None = None
        self.past: Anchor | None = None
        self.latest: dict[str, Reading] = {}
        self.recorder = Recorder(lambda: open_record(folder, elapsed_s=900.0), clock=self.clock, commit_s=3600.0)
        self.mistakes: ConfigError | None = None

    def clock(self) -> float:
        return self.now_s

    @property
    def newest_anchor(self) -> Anchor | None:
        return self.anchor or self.past

    def believe(self, anchor: Anchor) -> None:
        self.anchor = anchor
        self.recorder.add_anchor(anchor)

    def save_state(self, now_s: float) -> None:
        self.recorder.set_state("station", self.station.snapshot())

    async def reload(self) -> list[str]:
        if self.mistakes is not None:
            raise self.mistakes
        return ["line a begun anew"]


def ask_all(
    folder: Path, *requests: dict[str, object], prepare: Callable[[Keeper], object] = lambda keeper: None
) -> list[dict[str, Any]]:
    """Put requests one after the other; a refusal is an answer too. The record is left as a kill leaves it."""

    async def work(keeper: Keeper, requests_: OperatorRequests) -> list[dict[str, Any]]:
        answers: list[dict[str, Any]] = []
        for request in requests:
            try:
                answers.append(await requests_.answer(request))
            except ServiceError as why:
                answers.append({"ok": False, "why": str(why)})
        return answers

    return with_keeper(folder, work, prepare)


def with_keeper(
    folder: Path,
    work: Callable[[Keeper, OperatorRequests], Awaitable[T]],
    prepare: Callable[[Keeper], object] = lambda keeper: None,
) -> T:
    async def run() -> T:
        keeper = Keeper(folder)
        prepare(keeper)
        await keeper.recorder.open()
        committing = asyncio.create_task(keeper.recorder.run(lambda now_s: None, lambda now_s: None))
        try:
            return await work(keeper, OperatorRequests(keeper, wall=lambda: NOW_UTC_S))
        finally:
            committing.cancel()
            await asyncio.gather(committing, return_exceptions=True)
            await keeper.recorder.close()

    return asyncio.run(run())


def entries(folder: Path) -> list[tuple[str, str, str]]:
    with RecordReader(folder) as reader:
        return [(row.who, row.kind, row.text) for row in reader.entries()]


def test_a_note_is_on_the_disk_when_it_is_answered(tmp_path: Path) -> None:
    async def work(keeper: Keeper, requests: OperatorRequests) -> list[tuple[str, str, str]]:
        answer = await requests.answer({"ask": "note", "who": "mara", "text": " two\nlines \x1b[2J "})
        assert answer["stored"] is True
        return entries(tmp_path)  # before anything is closed

    assert with_keeper(tmp_path, work) == [("mara", "note", "two lines ?[2J")]


def test_the_command_line_offers_what_can_be_measured() -> None:
    assert tuple(MEASUREMENTS) == MEASURED


def test_measured_moves_the_estimate_and_stores_both_together(tmp_path: Path) -> None:
    async def work(keeper: Keeper, requests: OperatorRequests) -> None:
        answer = await requests.answer({"ask": "measured", "what": "soc", "value": 0.8, "who": "mara"})
        before, after = answer["before"], answer["after"]
        assert isinstance(before, dict) and isinstance(after, dict)
        assert abs(after["soc_frac"] - 0.8) < 0.02 < before["soc_sigma"] - after["soc_sigma"]
        with RecordReader(tmp_path) as reader:  # as a service that starts after a kill finds it
            saved = reader.state("station")
        again = Station(SITE)
        assert saved is not None
        again.resume(saved)
        assert again.charge.soc_frac == after["soc_frac"] and again.charge.soc_sigma == after["soc_sigma"]

    with_keeper(tmp_path, work)
    assert [row[:2] for row in entries(tmp_path)] == [("mara", "measured")]


@pytest.mark.parametrize(
    ("part", "forgets", "keeps"),
    [("bank", "soc_sigma", "shunt_offset_sigma_a"), ("shunt", "shunt_offset_sigma_a", "capacity_sigma_ah")],
)
def test_changed_forgets_only_what_was_learned_about_that_part(
    tmp_path: Path, part: str, forgets: str, keeps: str
) -> None:
    fresh = Station(SITE).charge

    def learn(keeper: Keeper) -> None:
        keeper.station.charge.measured(0.9, 0.01)
        keeper.station.charge.measured_capacity(20.0, 0.5)
        offset = keeper.station.charge.belief.p
        offset[2][2] *= 0.01

    (answer,) = ask_all(tmp_path, {"ask": "changed", "part": part, "who": "mara"}, prepare=learn)
    before, after = answer["before"], answer["after"]
    assert before[forgets] < 0.5 * after[forgets]
    assert after[forgets] == pytest.approx(getattr(fresh, forgets))
    assert after[keeps] == before[keeps]


def test_changed_panel_is_written_down_and_changes_nothing(tmp_path: Path) -> None:
    (answer,) = ask_all(tmp_path, {"ask": "changed", "part": "panel", "text": "100 W", "who": "mara"})
    assert answer["before"] == answer["after"]
    assert entries(tmp_path) == [("mara", "changed", "panel; 100 W")]


KERNEL = Anchor(0, 990.0, NOW_UTC_S - 10.0, 0.1, "kernel")


def test_an_operator_vouches_for_a_time_when_nobody_else_does(tmp_path: Path) -> None:
    shown, taken, after = ask_all(
        tmp_path,
        {"ask": "clock"},
        {"ask": "clock", "utc_s": "now", "error_s": 5.0, "who": "mara"},
        {"ask": "clock"},
    )
    assert shown["trusted"] is False and shown["wall_utc_s"] == NOW_UTC_S
    assert taken["stored"] is True
    assert (after["trusted"], after["source"], after["utc_s"], after["error_s"]) == (True, "operator", NOW_UTC_S, 5.0)
    with RecordReader(tmp_path) as reader:
        anchor = reader.newest_anchor()
        assert anchor is not None and anchor.source == "operator"
        assert reader.utc_of(1, 1000.0) == pytest.approx(NOW_UTC_S)


@pytest.mark.parametrize(
    ("utc_s", "known", "words"),
    [
        (0.0, None, "before this release"),
        (NOW_UTC_S + 50 * 365 * 86_400.0, None, "latest this release believes"),
        (NOW_UTC_S, KERNEL, "nothing to do"),
        (NOW_UTC_S + 3600.0, KERNEL, "take it out of [clock] trust"),
        (NOW_UTC_S - 86_400.0, Anchor(7, 50.0, NOW_UTC_S, 0.1, "kernel"), "look at the date again"),
        ("yesterday", None, "must be a number"),
        (None, None, "must be a number"),
    ],
)
def test_a_time_that_cannot_be_is_refused(tmp_path: Path, utc_s: object, known: Anchor | None, words: str) -> None:
    def prepare(keeper: Keeper) -> None:
        if known is not None and known.boot == 0:
            keeper.anchor = known
        else:
            keeper.past = known

    answer, after = ask_all(
        tmp_path, {"ask": "clock", "utc_s": utc_s, "who": "mara"}, {"ask": "clock"}, prepare=prepare
    )
    assert words in answer["why"]
    assert after["source"] == ("kernel" if known is KERNEL else None)
    assert entries(tmp_path) == []


def test_a_wrong_operator_is_put_right_by_the_next(tmp_path: Path) -> None:
    (late,) = ask_all(
        tmp_path,
        {"ask": "clock", "utc_s": NOW_UTC_S - 86_400.0, "who": "mara"},
        prepare=lambda keeper: setattr(keeper, "past", Anchor(7, 50.0, NOW_UTC_S, 60.0, "operator")),
    )
    assert late["trusted"] is True


def test_a_reload_that_is_refused_tells_every_mistake(tmp_path: Path) -> None:
    def prepare(keeper: Keeper) -> None:
        keeper.mistakes = ConfigError.of("site.toml", "must be above 0", key="bank.cells", value=0)

    (answer,) = ask_all(tmp_path, {"ask": "reload", "who": "mara"}, prepare=prepare)
    assert answer["ok"] is False
    assert answer["mistakes"] == [
        {"file": "site.toml", "key": "bank.cells", "value": "0", "allowed": "must be above 0"}
    ]
    assert entries(tmp_path) == []


def test_a_record_that_cannot_be_written_is_said_and_the_entry_comes_later(tmp_path: Path) -> None:
    (tmp_path / "record.db").mkdir()  # nothing that root could write to either
    note = {"ask": "note", "who": "mara", "text": "the lug was loose"}

    async def work(keeper: Keeper, requests: OperatorRequests) -> tuple[object, object]:
        first = await requests.answer(note)
        (tmp_path / "record.db").rmdir()
        keeper.now_s += 60.0
        second = await requests.answer({**note, "text": "tightened"})
        return first["stored"], second["stored"]

    assert with_keeper(tmp_path, work) == (False, True)
    assert [text for _, _, text in entries(tmp_path)] == ["the lug was loose", "tightened"]


NOTE: dict[str, object] = {"ask": "note", "who": "mara", "text": "x"}
SOC: dict[str, object] = {"ask": "measured", "who": "mara", "what": "soc", "value": 0.5}
ABUSE: tuple[dict[str, object], ...] = (
    {"ask": "no-such"},
    {"ask": ""},
    {"ask": "__init__"},
    {"ask": "answer"},
    {**NOTE, "text": ""},
    {**NOTE, "text": "   \n\t "},
    {**NOTE, "text": "\u0301" * 20},
    {**NOTE, "text": None},
    {**NOTE, "text": 7},
    {**NOTE, "text": ["a"]},
    {**NOTE, "text": "x" * (TEXT_MOST + 1)},
    {**NOTE, "who": ""},
    {**NOTE, "who": None},
    {**NOTE, "who": "x" * 41},
    {**NOTE, "who": {"a": 1}},
    {**SOC, "value": "0.5"},
    {**SOC, "value": True},
    {**SOC, "value": float("nan")},
    {**SOC, "value": float("inf")},
    {**SOC, "value": 10**400},
    {**SOC, "value": -0.1},
    {**SOC, "value": None},
    {**SOC, "error": 0.0},
    {**SOC, "error": -1},
    {**SOC, "error": "small"},
    {**SOC, "bank_c": 400},
    {**SOC, "bank_c": "warm"},
    {**SOC, "what": "weight"},
    {**SOC, "what": ["soc"]},
    {**SOC, "what": "gravity", "value": 1.2},
    {**SOC, "what": "rest-voltage", "value": 0.0},
    {**SOC, "text": 5},
    {**SOC, "who": 5},
    {"ask": "changed", "part": "roof", "who": "mara"},
    {"ask": "changed", "part": None, "who": "mara"},
    {"ask": "changed", "part": ["bank"], "who": "mara"},
    {"ask": "changed", "part": "bank"},
    {"ask": "clock", "utc_s": NOW_UTC_S, "error_s": 0, "who": "mara"},
    {"ask": "clock", "utc_s": NOW_UTC_S, "error_s": 1e9, "who": "mara"},
    {"ask": "clock", "utc_s": NOW_UTC_S},
    {"ask": "commission", "who": "mara", "text": "x" * 5000},
    {"ask": "reload"},
)


@pytest.mark.parametrize("request_", ABUSE, ids=lambda request: json.dumps(request, default=str)[:60])
def test_abuse_is_refused_in_words_and_changes_nothing(tmp_path: Path, request_: dict[str, object]) -> None:
    async def work(keeper: Keeper, requests: OperatorRequests) -> None:
        before = keeper.station.snapshot()
        with pytest.raises(ServiceError) as refusal:
            await requests.answer(request_)
        assert 10 < len(str(refusal.value)) < 400
        assert str(refusal.value).isprintable()
        assert keeper.station.snapshot() == before

    with_keeper(tmp_path, work)
    assert entries(tmp_path) == []


def test_texts_of_any_kind_come_out_fit_for_a_terminal(tmp_path: Path) -> None:
    texts = ["\ud800 lone", "a\u202eb", "\x00\x07bell", "ÄÖÜ " * 100, "x" * TEXT_MOST]
    answers = ask_all(tmp_path, *({**NOTE, "text": text} for text in texts))
    assert [answer["stored"] for answer in answers] == [True] * len(texts)
    assert all(text.isprintable() for _, _, text in entries(tmp_path))


def test_a_script_gone_wild_is_stopped_before_it_wears_the_card_out(tmp_path: Path) -> None:
    async def work(keeper: Keeper, requests: OperatorRequests) -> int:
        async def one() -> bool:
            try:
                await requests.answer(NOTE)
            except ServiceError:
                return False
            return True

        taken = sum(await asyncio.gather(*(one() for _ in range(5 * ENTRIES_A_MINUTE))))
        keeper.now_s += 61.0
        assert await one(), "a minute later it is heard again"
        return taken

    assert with_keeper(tmp_path, work) == ENTRIES_A_MINUTE
    assert len(entries(tmp_path)) == ENTRIES_A_MINUTE + 1


def hot(*alerts: str) -> Callable[[Keeper], None]:
    """Let instruments be silent until their alerts stand."""

    def prepare(keeper: Keeper) -> None:
        for now_s in (0.0, 900.0):
            keeper.station.step_rules(now_s)
        assert [row.alert for row in keeper.station.alerts.standing] == list(alerts)

    return prepare


def test_an_acknowledged_alert_is_on_the_disk_with_who_and_note(tmp_path: Path) -> None:
    request: dict[str, object] = {"ask": "ack", "alert": "instrument-silent:shunt", "who": "mara"}
    request["text"] = "cable \x1b[2J loose"
    (answer,) = ask_all(tmp_path, request, prepare=hot("instrument-silent:shunt"))
    assert (answer["stored"], answer["alert"]) == (True, "instrument-silent:shunt")
    assert entries(tmp_path) == [("mara", "ack", "instrument-silent:shunt; cable ?[2J loose")]
    with RecordReader(tmp_path) as reader:
        (event,) = reader.alert_events()
        assert (event.state, event.alert, event.at_s) == ("acknowledged", "instrument-silent:shunt", 1000.0)
        assert (event.body["who"], event.body["note"]) == ("mara", "cable ?[2J loose")
        assert reader.notices() == []


def test_the_rule_is_name_enough_where_only_one_of_it_stands(tmp_path: Path) -> None:
    request: dict[str, object] = {"ask": "ack", "alert": "instrument-silent", "who": "mara"}
    (answer,) = ask_all(tmp_path, request, prepare=hot("instrument-silent:shunt"))
    assert answer["alert"] == "instrument-silent:shunt"


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (
            {"ask": "ack", "alert": "bank-hot", "who": "mara"},
            'no alert "bank-hot" stands; there is: instrument-silent:shunt',
        ),
        ({"ask": "ack", "alert": "", "who": "mara"}, "alert is empty"),
        ({"ask": "ack", "alert": ["x"], "who": "mara"}, "alert must be a text"),
        ({"ask": "ack", "alert": "instrument-silent:shunt"}, "who must be a text"),
    ],
)
def test_what_does_not_stand_is_not_acknowledged(tmp_path: Path, request_: dict[str, object], words: str) -> None:
    (answer,) = ask_all(tmp_path, request_, prepare=hot("instrument-silent:shunt"))
    assert answer["ok"] is False and words in str(answer["why"])
    assert entries(tmp_path) == []
