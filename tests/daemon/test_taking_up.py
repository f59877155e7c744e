"""A new service knows what the last one knew, wherever it was cut."""

from pathlib import Path

import pytest

from daemon.clock import Anchor
from daemon.record import Batch, Record
from daemon.taking_up import take_up
from daemon.waiting_file import Waiting
from drivers.virtual.site import VirtualSite
from shared.readings import Reading
from shared.site import Bank, Instrument, Place, Site
from shared.station import Station

FIRST, SECOND = "1" * 32, "2" * 32
START_UTC_S = 1_790_000_000.0
ROWS = 2000


def site() -> Site:
    shunt = Instrument(
        "shunt", "rs485", "register-map", 10.0, 2, "m", {"bank_a": ("bank", "bank")},
        ("bank_v", "bank_a", "bank_ah_counter", "bank_c"),
    )  # fmt: skip
    bank = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
    return Site(Place("Test Ridge", 37.0, -81.0), bank, instruments={"shunt": shunt})


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    virtual = VirtualSite(seed=3, start_utc_s=START_UTC_S)
    rows = []
    for step in range(1, ROWS + 1):
        virtual.advance(10.0)
        values = {q: v for q, v in virtual.shown("shunt").items() if v is not None}
        rows.append(Reading("shunt", step * 10.0, values))
    return rows


def stored(folder: Path, readings: list[Reading], *, saved_at: int, anchors: list[Anchor] | None = None) -> Station:
    """A record in which the state was saved after `saved_at` readings; returns the station that made it."""
    station = Station(site())
    record = Record.open(folder, boot_id=FIRST, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    state: dict[str, dict[str, object]] = {}
    for count, reading in enumerate(readings, start=1):
        station.take(reading)
        if count == saved_at:
            state = {"station": station.snapshot(), "alerts": station.alerts.snapshot()}
            record.commit(Batch(readings=readings[:count], state=state, until_s=reading.at_s))
    record.commit(Batch(readings=readings[saved_at:], anchors=anchors or [], until_s=readings[-1].at_s))
    record.close()
    return station


@pytest.mark.parametrize("saved_at", [1, 997, ROWS - 1, ROWS])
def test_the_estimate_is_the_same_as_if_nothing_had_ended(
    tmp_path: Path, readings: list[Reading], saved_at: int
) -> None:
    before = stored(tmp_path, readings, saved_at=saved_at)
    after = Station(site())
    past = take_up(after, tmp_path, boot_id=FIRST, clock=lambda: ROWS * 10.0 + 5.0, anchor=lambda earlier: None)
    assert past.fed_again == ROWS - saved_at
    assert after.charge.soc_frac == pytest.approx(before.charge.soc_frac, abs=1e-9)
    assert after.charge.soc_sigma == pytest.approx(before.charge.soc_sigma, abs=1e-9)


def test_an_unknown_gap_widens_more_than_a_known_short_one(tmp_path: Path, readings: list[Reading]) -> None:
    then_s = ROWS * 10.0
    before = stored(tmp_path, readings, saved_at=ROWS, anchors=[Anchor(0, 0.0, START_UTC_S, 1.0, "kernel")])
    now = Anchor(0, 30.0, START_UTC_S + then_s + 600.0, 0.1, "kernel")
    known, unknown = Station(site()), Station(site())
    take_up(known, tmp_path, boot_id=SECOND, clock=lambda: 30.0, anchor=lambda earlier: now)
    take_up(unknown, tmp_path, boot_id=SECOND, clock=lambda: 30.0, anchor=lambda earlier: None)
    for station in (known, unknown):  # without its counter the shunt can't tell what flowed meanwhile
        for at_s in range(40, 200, 10):
            station.take(Reading("shunt", float(at_s), {"bank_a": -0.2}))
    assert before.charge.soc_sigma - 1e-4 <= known.charge.soc_sigma < unknown.charge.soc_sigma


def test_no_record_and_a_strange_state_both_start_anew(tmp_path: Path) -> None:
    station = Station(site())
    past = take_up(station, tmp_path, boot_id=FIRST, clock=lambda: 1.0, anchor=lambda earlier: None)
    assert past.fed_again == 0 and station.fed_s is None
    record = Record.open(tmp_path, boot_id=FIRST, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    record.commit(Batch(state={"station": {"charge": {"v": "?"}}, "alerts": {"version": 999}}))
    record.close()
    take_up(station, tmp_path, boot_id=FIRST, clock=lambda: 1.0, anchor=lambda earlier: None)
    assert station.fed_s is None and station.alerts.standing == []


@pytest.mark.parametrize(("waits_s", "is_taken"), [(60.0, True), (40.0, False)])
def test_alerts_kept_beside_the_record_are_taken_up_unless_the_record_s_are_newer(
    tmp_path: Path, waits_s: float, is_taken: bool
) -> None:
    record = Record.open(tmp_path, boot_id=FIRST, elapsed_s=0.0, wall_utc_s=START_UTC_S)
    station = Station(site())
    station.step_rules(50.0, {"record_failing_s": 0.0})
    record.commit(Batch(state={"alerts": station.alerts.snapshot()}, until_s=50.0))
    record.close()
    (event,) = station.step_rules(58.0, {"record_failing_s": 130.0})
    states: dict[str, dict[str, object]] = {"alerts": station.alerts.snapshot(), "regular": {"heartbeat": 30.0}}
    waiting = Waiting(FIRST, waits_s, (), (event,), states)
    after = Station(site())
    past = take_up(after, tmp_path, boot_id=FIRST, clock=lambda: 70.0, anchor=lambda earlier: None, waiting=waiting)
    assert [row.alert for row in after.alerts.standing] == (["record-not-kept"] if is_taken else [])
    assert past.regular == (({"heartbeat": 30.0}, 10.0) if is_taken else (None, 0.0))


def test_alerts_kept_beside_a_record_that_can_t_be_read_are_taken_up_and_strange_ones_are_not(tmp_path: Path) -> None:
    station = Station(site())
    (event,) = station.step_rules(58.0, {"record_failing_s": 130.0})
    for body, standing in ((station.alerts.snapshot(), ["record-not-kept"]), ({"version": 999}, [])):
        after = Station(site())
        waiting = Waiting(FIRST, 60.0, (), (event,), {"alerts": body})
        take_up(after, tmp_path, boot_id=FIRST, clock=lambda: 70.0, anchor=lambda earlier: None, waiting=waiting)
        assert [row.alert for row in after.alerts.standing] == standing
