"""How the site stands, out of its record: fresh or not there at all."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.sending.site_now import SILENT_AFTER_S, old_after_s
from servers.door_rig import START_UTC_S, DoorHill, a_standing


@pytest.fixture
def hill(tmp_path: Path) -> Iterator[DoorHill]:
    hill = DoorHill(tmp_path)
    yield hill
    hill.close()


def test_an_empty_record_tells_nothing(hill: DoorHill) -> None:
    now = hill.look()
    assert not now.running
    assert (dict(now.readings), dict(now.quantities), dict(now.alerts)) == ({}, {}, {})


def test_values_of_the_picture_are_as_new_as_the_record_has_them(hill: DoorHill) -> None:
    hill.good_day()
    now = hill.look()
    assert now.running
    assert now.quantities["bank_v"] == {"value": 13.204, "unit": "V", "age_s": 0.5, "instrument": "shunt"}
    assert now.quantities["panel_w"]["value"] == 43.4
    assert now.estimate == {"soc_frac": 0.624, "soc_sigma": 0.031}
    assert now.utc_s == pytest.approx(START_UTC_S + 1000.0)


def test_a_sum_is_made_of_all_its_parts_or_left_as_it_was(hill: DoorHill) -> None:
    hill.read("controller", 1.0, panel_w=30.0)
    hill.tell(20.0, panel_w=(50.0, "W", "controller + slow"))
    assert hill.look().quantities["panel_w"] == {
        "value": 50.0, "unit": "W", "age_s": 20.5, "instrument": "controller + slow",
    }  # fmt: skip
    hill.read("slow", 2.0, panel_w=11.0)
    assert hill.look().quantities["panel_w"]["value"] == 41.0
    assert hill.look().quantities["panel_w"]["age_s"] == 2.0


def test_what_is_too_old_is_not_there(hill: DoorHill) -> None:
    hill.good_day()
    hill.read("slow", 0.0, bank_c=21.0)
    hill.now_s += old_after_s(hill.site, "shunt") + 5.0
    now = hill.look()
    assert set(now.readings) == {"slow"}
    assert dict(now.quantities) == {}, "the picture's own values grow old too"
    assert dict(now.estimate) == {}
    hill.now_s += 3.0 * 600.0
    assert dict(hill.look().readings) == {}


def test_a_silent_service_leaves_its_alerts_and_nothing_else(hill: DoorHill) -> None:
    hill.good_day()
    hill.raise_alerts(a_standing("bank-hot"), a_standing("instrument-silent:shunt", "urgent", acked_by="N0CALL"))
    hill.now_s += SILENT_AFTER_S + 1.0
    now = hill.look()
    assert not now.running
    assert now.age_s is not None and now.age_s > SILENT_AFTER_S
    assert dict(now.quantities) == {}
    assert set(now.alerts) == {"bank-hot", "instrument-silent:shunt"}
    assert now.alerts["instrument-silent:shunt"].acked
    assert now.alerts["bank-hot"].since_utc_s == pytest.approx(START_UTC_S + 600.0)


def test_after_a_reboot_nothing_of_before_is_taken_for_now(hill: DoorHill) -> None:
    hill.good_day()
    hill.raise_alerts(a_standing("bank-hot"))
    hill.reboot("e0" * 16)
    hill.now_s = 1001.0  # as many seconds since that boot
    now = hill.look("e0" * 16)
    assert not now.running and now.age_s is None
    assert (dict(now.readings), dict(now.quantities)) == ({}, {})
    assert set(now.alerts) == {"bank-hot"}
    assert now.utc_s is None, "nobody vouches for a clock in this boot"


def test_since_when_is_not_told_where_nobody_knows(hill: DoorHill) -> None:
    hill.raise_alerts(a_standing("bank-hot", since_exact=False), {"nothing": 1}, a_standing("x", limit="?"))
    alerts = hill.look().alerts
    assert alerts["bank-hot"].since_utc_s is None
    assert alerts["x"].limit is None
    assert len(alerts) == 2
