"""Each check of a campaign is shown a breach on purpose: a check that can't fail proves nothing."""

from random import Random

from campaign import invariants
from campaign.invariants import Witness
from campaign.runner import FaultRow, in_turn
from campaign.verdict import FAULTS
from daemon.example_files import example
from daemon.record.contents import Placed, StoredEvent, StoredNotice
from drivers.virtual.faults import FAULTS as LINE_KINDS
from drivers.virtual.register_tables import RegisterTable
from drivers.virtual.rtu_line import RtuLine
from drivers.virtual.rtu_units import RtuUnit
from servers.site_rig import MAPS
from shared.readings import Reading

SHUNT = RegisterTable.parse(example(MAPS["shunt"]))


def _placed(at_s: float, **values: float) -> Placed:
    return Placed(1, Reading("shunt", at_s, values))


def _witness() -> Witness:
    """The shunt held 13.0 V until 20 s, then 12.5 V."""
    unit = RtuUnit(2, SHUNT)
    for at_s, bank_v in ((10.0, 13.0), (20.0, 12.5)):
        unit.show({"bank_v": bank_v, "bank_a": -0.5, "bank_c": 21.37}, at_s)
    return Witness(RtuLine([unit]), {"shunt": unit}, {"shunt": 0.3})


def test_a_value_that_was_held_in_time_is_right_and_any_other_wrong() -> None:
    right, stale, mixed = _witness(), _witness(), _witness()
    right.take(
        [_placed(15.0, bank_v=13.0, bank_a=-0.5, bank_c=21.37), _placed(20.2, bank_v=13.0), _placed(21, bank_v=12.5)]
    )
    assert right.judged == 3 and not right.wrong
    stale.take([_placed(20.4, bank_v=13.0)])
    mixed.take([_placed(15.0, bank_v=13.0, bank_a=-0.4)])
    assert len(stale.wrong) == len(mixed.wrong) == 1


def test_a_reading_that_is_gone_or_changed_is_lost() -> None:
    witness = _witness()
    witness.take([_placed(15.0, bank_v=13.0), _placed(16.0, bank_v=13.0)])
    assert not witness.lost([_placed(15.0, bank_v=13.0), _placed(16.0, bank_v=13.0), _placed(17.0, bank_v=13.0)])
    assert len(witness.lost([_placed(15.0, bank_v=13.0)])) == 1
    assert len(witness.lost([_placed(15.0, bank_v=13.0), _placed(16.0, bank_v=12.0)])) == 1


def test_a_reading_kept_twice_is_told() -> None:
    assert not invariants.doubled([_placed(1.0), _placed(2.0)])
    assert len(invariants.doubled([_placed(1.0), _placed(1.0), _placed(2.0)])) == 1


def test_a_life_that_acknowledged_more_than_is_kept_is_told() -> None:
    found = [_placed(at_s) for at_s in (1.0, 2.0, 3.0, 11.0)]
    assert not invariants.unacknowledged(found, [(0.0, 5.0, 3), (10.0, 15.0, 1)])
    assert "1 of 4" in invariants.unacknowledged(found, [(0.0, 5.0, 4), (10.0, 15.0, 1)])[0]


def test_a_gap_is_a_hole_unless_faults_explain_it() -> None:
    times_s = [0.0, 1.0, 2.0, 9.0, 10.0]
    assert len(invariants.holes(times_s, [], 2.5)) == 1
    assert not invariants.holes(times_s, [(2.5, 6.0), (5.0, 8.0)], 2.5)
    assert len(invariants.holes(times_s, [(2.5, 3.0), (20.0, 30.0)], 2.5)) == 1


def _event(number: int, state: str, at_s: float, alert: str = "bank-hot") -> StoredEvent:
    return StoredEvent(number, 1, at_s, alert, alert, state, None, None, "act", {"id": number})


def _notice(number: int, state: str, at_s: float) -> StoredNotice:
    return StoredNotice(number, 1, at_s, {"alert": "bank-hot", "state": state})


def test_alerts_out_of_turn_are_told() -> None:
    raised, cleared = _event(1, "raised", 1.0), _event(2, "cleared", 2.0)
    assert not invariants.alert_disorder([raised, cleared, _event(3, "raised", 3.0, "controller-hot")])
    assert invariants.alert_disorder([raised, _event(2, "raised", 2.0)])
    assert invariants.alert_disorder([cleared])
    assert not invariants.alert_disorder([raised, _event(4, "reminded", 1.5), cleared])
    assert invariants.alert_disorder([raised, cleared, _event(4, "reminded", 2.5)])
    assert "used 2 times" in invariants.alert_disorder([raised, _event(1, "cleared", 2.0)])[0]


def test_an_event_has_one_notice() -> None:
    events = [_event(1, "raised", 1.0), _event(2, "cleared", 2.0)]
    notices = [_notice(1, "raised", 1.0), _notice(2, "cleared", 2.0)]
    assert not invariants.notice_disorder(events, notices)
    quiet = _event(3, "acknowledged", 3.0)
    quiet.body["told"] = False
    assert not invariants.notice_disorder([*events, quiet], notices)
    assert "no notice" in invariants.notice_disorder(events, notices[:1])[0]
    assert "too many" in invariants.notice_disorder(events, [*notices, _notice(3, "cleared", 2.0)])[0]


def test_a_notice_is_taken_by_the_server_and_taken_once() -> None:
    assert not invariants.letter_disorder(["a", "b"], ["a", "b"], doubles_most=0)
    assert not invariants.letter_disorder(["a", "b"], ["a", "a", "b"], doubles_most=1)
    assert invariants.letter_disorder(["a", "b"], ["a", "a", "b"], doubles_most=0)
    assert invariants.letter_disorder(["a", "b"], ["a"], doubles_most=0)
    assert invariants.letter_disorder(["a"], ["a", "c"], doubles_most=0)


def test_growth_counts_from_warm_on() -> None:
    warm = [(float(at_s), 30 << 20) for at_s in range(6, 20)]
    assert invariants.memory_growth([(0.0, 10 << 20), *warm], 0.0) == 0
    assert invariants.memory_growth([*warm, (20.0, 33 << 20)], 0.0) == 3 << 20
    assert invariants.memory_growth(warm[:3], 0.0) is None


def test_a_silent_watchdog_is_told() -> None:
    assert not invariants.ping_gaps([1.0, 3.0, 5.0], (0.0, 6.0), [], 2.5)
    assert invariants.ping_gaps([1.0, 5.0], (0.0, 6.0), [], 2.5)
    assert invariants.ping_gaps([1.0, 3.0], (0.0, 6.0), [], 2.5)
    assert not invariants.ping_gaps([1.0, 5.0], (0.0, 6.0), [(2.0, 4.0)], 2.5)


def test_every_fault_of_a_line_is_a_row() -> None:
    assert set(LINE_KINDS) <= {row.name for row in FAULTS}
    assert len({row.name for row in FAULTS}) == len(FAULTS)


def _order(seed: int) -> list[FaultRow]:
    return in_turn(FAULTS, Random(seed))


def test_a_seed_chooses_the_order_and_every_family_comes_soon() -> None:
    names = [row.name for row in _order(1)]
    assert names == [row.name for row in _order(1)] != [row.name for row in _order(2)]
    assert sorted(names) == sorted(row.name for row in FAULTS)
    families = {row.family for row in FAULTS}
    assert {row.family for row in _order(3)[: len(families)]} == families
