"""A record with a picture, readings and alerts, as the doors of `send` see it; and an invented clock."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.picture import STATE_NAME
from daemon.record import Anchor, Batch, Record, RecordReader
from daemon.sending.site_now import SiteNow, site_now
from shared.readings import Reading
from shared.site import Bank, Instrument, Place, Site

BOOT = "d0" * 16
START_UTC_S = 1_780_000_000.0
SITE = "Cold Fork Ridge"


def a_site(name: str = SITE) -> Site:
    return Site(
        Place(name, 37.3, -81.1),
        Bank("agm", capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7),
        instruments={
            "shunt": Instrument("shunt", "rs485", "register-map", 1.0),
            "controller": Instrument("controller", "rs485", "register-map", 10.0),
            "slow": Instrument("slow", "rs485", "register-map", 600.0),
        },
    )


def a_picture(at_s: float, quantities: Mapping[str, tuple[float, str, str]]) -> dict[str, Any]:
    """The service's own words, made by hand: quantity -> (value, unit, instrument)."""
    counters = {"refused": 1, "silent": 2, "garbled": 3, "suspect": 4, "late": 5}
    return {
        "v": 1,
        "site": SITE,
        "at_s": at_s,
        "boot_id": BOOT,
        "utc": None,
        "clock": {"trusted": True, "source": "kernel"},
        "service": {"version": "0.1.0", "up_s": 900.25, "pid": 1, "note": ""},
        "half_mark": 0.5,
        "share_below_half": 0.0125,
        "reserve_points": 12.4,
        "reserve_ah": 2.976,
        "capacity_ah": 22.5,
        "capacity_sigma_ah": 1.0,
        "shunt_offset_a": 0.0,
        "quantities": {
            name: {"value": value, "unit": unit, "age_s": 0.5, "instrument": instrument}
            for name, (value, unit, instrument) in quantities.items()
        },
        "alerts": [],
        "instruments": {
            "shunt": {"line": "rs485", "every_s": 1.0, "asked": 900, "answered": 885, "age_s": 0.5, **counters}
        },
        "lines": {"rs485": {"up": True, "port": "/dev/x", "why": None, "down_s": None}},
        "record": {"folder": "/x", "last_commit_age_s": 1.0, "failing_s": None, "commits": 90, "readings": 990},
        "sending": None,
    }


def a_standing(alert: str, severity: str = "act", **changes: object) -> dict[str, object]:
    row = {"alert": alert, "rule": alert.partition(":")[0], "severity": severity, "since_s": 600.0, "limit": 45.0}
    return {**row, "since_exact": True, "acked_by": None, "covered_by": None, "held": False, **changes}


class DoorHill:
    """A record that grows."""

    def __init__(self, folder: Path, site: Site | None = None, *, now_s: float = 1000.0) -> None:
        self.folder = folder
        self.site = site or a_site()
        self.now_s = now_s
        self.record = self._open(BOOT)
        self.record.commit(Batch(anchors=[Anchor(0, 0.0, START_UTC_S, 0.1, "operator")]))

    def _open(self, boot: str) -> Record:
        return Record.open(self.folder / "state", boot_id=boot, elapsed_s=0.0, wall_utc_s=START_UTC_S)

    def reboot(self, boot: str) -> None:
        self.record.close()
        self.record = self._open(boot)

    def read(self, instrument: str, age_s: float = 0.0, **values: float) -> None:
        """Record one reading."""
        at_s = self.now_s - age_s
        self.record.commit(Batch(readings=[Reading(instrument, at_s, values)], until_s=self.now_s))

    def tell(self, age_s: float = 0.0, **quantities: tuple[float, str, str]) -> None:
        """Record the service's picture."""
        self.record.commit(Batch(state={STATE_NAME: a_picture(self.now_s - age_s, quantities)}, until_s=self.now_s))

    def raise_alerts(self, *standing: dict[str, object]) -> None:
        """Record the book of alerts."""
        self.record.commit(Batch(state={"alerts": {"version": 2, "standing": list(standing)}}, until_s=self.now_s))

    def good_day(self) -> None:
        """Everything there is."""
        self.read("controller", 3.0, bank_v=13.1, panel_w=43.4, controller_c=31.0)
        self.read("halfmark", 1.0, soc_frac=0.624, soc_sigma=0.031)
        self.read("shunt", 0.5, bank_v=13.204, bank_a=-0.512, enclosure_rh=41.0, door=0.0, bank_ah_counter=-3.25)
        self.tell(
            20.0,
            bank_v=(13.1, "V", "shunt"),
            bank_a=(-0.4, "A", "shunt"),
            panel_w=(40.0, "W", "controller"),
            controller_c=(30.0, "C", "controller"),
        )

    def look(self, boot: str = BOOT) -> SiteNow:
        with RecordReader(self.folder / "state") as reader:
            return site_now(reader, self.site, boot_id=boot, now_s=self.now_s)

    def close(self) -> None:
        self.record.close()
