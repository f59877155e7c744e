"""A simulated site at one reading a second, and the station that watches it, in step, without ports and clock."""

from drivers.virtual.site import INSTRUMENTS, SitePlan, VirtualSite
from shared.alerts import AlertEvent
from shared.readings import Reading
from shared.site import AlertChange, Bank, Instrument, Load, Place, Site
from shared.station import Station

START_UTC_S = 1_718_020_800.0  # 2024-06-10 12:00 UTC, seven in the morning there
RULES_EVERY_S = 60.0
_BETWEEN_S = 0.37  # readings come between the whole seconds on which the simulated transmitter is keyed


def site_of(
    plan: SitePlan, *, shunt_s: float = 1.0, controller_s: float = 10.0, told: bool = True, alerts: str = ""
) -> Site:
    """The site file of a plan, as its owner would write it.

    Args:
        plan: what really stands there.
        shunt_s, controller_s: periods of the two instruments, s.
        told: whether it has the repeater's currents.
        alerts: other limits, as "RULE=LIMIT RULE=LIMIT".
    """
    own = plan.controller
    changes = [part.split("=") for part in alerts.split()]
    return Site(
        Place("Cold Fork Ridge", plan.latitude, plan.longitude, panel_w=plan.panel_w),
        Bank(plan.chemistry, plan.capacity_ah, plan.cells, 0.5, own.absorb_v, own.float_v, own.charge_v_per_k),
        instruments={
            "shunt": Instrument(
                "shunt", "a", "register-map", shunt_s,
                measures={"bank_a": ("bank", "bank")}, gives=INSTRUMENTS["shunt"],
            ),
            "controller": Instrument("controller", "a", "register-map", controller_s, gives=INSTRUMENTS["controller"]),
        },
        loads={"repeater": Load("repeater", plan.idle_a, plan.transmit_a)} if told else {},
        alerts={name: AlertChange(name, raise_at=float(limit)) for name, limit in changes},
        prefer={"bank_v": "shunt"},
    )  # fmt: skip


class KeyedSite:
    """Runs both.

    Attributes:
        virtual, station: the two.
        events: what the rules told so far.
        at_s: seconds since the start.
    """

    def __init__(
        self,
        plan: SitePlan | None = None,
        *,
        seed: int = 3,
        shunt_s: float = 1.0,
        controller_s: float = 10.0,
        told: bool = True,
        alerts: str = "",
    ) -> None:
        plan = plan or SitePlan()
        site = site_of(plan, shunt_s=shunt_s, controller_s=controller_s, told=told, alerts=alerts)
        self.virtual = VirtualSite(seed=seed, start_utc_s=START_UTC_S, plan=plan)
        self.station = Station(site)
        self.events: list[AlertEvent] = []
        self.at_s = 0.0
        self._rules_s = RULES_EVERY_S
        self._every_s = {name: row.every_s for name, row in site.instruments.items()}
        self._due_s = dict.fromkeys(site.instruments, 0.0)
        self.virtual.advance(_BETWEEN_S)

    def run(self, hours: float, *, step_s: float | None = None) -> None:
        """Go on for some hours, in steps of the quickest instrument unless told otherwise."""
        step_s = step_s or min(self._every_s.values())
        virtual, station, due_s = self.virtual, self.station, self._due_s
        for _ in range(round(hours * 3600.0 / step_s)):
            virtual.advance(step_s)
            self.at_s += step_s
            for name, every_s in self._every_s.items():
                if self.at_s >= due_s[name]:
                    due_s[name] += every_s
                    shown = virtual.shown(name)
                    station.take(Reading(name, self.at_s, {q: v for q, v in shown.items() if v is not None}))
            if self.at_s >= self._rules_s:
                self._rules_s += RULES_EVERY_S
                self.events += station.step_rules(self.at_s)

    def raised(self) -> set[str]:
        """Names of every alert raised so far."""
        return {event.alert for event in self.events if event.state == "raised"}
