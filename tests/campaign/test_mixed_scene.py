"""The second scene's own checks are shown a breach on purpose, and its rows cover what its instruments can do wrong."""

from campaign.mixed_scene import MixedWitness, OrderedFaults, store_disorder
from campaign.outward_faults import MIXED_FAULTS
from campaign.runner import by_lane
from campaign.verdict import FAULTS
from daemon.example_files import example
from daemon.record.contents import Placed
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.tcp_port import TCP_FAULTS
from drivers.virtual.text_stream import STREAM_FAULTS, TextForm, TextStream
from servers.mixed_rig import TEXT_MAP
from shared.readings import Reading

START_MS = 1_780_000_000_000.0


def _witness(*faults: str | None) -> MixedWitness:
    """A shunt that says a record each second from 10 s on, each 0.1 V lower."""
    plan = iter(faults)
    stream = TextStream(TextForm.parse(example(TEXT_MAP)), faults=lambda: next(plan))
    for count in range(len(faults)):
        stream.show({"bank_v": 13.0 - 0.1 * count, "bank_a": -0.5}, 10.0 + count)
        stream.tick(10.0 + count)
    return MixedWitness(RtuLine([]), {}, {}, stream=stream)


def _placed(at_s: float, **values: float) -> Placed:
    return Placed(1, Reading("shunt", at_s, values))


def test_a_record_that_was_said_is_right_and_any_other_wrong() -> None:
    witness = _witness(None, "bad-sum", None)
    witness.take([_placed(10.1, bank_v=13.0, bank_a=-0.5), _placed(12.1, bank_v=12.8)])
    assert witness.judged == 2 and not witness.wrong
    witness.take([_placed(11.1, bank_v=12.9)])
    assert len(witness.wrong) == 1, "its checksum was wrong"
    witness.take([_placed(12.2, bank_v=13.0), _placed(12.3, bank_v=12.8, bank_a=-0.4)])
    assert len(witness.wrong) == 3, "too old; and two values of no one record"


def _line(at_s: float, bank_v: float) -> str:
    return f"halfmark,instrument=shunt,site=Cold\\ Fork bank_v={bank_v!r} {round(START_MS + 1000.0 * at_s)}"


def test_what_is_missing_at_the_store_and_what_is_too_much_is_told() -> None:
    readings = [Reading("shunt", at_s, {"bank_v": 12.0 + at_s}) for at_s in (1.0, 2.0, 3.0)]
    lines = [_line(r.at_s, r.values["bank_v"]) for r in readings]
    assert not store_disorder(readings, [], lines, [], START_MS)
    assert not store_disorder(readings, [], [lines[0], *lines], [], START_MS), "the same line twice is one point"
    assert not store_disorder(readings, [], [lines[0], lines[2]], [lines[1]], START_MS)
    assert not store_disorder(readings[1:], readings[:1], lines, [], START_MS)
    assert not store_disorder(readings[1:], readings[:1], lines[1:], [], START_MS)
    assert "not at the store" in store_disorder(readings, [], lines[:2], [], START_MS)[0]
    assert "no reading" in store_disorder(readings[:2], [], lines, [], START_MS)[0]
    assert "no reading" in store_disorder(readings, [], [*lines, _line(3.01, 15.0)], [], START_MS)[0], "doubled"
    assert "out of order" in store_disorder(readings, [], [lines[1], lines[0], lines[2]], [], START_MS)[0]
    assert len(store_disorder(readings, [], [_line(1.0, 9.0), *lines[1:]], [], START_MS)) == 2, "another value"


def test_what_is_ordered_strikes_once_and_can_be_taken_back() -> None:
    plan = OrderedFaults()
    plan.strike("cut", 2)
    assert plan() == "cut" and plan.waits()
    plan.clear()
    assert plan() is None and not plan.waits()


def test_every_fault_of_the_stream_and_the_connection_is_a_row() -> None:
    names = {row.name for row in MIXED_FAULTS}
    assert {f"text {name}" for name in STREAM_FAULTS} <= names
    assert {f"tcp {name.removeprefix('tcp-')}" for name in TCP_FAULTS} <= names
    assert len({row.name for row in (*FAULTS, *MIXED_FAULTS)}) == len(FAULTS) + len(MIXED_FAULTS)


def test_a_row_is_on_one_lane() -> None:
    rows = (*FAULTS, *MIXED_FAULTS)
    quick, slow, *named = by_lane(rows)
    assert sorted(row.name for lane in (quick, slow, *named) for row in lane) == sorted(row.name for row in rows)
    assert all(row.slow for row in slow) and not any(row.slow for row in quick)
    assert {row.lane for lane in named for row in lane} == {"text", "net", "send", "life"}
