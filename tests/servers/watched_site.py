"""A simulated site watched by a station, in simulated time: what the rules make of what the site does."""

import json
from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field

from drivers.virtual.site import SitePlan, VirtualSite
from shared.alerts import AlertEvent
from shared.readings import Reading
from shared.site import AlertChange, Bank, Instrument, Line, Load, Place, Site
from shared.station import Station

AUTUMN_UTC_S = 1_790_020_800.0  # 2026-09-21, 20:00 UTC: an afternoon at the site
HOUR_S, DAY_S = 3600.0, 86_400.0
BANKS = {
    "agm": Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024),
    "flooded": Bank("flooded", 24.0, 6, 0.5, 14.4, 13.7, -0.024),
    "lifepo4": Bank("lifepo4", 24.0, 4, 0.3, 14.2, 13.5, 0.0),
}
SHUNT = Instrument(
    "shunt",
    "rs485",
    "register-map",
    1.0,
    unit=2,
    measures={"bank_a": ("bank", "bank")},
    gives=("bank_v", "bank_a", "bank_ah_counter", "bank_c"),
)
CONTROLLER = Instrument(
    "controller",
    "rs485",
    "register-map",
    10.0,
    unit=1,
    measures={
        "charge_a": ("controller", "bank"),
        "load_a": ("controller", "loads"),
        "panel_a": ("panel", "controller"),
    },
    gives=("bank_v", "charge_a", "load_a", "panel_v", "panel_a", "panel_w", "controller_c", "enclosure_c"),
)
BOARD = Instrument("board", "usb", "text", 30.0, gives=("computer_c",))  # a thermometer at the computer


def a_site(
    chemistry: str = "agm", alerts: Mapping[str, AlertChange] | None = None, every_s: Mapping[str, float] | None = None
) -> Site:
    """The invented site as its file would describe it; the same as `SitePlan` has it."""
    rows = {}
    for row in (SHUNT, CONTROLLER, BOARD):
        period_s = (every_s or {}).get(row.name, row.every_s)
        rows[row.name] = Instrument(
            row.name, row.line, row.driver, period_s, unit=row.unit, measures=row.measures, gives=row.gives
        )
    return Site(
        Place("Test Ridge", 37.284, -81.139, panel_w=30.0, panel_tilt_deg=55.0, panel_azimuth_deg=180.0),
        BANKS[chemistry],
        lines={"rs485": Line("rs485", port="/dev/ttyUSB0")},
        instruments=rows,
        loads={"repeater": Load("repeater", idle_a=0.13, transmit_a=1.6)},
        alerts=dict(alerts or {}),
        prefer={"bank_v": "shunt"},
    )


@dataclass
class WatchedSite:
    """A simulated site, the station that watches it, and what its alerts did.

    `step_s` is how often the site is read and the rules are stepped; `quiet` are instruments that do not answer;
    `told` is what a service would tell besides; `hide` and `spoil` are (instrument, quantity) that are not given, and
    given with values that can't be true. The computer is `computer_k` warmer than its enclosure.
    """

    seed: int = 3
    plan: SitePlan | None = None
    chemistry: str = "agm"
    start_utc_s: float = AUTUMN_UTC_S
    step_s: float = 20.0
    trusts_clock: bool = True
    alerts: Mapping[str, AlertChange] = field(default_factory=dict)
    start_soc: float | None = None
    quiet: set[str] = field(default_factory=set)
    told: dict[str, float | None] = field(default_factory=dict)
    events: list[AlertEvent] = field(default_factory=list)
    hide: set[tuple[str, str]] = field(default_factory=set)
    spoil: set[tuple[str, str]] = field(default_factory=set)
    computer_k: float = 12.0

    def __post_init__(self) -> None:
        plan = self.plan or SitePlan(
            chemistry=self.chemistry,
            cells=BANKS[self.chemistry].cells,
        )
        every_s = {row.name: max(self.step_s, row.every_s) for row in (SHUNT, CONTROLLER, BOARD)}
        self.virtual = VirtualSite(seed=self.seed, start_utc_s=self.start_utc_s, plan=plan)
        self.station = Station(
            a_site(self.chemistry, self.alerts, every_s),
            start_soc=plan.start_soc if self.start_soc is None else self.start_soc,
        )
        self.now_s = 0.0

    def run(self, length_s: float, until: Callable[[], object] = lambda: False) -> list[AlertEvent]:
        """Let time pass, at most until a condition holds; gives what happened to alerts in it."""
        first = len(self.events)
        end_s = self.now_s + length_s
        while self.now_s < end_s and not until():
            self.now_s += self.step_s
            self.virtual.advance(self.step_s)
            self._read()
            utc_s = self.virtual.utc_s if self.trusts_clock else None
            self.events += self.station.step_rules(self.now_s, self.told, utc_s=utc_s)
        return self.events[first:]

    def _read(self) -> None:
        shown_by = self.virtual.observe()
        shown_by["board"] = {"computer_c": self.virtual.heat.enclosure_c + self.computer_k}
        for name, shown in shown_by.items():
            if name in self.quiet:
                continue
            suspect = {q: "can't be true" for q in shown if (name, q) in self.spoil}
            seen = {q: v for q, v in shown.items() if v is not None and (name, q) not in self.hide | self.spoil}
            self.station.take(Reading(name, self.now_s, seen, suspect))

    def run_until(self, alert: str, state: str, most_s: float) -> AlertEvent:
        """Let time pass until something happens to an alert, and give it; fails when it does not in time."""
        found = self.run(most_s, lambda: bool(self.events) and self._happened(alert, state))
        if not self._happened(alert, state):
            facts = self.station.facts(self.now_s)
            raise AssertionError(f"{alert} not {state} in {most_s / HOUR_S:g} h; {facts}; {_names(found)}")
        return next(e for e in reversed(self.events) if (e.alert, e.state) == (alert, state))

    def _happened(self, alert: str, state: str) -> bool:
        return any((e.alert, e.state, e.at_s) == (alert, state, self.now_s) for e in self.events[-20:])

    def twin(self) -> "WatchedSite":
        """Another one that goes on from here, its station taken up from a snapshot as after a restart."""
        twin = WatchedSite(self.seed, self.plan, self.chemistry, self.start_utc_s, self.step_s, self.trusts_clock)
        twin.virtual = deepcopy(self.virtual, {id(self.virtual.plan): self.virtual.plan})
        twin.station.resume(json.loads(json.dumps(self.station.snapshot())))
        twin.station.resume_alerts(self.station.alerts.snapshot())
        twin.now_s = self.now_s
        return twin

    @property
    def standing(self) -> set[str]:
        """The names of the alerts that stand."""
        return {row.alert for row in self.station.alerts.standing}


def _names(events: list[AlertEvent]) -> list[tuple[str, str, float]]:
    return [(e.alert, e.state, e.at_s) for e in events]
