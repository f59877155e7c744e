"""Pictures of a site to draw: a full one, one of a service that has just started, and the worst that can be."""

from typing import cast

import pytest

from daemon.picture import AlertPicture, InstrumentPicture, Picture

LONG = "A name that somebody made very long because the station is shared by several groups " * 4


def instrument(**changes: object) -> InstrumentPicture:
    row: dict[str, object] = {
        "line": "rs485",
        "every_s": 1.0,
        "asked": 36_000,
        "answered": 36_000,
        "refused": 0,
        "silent": 0,
        "garbled": 0,
        "suspect": 0,
        "late": 0,
        "last_error": None,
        "last_error_age_s": None,
        "age_s": 0.4,
    }
    return cast(InstrumentPicture, row | changes)


def alert(**changes: object) -> AlertPicture:
    row: dict[str, object] = {
        "alert": "bank-hot",
        "rule": "bank-hot",
        "title": "bank too hot",
        "unit": "C",
        "severity": "act",
        "for_s": 12_000.0,
        "since_utc": "2026-01-02T03:04:05+00:00",
        "value": 47.25,
        "limit": 45.0,
        "meaning": "Heat ages the bank fast.",
        "to_do": "Give shade and air. Check the charger's voltage and its temperature probe. " * 3,
        "acked": None,
    }
    return cast(AlertPicture, row | changes)


@pytest.fixture
def full() -> Picture:
    """A well-equipped site on a good day."""
    values = {
        "bank_v": (12.84, "V"),
        "bank_a": (-0.42, "A"),
        "bank_c": (21.4, "C"),
        "panel_v": (17.25, "V"),
        "panel_a": (2.52, "A"),
        "panel_w": (43.4, "W"),
        "charge_a": (3.1, "A"),
        "controller_c": (31.0, "C"),
        "enclosure_c": (24.1, "C"),
        "computer_c": (48.6, "C"),
        "enclosure_rh": (41.0, "%"),
        "load_a": (0.13, "A"),
        "load_v": (12.8, "V"),
        "computer_a": (0.083, "A"),
        "door": (0.0, ""),
    }
    return {
        "v": 1,
        "site": "Cold Fork Ridge",
        "at_s": 270_000.0,
        "boot_id": "0" * 32,
        "utc": "2026-01-02T03:04:05+00:00",
        "clock": {"trusted": True, "source": "kernel"},
        "service": {"version": "0.1.0", "up_s": 269_000.0, "pid": 812, "note": ""},
        "soc_frac": 0.624,
        "soc_sigma": 0.031,
        "half_mark": 0.5,
        "share_below_half": 0.0001,
        "reserve_points": 12.4,
        "reserve_ah": 2.9,
        "capacity_ah": 23.4,
        "capacity_sigma_ah": 1.2,
        "shunt_offset_a": -0.004,
        "bank_current": {"from": "shunt", "words": "measured in the bank's own lead by shunt"},
        "quantities": {
            name: {"value": value, "unit": unit, "age_s": 0.4, "instrument": "shunt"}
            for name, (value, unit) in values.items()
        },
        "absent": [],
        "limits": {
            "bank_c": {"rule": "bank-hot", "raise_at": 45.0, "clear_at": 40.0},
            "controller_c": {"rule": "controller-hot", "raise_at": 75.0, "clear_at": 65.0},
            "enclosure_c": {"rule": "enclosure-hot", "raise_at": 60.0, "clear_at": 55.0},
            "computer_c": {"rule": "computer-hot", "raise_at": 80.0, "clear_at": 70.0},
        },
        "alerts": [],
        "instruments": {
            "controller": instrument(every_s=10.0, asked=26_900, answered=26_891, silent=9, age_s=7.2),
            "shunt": instrument(),
        },
        "lines": {"rs485": {"up": True, "port": "/dev/serial/by-id/usb-EXAMPLE-if00", "why": None, "down_s": None}},
        "record": {
            "folder": "/var/lib/halfmark",
            "last_commit_age_s": 4.2,
            "failing_s": None,
            "why": None,
            "commits": 26_900,
            "readings": 295_900,
            "damaged": 0,
        },
        "sending": {
            "boot_id": "0" * 32,
            "written_s": 269_990.0,
            "record_why": None,
            "ways": {"group-mail": {"kind": "mail", "waiting": 0, "taken": 12, "refused": 0, "dropped": 0}},
        },
    }


@pytest.fixture
def empty(full: Picture) -> Picture:
    """A service that has only just started, without clock and instruments."""
    empty = full
    empty["utc"], empty["clock"] = None, {"trusted": False, "source": None}
    empty["service"] = {"version": "0.1.0", "up_s": 0.3, "pid": 1, "note": ""}
    empty["soc_frac"] = empty["soc_sigma"] = empty["share_below_half"] = None
    empty["reserve_points"] = empty["reserve_ah"] = None
    empty["bank_current"] = {"from": "nothing", "words": "not known"}
    empty["quantities"], empty["limits"], empty["instruments"], empty["lines"] = {}, {}, {}, {}
    empty["sending"] = None
    empty["record"] = {
        "folder": "/var/lib/halfmark",
        "last_commit_age_s": None,
        "failing_s": None,
        "why": None,
        "commits": 0,
        "readings": 0,
    }
    return empty


@pytest.fixture
def worst(full: Picture) -> Picture:
    """Everything long, everything wrong, everything at once."""
    worst = full
    worst["site"] = LONG
    worst["utc"], worst["clock"] = None, {"trusted": False, "source": None}
    worst["service"]["note"] = LONG
    worst["soc_frac"], worst["soc_sigma"], worst["reserve_points"], worst["reserve_ah"] = 0.0, 1.0, -1e4, -1e9
    worst["capacity_ah"] = worst["capacity_sigma_ah"] = 1e9
    worst["bank_current"] = {"from": "controllers", "words": LONG}
    for row in worst["quantities"].values():
        row["value"], row["age_s"], row["unit"] = -12345.678, 1e7, row["unit"] or "unit"
    worst["absent"] = [{"quantity": f"quantity_{n}", "why": LONG} for n in range(30)]
    worst["alerts"] = [
        alert(alert=f"instrument-silent:{LONG}{n}", title=LONG, severity=s, for_s=1e9 + n, unit=LONG, to_do=LONG)
        for n, s in enumerate(("advice", "act", "urgent", "unheard of") * 10)
    ]
    worst["instruments"] = {f"{n} {LONG}": instrument(age_s=None, silent=10**12, last_error=LONG) for n in range(40)}
    worst["lines"] = {
        f"{n} {LONG}": {"up": False, "port": LONG, "why": LONG, "down_s": 1e9 if n else None} for n in range(10)
    }
    worst["sending"] = {
        "boot_id": LONG,
        "record_why": LONG,
        "ways": {f"{n} {LONG}": {"waiting": 10**20, "failing_since_s": 1.0, "last_error": LONG} for n in range(20)},
    }
    worst["record"] = {
        "folder": LONG,
        "last_commit_age_s": 1e9,
        "failing_s": 1e9,
        "why": LONG,
        "commits": 10**15,
        "readings": 10**18,
    }
    return worst
